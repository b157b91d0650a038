package csvfile

import (
	"bufio"
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"
	"golang.org/x/text/encoding"
	"golang.org/x/text/transform"

	"holdfast/geo/position"
	"holdfast/geo/vector"
)

type source struct {
	r       io.ReaderAt
	size    int64
	charset encoding.Encoding // nil: UTF-8, or Windows-1252 where it is none
	sep     byte
	columns *columns
	layer   vector.Layer
}

// Open reads the first row. The file has one layer with the given name. It
// refuses text without columns of a place, saying which columns there are.
func Open(r io.ReaderAt, size int64, name string, o vector.Options) (vector.Source, error) {
	s := &source{r: r, size: size, sep: ','}
	if o.Encoding != "" {
		var known bool
		if s.charset, known = vector.Charset(o.Encoding); !known {
			return nil, fmt.Errorf("encoding %q is not known", o.Encoding)
		}
	}
	in, note := s.text()
	first, err := firstLine(in)
	if err != nil {
		return nil, err
	}
	s.sep = separatorOf(first)
	head, err := (&splitter{in: in, sep: s.sep, line: 1}).next()
	if err == nil {
		err = head.err
	}
	if err != nil {
		return nil, fmt.Errorf("%w: its first row: %w", vector.ErrFormat, err)
	}
	if s.columns, err = findColumns(head.cells, o); err != nil {
		return nil, err
	}
	s.describe(name, note)
	return s, nil
}

func (s *source) describe(name, note string) {
	c := s.columns
	s.layer = vector.Layer{Name: name, Count: -1, Notes: slices.Clone(c.notes), Geometry: "Point", Z: c.height >= 0}
	if note != "" {
		s.layer.Notes = append(s.layer.Notes, note)
	}
	if c.wkt >= 0 {
		s.layer.Geometry, s.layer.Z = vector.AnyGeometry, true
		s.layer.CRS = s.firstSRID()
	}
	if c.degrees {
		s.layer.CRS = vector.WGS84
	}
	for _, n := range c.names {
		if n != "" {
			s.layer.Fields = append(s.layer.Fields, vector.Field{Name: n})
		}
	}
}

// firstSRID is the coordinate system that the first geometry names, if any.
func (s *source) firstSRID() string {
	in, _ := s.text()
	rows := &splitter{in: in, sep: s.sep, line: 1}
	for n := 0; n < 100; n++ {
		r, err := rows.next()
		if err != nil {
			break
		}
		if n == 0 || s.columns.wkt >= len(r.cells) || r.cells[s.columns.wkt] == "" {
			continue
		}
		if _, srid, _, err := ParseWKT(r.cells[s.columns.wkt]); err == nil && srid > 0 {
			return fmt.Sprintf("EPSG:%d", srid)
		}
		break
	}
	return ""
}

func (s *source) text() (*bufio.Reader, string) {
	raw := io.NewSectionReader(s.r, 0, s.size)
	if s.charset != nil {
		return bufio.NewReaderSize(transform.NewReader(raw, s.charset.NewDecoder()), 1<<16), ""
	}
	return vector.DecodeText(raw)
}

func (s *source) Format() vector.Format { return vector.CSV }

func (s *source) Layers() []vector.Layer { return []vector.Layer{s.layer} }

func (s *source) Close() error { return nil }

// firstLine looks at the first line that is not blank, without reading it.
func firstLine(in *bufio.Reader) ([]byte, error) {
	head, err := in.Peek(in.Size())
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
		return nil, fmt.Errorf("read file: %w", err)
	}
	if bytes.IndexByte(head, 0) >= 0 {
		return nil, fmt.Errorf("%w: it is no text", vector.ErrFormat)
	}
	end := bytes.IndexAny(head, "\r\n")
	if end < 0 && len(head) == in.Size() {
		return nil, fmt.Errorf("%w: its first line is longer than %d bytes", vector.ErrFormat, len(head))
	}
	if end >= 0 {
		head = head[:end]
	}
	if len(bytes.TrimSpace(head)) == 0 {
		return nil, fmt.Errorf("%w: its first line is empty", vector.ErrFormat)
	}
	return head, nil
}

// separatorOf is the separator that parts the first line into the most cells.
func separatorOf(line []byte) byte {
	best, most := byte(','), 1
	for _, sep := range []byte(",;\t|") {
		row, err := (&splitter{in: bufio.NewReader(bytes.NewReader(line)), sep: sep, line: 1}).next()
		if err == nil && len(row.cells) > most {
			best, most = sep, len(row.cells)
		}
	}
	return best
}

func (s *source) Read(int) iter.Seq[vector.Record] {
	return func(yield func(vector.Record) bool) {
		in, _ := s.text()
		rows := &splitter{in: in, sep: s.sep, line: 1}
		blanks, firstBlank := 0, 0
		for n := 0; ; n++ {
			row, err := rows.next()
			switch {
			case errors.Is(err, io.EOF):
				if blanks > 0 {
					yield(vector.Record{Notes: []string{fmt.Sprintf("blank rows passed over: %d, the first on line %d", blanks, firstBlank)}})
				}
				return
			case err != nil:
				yield(vector.Record{Err: vector.Broken(err, max(0, n-1))})
				return
			case n == 0: // the names
			case row.err == nil && blank(row.cells):
				if blanks++; blanks == 1 {
					firstBlank = row.line
				}
				n--
			default:
				if !yield(s.record(n, row)) {
					return
				}
			}
		}
	}
}

