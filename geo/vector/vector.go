package vector

import (
	"errors"
	"iter"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
)

// Format is a file format.
type Format string

const (
	GeoJSON      Format = "GeoJSON"               // RFC 7946
	TextSequence Format = "GeoJSON text sequence" // RFC 8142, or one Feature a line
	Shapefile    Format = "Shapefile"             // ESRI Shapefile Technical Description, July 1998
	GeoPackage   Format = "GeoPackage"            // OGC 12-128r18
	KML          Format = "KML"                   // OGC 07-147r2, also zipped as KMZ
	GPX          Format = "GPX"                   // GPX 1.0 and 1.1
	CSV          Format = "CSV"                   // RFC 4180, also with semicolons or tabs
)

// Bounds on what one record may take, so that a hostile file cannot fill the
// memory.
const (
	MaxPositions = 2_000_000 // of one geometry
	MaxValue     = 32 << 20  // bytes of one value, name or line
	MaxFields    = 4_000     // of one record
	MaxNesting   = 8         // of geometry collections
)

// ErrFormat is wrapped by the errors that refuse a file as a whole.
var ErrFormat = errors.New("the file cannot be read")

// Record is one record of a layer.
//
// A Record with Number 0 speaks of the layer as a whole and comes last: its
// Notes are on the file, its Err says why reading ended early.
type Record struct {
	Number     int    // in the layer, from 1; skipped records leave gaps
	ID         string // "" when the file gives none
	NumericID  bool   // the file wrote the ID as a number
	Geometry   geojson.Geometry
	Properties Properties
	Notes      []string // what was repaired or left out
	Err        error    // why the record is refused; nothing else of it counts then
}

// HasGeometry tells whether the record has a place at all. Tables without
// geometry and null geometries have none.
func (r *Record) HasGeometry() bool { return r.Geometry.Geometry != nil }

// Note adds a note.
func (r *Record) Note(s string) { r.Notes = append(r.Notes, s) }

// Type names of geometries beside those of GeoJSON.
const (
	AnyGeometry = ""     // mixed, or not known before the records are read
	NoGeometry  = "None" // a table without geometry
)

// Layer describes the records of a source, or those to be written.
type Layer struct {
	Name string
	// CRS is the coordinate system as the file declares it: well-known text or
	// a name such as EPSG:2264 or OGC:CRS84; "" when it declares none. A writer
	// takes "" as longitude and latitude on WGS 84.
	CRS      string
	Geometry string     // "Point", "MultiPolygon" …, AnyGeometry or NoGeometry
	Z        bool       // whether positions have or may have heights
	Fields   []Field    // nil when not known before the records are read
	Count    int        // of records, deleted ones included; -1 when not known before they are read
	Extent   *orb.Bound // nil when not known
	Notes    []string   // on the layer as a whole
	// IDField names the column in which a writer keeps the records' IDs where
	// the format has no place of its own for them (Shapefile, GeoPackage, CSV).
	// With "" they are lost.
	IDField string
}

// Options says what the content of a file may leave open.
type Options struct {
	// Encoding of text, as "windows-1250", where a Shapefile or CSV file
	// declares none or a wrong one.
	Encoding string
	// X, Y, Height and WKT name the columns of a CSV file that hold the place,
	// where their names do not tell.
	X, Y, Height, WKT string
}

// Field describes one property of a layer's records.
type Field struct {
	Name  string
	Type  Type
	Width int // the most bytes of a value as text; 0 when not known
}

// Source is an opened file. Its layers may be read any number of times, one
// after the other.
type Source interface {
	Format() Format
	Layers() []Layer
	// Read reads the records of a layer, counted from 0. The records and all
	// they hold belong to the caller.
	Read(layer int) iter.Seq[Record]
	Close() error
}

// Writer writes records of one or more layers. A value of another type than
// its field's, a property without a field and whatever else the format cannot
// carry is left out or changed, and counted in Losses.
type Writer interface {
	// Begin starts a layer; the records that follow are its. A format with one
	// layer refuses a second one.
	Begin(Layer) error
	// Write writes one record. It refuses a record with an error of its own.
	// A Record with Number 0 is passed over.
	Write(Record) error
	// Close ends the file. It does not close what the file is written to.
	Close() error
	// Losses is complete after Close.
	Losses() []Loss
}

// Copy writes records until one cannot be written and returns how many were.
func Copy(w Writer, records iter.Seq[Record]) (int, error) {
	n := 0
	for r := range records {
		if err := w.Write(r); err != nil {
			return n, err
		}
		if r.Number != 0 {
			n++
		}
	}
	return n, nil
}
