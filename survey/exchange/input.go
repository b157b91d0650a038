package exchange

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"strings"

	"holdfast/geo/crs"
	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
	"holdfast/survey"
)

var (
	// ErrNoCRS reports a file that declares no coordinate system, when none was
	// named.
	ErrNoCRS = vector.ErrNoCRS
	// ErrTables reports a file with several tables, when none was chosen.
	ErrTables = errors.New("the file holds several tables")
)

// Input is an opened file of any format of package vector, with one of its
// tables chosen.
type Input struct {
	path   string
	source vector.Source
	table  int
	system *crs.CRS
	named  string // the coordinate system as it was declared or named
	note   string // on the coordinate system
	o      Options
}

// Open opens a file, or a folder of Shapefiles, by its content. It fails with
// ErrTables when there are several tables to choose from, with ErrNoCRS when
// the coordinate system is not known, and wraps survey.ErrInvalid when the file
// is of no format that is read.
func Open(path string, o Options) (*Input, error) {
	source, err := file.Open(path, o.Map.place())
	if errors.Is(err, vector.ErrFormat) {
		return nil, survey.Invalid("", "%s", err)
	}
	if err != nil {
		return nil, err
	}
	in := &Input{path: path, source: source, o: o}
	if err := in.choose(o.Table); err != nil {
		return nil, errors.Join(err, source.Close())
	}
	if err := in.place(o.CRS); err != nil {
		return nil, errors.Join(err, source.Close())
	}
	return in, nil
}

// Close closes the file.
func (in *Input) Close() error { return in.source.Close() }

// System names the coordinate system of the file: a code where it has one, else
// the name or well-known text that was declared.
func (in *Input) System() string {
	if in.system.Code != "" && strings.Contains(in.named, "[") {
		return in.system.Code
	}
	return in.named
}

// Count is how many records there are, false when only reading them tells.
func (in *Input) Count() (int, bool) {
	n := in.layer().Count
	return n, n >= 0
}

func (in *Input) layer() vector.Layer { return in.source.Layers()[in.table] }

// choose finds the table to read: the named one, or the only one that has
// places.
func (in *Input) choose(name string) error {
	var found, filled []int
	var list []string
	for i, l := range in.source.Layers() {
		if name != "" && strings.EqualFold(l.Name, name) {
			in.table = i
			return nil
		}
		if l.Geometry == vector.NoGeometry {
			continue
		}
		found, list = append(found, i), append(list, describe(l))
		if l.Count != 0 {
			filled = append(filled, i)
		}
	}
	switch {
	case len(found) == 0:
		return survey.Invalid("", "the file holds no table with places")
	case name != "":
		return survey.Invalid("", "the file holds no table %q, but %s", name, strings.Join(list, ", "))
	case len(filled) > 1:
		return fmt.Errorf("%w: %s", ErrTables, strings.Join(list, ", "))
	case len(filled) == 1:
		in.table = filled[0]
	default:
		in.table = found[0]
	}
	return nil
}

func describe(l vector.Layer) string {
	if l.Count < 0 {
		return fmt.Sprintf("%q", l.Name)
	}
	return fmt.Sprintf("%q (%d records)", l.Name, l.Count)
}

// place settles the coordinate system. What GeoJSON and CSV imply gives way to
// a system that was named; what a file declares does not.
func (in *Input) place(named string) error {
	declared := in.layer().CRS
	plain := in.plain()
	switch {
	case named == "" && declared == "" && in.source.Format() == vector.CSV:
		declared = vector.WGS84
		in.note = "the file names no coordinate system: its numbers were read as longitude and latitude on WGS 84"
	case named == "":
	case declared == "" || plain && vector.IsWGS84(declared):
		declared = named
		in.note = "the coordinate system was named for this import, not by the file"
	case !sameSystem(named, declared):
		return survey.Invalid("", "the file says that it is in %s, so it cannot be read as %s: leave the name out, or mend what the file says", vector.ShortText(declared), named)
	}
	system, err := vector.ParseCRS(declared)
	switch {
	case errors.Is(err, vector.ErrNoCRS):
		return fmt.Errorf("%w", err)
	case err != nil:
		return survey.Invalid("", "the coordinate system %s cannot be used: %s", vector.ShortText(declared), err)
	}
	in.system, in.named = system, declared
	return nil
}

func sameSystem(a, b string) bool {
	x, err := vector.ParseCRS(a)
	y, also := vector.ParseCRS(b)
	return err == nil && also == nil && x.Code != "" && x.Code == y.Code
}