func blank(cells []string) bool {
	return !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" })
}

// record turns a row into a record.
func (s *source) record(n int, row row) vector.Record {
	rec := vector.Record{Number: n}
	if row.err != nil {
		rec.Err = row.err
		return rec
	}
	s.fixText(&rec, row.cells)
	c := s.columns
	if len(row.cells) < len(c.headers) {
		rec.Note(fmt.Sprintf("line %d has %d of %d cells; the others are taken as empty", row.line, len(row.cells), len(c.headers)))
	}
	cell := func(i int) string {
		if i < 0 || i >= len(row.cells) {
			return ""
		}
		return strings.TrimSpace(row.cells[i])
	}
	for i := len(c.headers); i < len(row.cells); i++ {
		if cell(i) != "" {
			rec.Err = fmt.Errorf("line %d: column %d has no name in the first row but holds %q; the cells may have moved", row.line, i+1, vector.ShortText(cell(i)))
			return rec
		}
	}
	rec.ID = cell(c.id)
	if err := s.place(&rec, cell); err != nil {
		rec.Err = fmt.Errorf("line %d: %w", row.line, err)
		return rec
	}
	rec.Properties = make(vector.Properties, 0, len(c.names))
	for i, name := range c.names {
		if name == "" {
			continue
		}
		var v any
		if i < len(row.cells) {
			v = s.value(row.cells[i])
		}
		rec.Properties = append(rec.Properties, vector.Property{Name: name, Value: v})
	}
	return rec
}

func (s *source) fixText(rec *vector.Record, cells []string) {
	fixed := false
	for i, c := range cells {
		if text, was := vector.FixText(c); was {
			cells[i], fixed = text, true
		}
	}
	if fixed {
		rec.Note(vector.FixedText)
	}
}

// value reads a cell that stands for any value.
func (s *source) value(cell string) any {
	text := strings.TrimSpace(cell)
	v := vector.Guess(text)
	if vector.TypeOf(v) != vector.Text {
		return v
	}
	if s.sep == ';' && strings.Count(text, ",") == 1 {
		if n := vector.Guess(strings.Replace(text, ",", ".", 1)); vector.TypeOf(n) == vector.Real {
			return n
		}
	}
	return cell
}

// place reads the geometry of a row; a row without one has none.
func (s *source) place(rec *vector.Record, cell func(int) string) error {
	c := s.columns
	if c.wkt >= 0 {
		return s.wkt(rec, cell(c.wkt))
	}
	if cell(c.x) == "" && cell(c.y) == "" {
		return nil
	}
	p, err := s.pair(cell)
	if err != nil {
		return err
	}
	var at vector.Positions
	z := math.NaN()
	if h := cell(c.height); h != "" {
		if z, err = s.number(c.height, h); err != nil {
			return err
		}
	}
	if err := at.Add(p[0], p[1], z); err != nil {
		return err
	}
	rec.Geometry = at.Geometry(p)
	return nil
}

func (s *source) wkt(rec *vector.Record, text string) error {
	if text == "" {
		return nil
	}
	g, srid, measures, err := ParseWKT(text)
	if err != nil {
		return fmt.Errorf("%s: %w", s.columns.label(s.columns.wkt), err)
	}
	if declared := fmt.Sprintf("EPSG:%d", srid); srid > 0 && declared != s.layer.CRS {
		return fmt.Errorf("%s: the geometry is in %s, others are not", s.columns.label(s.columns.wkt), declared)
	}
	if g.Geometry == nil {
		rec.Note("the geometry is empty")
	}
	if measures {
		rec.Note("the measures (M) of the positions were left out")
	}
	rec.Geometry = g
	return nil
}

// pair reads the two coordinates.
func (s *source) pair(cell func(int) string) (orb.Point, error) {
	c := s.columns
	x, errX := s.number(c.x, cell(c.x))
	y, errY := s.number(c.y, cell(c.y))
	if errX == nil && errY == nil {
		return orb.Point{x, y}, nil
	}
	if c.degrees && cell(c.x) != "" && cell(c.y) != "" { // perhaps in degrees, minutes and seconds
		if p, err := position.Parse(cell(c.y) + ", " + cell(c.x)); err == nil {
			return p.Point, nil
		}
	}
	if errX != nil && errY != nil {
		return orb.Point{}, fmt.Errorf("%w; %w", errX, errY)
	}
	return orb.Point{}, cmp.Or(errX, errY)
}

func (s *source) number(column int, cell string) (float64, error) {
	text := cell
	if s.sep != ',' && strings.Count(cell, ",") == 1 {
		text = strings.Replace(cell, ",", ".", 1)
	}
	v, ok := vector.Number(text)
	switch {
	case ok:
		return v, nil
	case cell == "":
		return 0, fmt.Errorf("%s is empty", s.columns.label(column))
	}
	return 0, fmt.Errorf("%s: %q is not a number", s.columns.label(column), vector.ShortText(cell))
}
