package shp

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"iter"
	"path"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/archive"
)

type source struct {
	set    *archive.Set
	layers []vector.Layer
	data   []data
}

// data is one .shp with what goes with it.
type data struct {
	shp, shx, dbf *io.SectionReader // shx and dbf may be nil
	option, cpg   string            // encodings
}

// Is tells whether a file that begins so is the main file of a Shapefile.
func Is(head []byte) bool {
	return len(head) >= 32 && binary.BigEndian.Uint32(head) == fileCode && binary.LittleEndian.Uint32(head[28:]) == version
}

// Open opens every Shapefile of a set; each is a layer. The source closes the
// set.
func Open(set *archive.Set, o vector.Options) (vector.Source, error) {
	s := &source{set: set}
	for _, name := range set.Names() {
		if !strings.EqualFold(path.Ext(name), ".shp") {
			continue
		}
		if err := s.add(name, o); err != nil {
			return nil, fmt.Errorf("%w: %s: %w", vector.ErrFormat, path.Base(name), err)
		}
	}
	if len(s.layers) == 0 {
		return nil, fmt.Errorf("%w: there is no .shp file", vector.ErrFormat)
	}
	return s, nil
}

// OpenLone opens a .shp without the files that go with it.
func OpenLone(r io.ReaderAt, size int64, name string) (vector.Source, error) {
	s := &source{set: &archive.Set{}}
	d := data{shp: io.NewSectionReader(r, 0, size)}
	l, err := describe(d, name)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", vector.ErrFormat, err)
	}
	s.layers, s.data = []vector.Layer{l}, []data{d}
	return s, nil
}

func (s *source) Format() vector.Format { return vector.Shapefile }

func (s *source) Layers() []vector.Layer { return s.layers }

func (s *source) Close() error { return s.set.Close() }

// member finds the file beside a .shp that has another ending.
func member(set *archive.Set, shp, ending string) string {
	stem := strings.TrimSuffix(shp, path.Ext(shp))
	for _, n := range set.Names() {
		if strings.EqualFold(n, stem+ending) {
			return n
		}
	}
	return ""
}

func (s *source) add(name string, o vector.Options) error {
	d := data{option: o.Encoding}
	for _, f := range []struct {
		ending string
		to     **io.SectionReader
	}{{".shp", &d.shp}, {".shx", &d.shx}, {".dbf", &d.dbf}} {
		n := member(s.set, name, f.ending)
		if n == "" {
			continue
		}
		r, err := s.set.Open(n)
		if err != nil {
			return err
		}
		*f.to = r
	}
	var err error
	if d.cpg, err = s.small(name, ".cpg"); err != nil {
		return err
	}
	prj, err := s.small(name, ".prj")
	if err != nil {
		return err
	}
	l, err := describe(d, strings.TrimSuffix(path.Base(name), path.Ext(name)))
	if err != nil {
		return err
	}
	l.CRS = strings.TrimSpace(strings.TrimPrefix(prj, "\ufeff"))
	s.layers, s.data = append(s.layers, l), append(s.data, d)
	return nil
}

// small reads the text of a file beside the .shp, "" when there is none.
func (s *source) small(name, ending string) (string, error) {
	n := member(s.set, name, ending)
	if n == "" {
		return "", nil
	}
	r, err := s.set.Stream(n)
	if err != nil {
		return "", err
	}
	defer r.Close()
	b, err := io.ReadAll(io.LimitReader(r, 1<<16))
	return string(b), err
}

// describe reads the headers.
func describe(d data, name string) (vector.Layer, error) {
	l := vector.Layer{Name: name, Count: -1}
	var h [headerSize]byte
	if _, err := d.shp.ReadAt(h[:], 0); err != nil {
		return l, errors.New("it is shorter than its header")
	}
	if !Is(h[:]) {
		return l, errors.New("it does not begin as a Shapefile does")
	}
	kind := int(binary.LittleEndian.Uint32(h[32:]))
	l.Z = kind/10 == 1
	switch kind % 10 {
	case typePoint:
		l.Geometry = "Point"
		if kind == typeMultiPatch {
			return l, errors.New("it holds multi-patches, surfaces in space, which are not read")
		}
	case typeMultiPoint:
		l.Geometry = "MultiPoint"
	}
	x := open(d)
	if x.indexed {
		l.Count = x.count()
		box := shape{b: h[:], at: 36}
		l.Extent = &orb.Bound{Min: orb.Point{box.double(), box.double()}, Max: orb.Point{box.double(), box.double()}}
	}
	l.Notes = x.notes
	if d.dbf == nil {
		l.Notes = append(l.Notes, "there is no .dbf beside it: the records have no properties")
		return l, nil
	}
	t, err := d.table()
	if err != nil {
		return l, err
	}
	l.Fields, l.Notes = t.fields(), append(l.Notes, t.notes...)
	if l.Count >= 0 && l.Count != t.rows {
		l.Notes = append(l.Notes, fmt.Sprintf("there are %d geometries and %d rows of properties", l.Count, t.rows))
	}
	return l, nil
}

func (d data) table() (*table, error) {
	t, err := openTable(d.dbf)
	if err != nil {
		return nil, err
	}
	if err := t.setCharset(d.option, d.cpg); err != nil {
		return nil, err
	}
	t.nameColumns()
	return t, nil
}

func (s *source) Read(layer int) iter.Seq[vector.Record] {
	return func(yield func(vector.Record) bool) {
		r := reader{shapes: open(s.data[layer])}
		if s.data[layer].dbf != nil {
			var err error
			if r.table, err = s.data[layer].table(); err != nil {
				yield(vector.Record{Err: vector.Broken(err, 0)})
				return
			}
		}
		r.run(yield)
	}
}

type reader struct {
	shapes  *shapes
	table   *table // nil when there is none
	deleted int
}

func (r *reader) run(yield func(vector.Record) bool) {
	for i := 0; ; i++ {
		content, fault, err := r.shapes.next(i)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			yield(vector.Record{Err: vector.Broken(err, i)})
			return
		}
		rec := vector.Record{Number: i + 1, Err: fault}
		if !r.properties(&rec, i) {
			r.deleted++
			continue
		}
		if rec.Err == nil {
			geometry(&rec, content)
		}
		if rec.Err != nil {
			rec.Geometry, rec.Properties = geojson.Geometry{}, nil
		}
		if !yield(rec) {
			return
		}
	}
	if r.deleted > 0 {
		yield(vector.Record{Notes: []string{fmt.Sprintf("records marked as deleted and passed over: %d", r.deleted)}})
	}
}

// properties reads the row of a record; false when it is deleted.
func (r *reader) properties(rec *vector.Record, i int) bool {
	if r.table == nil {
		return true
	}
	if i >= r.table.rows {
		rec.Note("the .dbf has no row for it: its properties are not recorded")
		return true
	}
	props, notes, ok, err := r.table.row(i)
	if err != nil {
		rec.Err = err
		return true
	}
	rec.Properties, rec.Notes = props, append(rec.Notes, notes...)
	return ok
}

func geometry(rec *vector.Record, content []byte) {
	s := shape{b: content}
	rec.Geometry, rec.Err = s.parse()
	rec.Notes = append(rec.Notes, s.notes...)
	if s.measures {
		rec.Note("the measures (M) of the positions were left out")
	}
}