// plain tells the formats that this package reads itself.
func (in *Input) plain() bool {
	switch in.source.Format() {
	case vector.GeoJSON, vector.TextSequence, vector.CSV:
		return true
	}
	return false
}

// Sites reads sites one by one. The sequence ends with an error, one sentence
// that wraps survey.ErrInvalid, when the file as a whole cannot be read. What
// became of each record is in the report, which is complete when the sequence
// has ended, with and without an error.
func (in *Input) Sites() (iter.Seq2[survey.Site, error], *Report) {
	return stream(in.records(siteSchema), in.o, siteParser())
}

// Points reads points as Sites reads sites. Two points of one site with the same
// label are refused. Whether the site exists is for the store to say.
func (in *Input) Points() (iter.Seq2[survey.Point, error], *Report) {
	return stream(in.records(pointSchema), in.o, pointParser())
}

// Layer reads features, which need not fit into memory; their properties are
// kept as they are. The sequence ends with an error when the file as a whole
// cannot be read; the report is complete when the sequence has ended.
func (in *Input) Layer(role survey.Role) (iter.Seq2[survey.LayerFeature, error], *Report) {
	return stream(in.records(nil), in.o, layerParser(role))
}

// records reads sites and points that stand as this package itself writes them
// with the readers that know where in the file each value is, all else by way
// of vector.
func (in *Input) records(s *schema) recordsOf {
	if s == nil || in.o.Map != nil || !in.plain() || !vector.IsWGS84(in.named) {
		return in.foreign(s)
	}
	return func(report *Report) iter.Seq[record] {
		return func(yield func(record) bool) {
			f, err := os.Open(in.path)
			if err != nil {
				yield(record{fatal: fmt.Errorf("read file: %w", err)})
				return
			}
			defer f.Close()
			all := fromReader(f, s)
			if packed(f) {
				all = in.foreign(s)
			}
			for rec := range all(report) {
				if !yield(rec) {
					return
				}
			}
			in.noteOn(report)
		}
	}
}

// packed tells a file that came out of an archive.
func packed(f *os.File) bool {
	var head [2]byte
	_, err := f.ReadAt(head[:], 0)
	return (err == nil || errors.Is(err, io.EOF)) && string(head[:]) == "PK"
}

func (in *Input) noteOn(report *Report) {
	if in.note != "" {
		report.Notes = append(report.Notes, in.note)
	}
}

// foreign reads by way of vector, in longitude and latitude on WGS 84.
func (in *Input) foreign(s *schema) recordsOf {
	return func(report *Report) iter.Seq[record] {
		return func(yield func(record) bool) {
			in.begin(report)
			t := &translator{schema: s, mapping: in.o.Map}
			if err := t.check(in.layer().Fields); err != nil {
				yield(record{fatal: err})
				return
			}
			// Clockwise outer rings are no fault of a Shapefile: it asks for them.
			turn := in.source.Format() == vector.Shapefile
			for r := range vector.ToWGS84(in.source.Read(in.table), in.system) {
				if r.Number == 0 {
					report.Notes = append(report.Notes, r.Notes...)
					if r.Err == nil {
						continue
					}
					yield(record{fatal: survey.Invalid("", "%s", r.Err)})
					return
				}
				if turn && r.Err == nil {
					r.Geometry = vector.Wind(r.Geometry, true)
				}
				if !yield(t.record(&r)) {
					return
				}
			}
			report.Unmatched = t.unmatched()
		}
	}
}

// begin reports on the file as a whole.
func (in *Input) begin(report *Report) {
	report.Format = in.source.Format()
	if report.CRS = in.named; strings.ContainsAny(in.named, "[(") {
		report.CRS = in.system.String()
	}
	if layers := in.source.Layers(); len(layers) > 1 {
		report.Table = in.layer().Name
	}
	report.Notes = append(report.Notes, in.layer().Notes...)
	in.noteOn(report)
	if vector.IsWGS84(in.named) {
		return
	}
	how := "whose accuracy is not stated"
	if a, ok := in.system.Accuracy(); ok {
		m := a.Metres()
		report.AccuracyM = &m
		how = fmt.Sprintf("by a datum shift accurate to %g m", m)
	}
	report.Notes = append(report.Notes, fmt.Sprintf("the positions were carried from %s to WGS 84 %s", in.system, how))
}
