package shp

import (
	"archive/zip"
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/crs"
	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

// Writer writes layers as Shapefiles in one zip archive. A Shapefile holds one
// type of geometry, with or without heights, so a layer of several becomes
// several Shapefiles with the type in their names. Geometry collections are
// written as their members. The layers must say their fields (see
// vector.Describe). What has been written lies in temporary files until Close.
type Writer struct {
	w      io.Writer
	layers []*layer
	names  vector.Names // of files
	ledger vector.Ledger
}

// layer is one layer on its way out.
type layer struct {
	name  string
	prj   string
	table *schema
	files map[kind]*file
	order []kind
	last  *file // that was written to last
}

// kind is what one Shapefile can hold: a type without Z, and whether it has Z.
type kind struct {
	shape int
	z     bool
}

func (k kind) code() int {
	if k.z {
		return k.shape + withZ
	}
	return k.shape
}

var kindNames = map[int]string{typeNull: "none", typePoint: "points", typeMultiPoint: "multipoints", typeLine: "lines", typePolygon: "areas"}

// NewWriter writes a zip archive to w.
func NewWriter(w io.Writer) *Writer { return &Writer{w: w, names: vector.Names{Fold: true}} }

// Begin starts a layer.
func (w *Writer) Begin(l vector.Layer) error {
	prj, err := projection(l.CRS)
	if err != nil {
		return fmt.Errorf("write Shapefile: %w", err)
	}
	table, err := newSchema(l, &w.ledger)
	if err != nil {
		return err
	}
	w.layers = append(w.layers, &layer{name: l.Name, prj: prj, table: table, files: map[kind]*file{}})
	return nil
}

// projection returns the text of a .prj file. One that is not understood here
// goes into the file as it is: others may know it.
func projection(declared string) (string, error) {
	c, err := vector.ParseCRS(cmp.Or(declared, vector.WGS84))
	switch {
	case err == nil:
		return c.WKT(crs.ESRI), nil
	case strings.Contains(declared, "["):
		return strings.Join(strings.Fields(declared), " "), nil
	}
	return "", fmt.Errorf("%w: give its well-known text instead", err)
}

// Write writes one record.
func (w *Writer) Write(r vector.Record) error {
	if r.Err != nil {
		return fmt.Errorf("write record %d: %w", r.Number, r.Err)
	}
	if r.Number == 0 {
		return nil
	}
	if len(w.layers) == 0 {
		return errors.New("write Shapefile: no layer was begun")
	}
	l := w.layers[len(w.layers)-1]
	row := l.table.row(r, &w.ledger)
	return w.geometry(l, r.Number, r.Geometry, row)
}

func (w *Writer) geometry(l *layer, number int, g geojson.Geometry, row []byte) error {
	if c, is := g.Geometry.(orb.Collection); is {
		w.ledger.Add(number, "geometry collections: their members were written one by one")
		if len(c) == 0 {
			return w.geometry(l, number, geojson.Geometry{}, row)
		}
		for _, m := range c {
			part := geojson.Geometry{Geometry: m}
			if n := vector.Count(m); g.Z != nil {
				part.Z, g.Z = g.Z[:n], g.Z[n:]
			}
			if err := w.geometry(l, number, part, row); err != nil {
				return err
			}
		}
		return nil
	}
	f, err := l.file(kindOf(g))
	if err != nil {
		return err
	}
	content, padded := appendShape(f.content[:0], vector.Wind(g, false), f.kind)
	f.content = content
	if padded {
		w.ledger.Add(number, fmt.Sprintf("that some heights are not recorded: they are written as %d", noHeight))
	}
	return f.add(content, row)
}

func kindOf(g geojson.Geometry) kind {
	k := kind{z: g.Z != nil}
	switch g.Geometry.(type) {
	case orb.Point:
		k.shape = typePoint
	case orb.MultiPoint:
		k.shape = typeMultiPoint
	case orb.LineString, orb.MultiLineString:
		k.shape = typeLine
	case orb.Polygon, orb.MultiPolygon, orb.Ring:
		k.shape = typePolygon
	}
	return k
}

// file returns the file for a kind. Null shapes go into any file; one that so
// far holds nothing else takes on the kind that comes.
func (l *layer) file(k kind) (*file, error) {
	if k.shape == typeNull && l.last != nil {
		return l.last, nil
	}
	f := l.files[k]
	if none := l.files[kind{}]; f == nil && none != nil {
		f, none.kind = none, k
		delete(l.files, kind{})
		l.files[k], l.order[0] = f, k
	}
	if f == nil {
		var err error
		if f, err = newFile(k, l.table); err != nil {
			return nil, err
		}
		l.files[k] = f
		l.order = append(l.order, k)
	}
	l.last = f
	return f, nil
}

// Close writes the archive.
func (w *Writer) Close() (err error) {
	defer func() {
		for _, l := range w.layers {
			for _, f := range l.files {
				err = errors.Join(err, f.remove())
			}
		}
	}()
	z := zip.NewWriter(w.w)
	for _, l := range w.layers {
		if len(l.order) == 0 { // no records: an empty file still tells the fields
			if _, err := l.file(kind{shape: typePoint}); err != nil {
				return err
			}
		}
		var names []string
		for _, k := range l.order {
			name := w.fileName(l, k)
			if err := pack(z, l, l.files[k], name); err != nil {
				return fmt.Errorf("write Shapefile: %w", err)
			}
			names = append(names, name)
		}
		if len(names) > 1 {
			w.ledger.Add(0, "several types of geometry in one file: the layer became the files "+strings.Join(names, ", "))
		}
	}
	return z.Close()
}

// pack puts one Shapefile into the archive.
func pack(z *zip.Writer, l *layer, f *file, name string) error {
	if err := f.finish(); err != nil {
		return err
	}
	for _, m := range []struct {
		ending string
		r      io.ReadSeeker
	}{{".shp", f.shp.f}, {".shx", f.shx.f}, {".dbf", f.dbf.f}, {".prj", strings.NewReader(l.prj)}, {".cpg", strings.NewReader("UTF-8")}} {
		out, err := z.Create(name + m.ending)
		if err != nil {
			return err
		}
		if _, err := m.r.Seek(0, io.SeekStart); err != nil {
			return err
		}
		if _, err := io.Copy(out, m.r); err != nil {
			return err
		}
	}
	return nil
}

// fileName is the layer's name, and the kind where the layer has several.
func (w *Writer) fileName(l *layer, k kind) string {
	name := strings.Map(func(r rune) rune {
		if strings.ContainsRune(`/\:*?"<>|`, r) || r < ' ' {
			return '_'
		}
		return r
	}, l.name)
	if name = strings.Trim(name, ". "); name == "" {
		name = "layer"
	}
	if len(l.order) > 1 {
		name += "_" + kindNames[k.shape]
		if slices.Contains(l.order, kind{k.shape, !k.z}) && k.z {
			name += "_z"
		}
	}
	return w.names.Unique(name)
}

// Losses returns what the format could not carry.
func (w *Writer) Losses() []vector.Loss { return w.ledger.Losses() }
