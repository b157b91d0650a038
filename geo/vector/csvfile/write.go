package csvfile

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/vector"
)

// Writer writes one table with commas in UTF-8. The layer must say its fields
// (see vector.Describe). Layers of points get the columns lon, lat and
// elevation_m on WGS 84, or x, y and z in another coordinate system; others get
// a column wkt.
type Writer struct {
	w       *bufio.Writer
	layer   vector.Layer
	points  bool
	begun   bool
	buf     []byte
	columns map[string]bool
	ledger  vector.Ledger
}

// NewWriter writes to w.
func NewWriter(w io.Writer) *Writer { return &Writer{w: bufio.NewWriterSize(w, 1<<16)} }

// Begin writes the names of the columns.
func (w *Writer) Begin(l vector.Layer) error {
	if w.begun {
		return errors.New("write CSV: a file holds one layer")
	}
	w.begun, w.layer, w.points = true, l, l.Geometry == "Point"
	w.columns = map[string]bool{}
	wgs84 := l.CRS == "" || vector.IsWGS84(l.CRS)
	if !wgs84 {
		w.ledger.Add(0, "the coordinate system: CSV does not say which it is")
	}
	switch {
	case w.points && wgs84:
		w.name("lon", "lat", "elevation_m")
	case w.points:
		w.name("x", "y", "z")
	case l.Geometry != vector.NoGeometry:
		w.name("wkt")
	}
	if l.IDField != "" {
		w.name(l.IDField)
	}
	for _, f := range l.Fields {
		if w.columns[f.Name] {
			return fmt.Errorf("write CSV: two columns would be called %q", f.Name)
		}
		w.name(f.Name)
		switch f.Type {
		case vector.Boolean, vector.Day, vector.DateTime, vector.Binary, vector.JSON:
			w.ledger.Add(0, fmt.Sprintf("%s: values of type %s became text", f.Name, f.Type))
		}
	}
	return w.endRow()
}

func (w *Writer) name(names ...string) {
	for _, n := range names {
		w.columns[n] = true
		w.cell(n)
	}
}

// cell appends a cell to the row.
func (w *Writer) cell(s string) {
	if strings.ContainsAny(s, ",;\t|\"\r\n") || s != strings.TrimSpace(s) {
		w.buf = append(w.buf, '"')
		w.buf = append(w.buf, strings.ReplaceAll(s, `"`, `""`)...)
		w.buf = append(w.buf, '"')
	} else {
		w.buf = append(w.buf, s...)
	}
	w.buf = append(w.buf, ',')
}

func (w *Writer) number(v float64) {
	w.buf = append(strconv.AppendFloat(w.buf, v, 'f', -1, 64), ',')
}

func (w *Writer) endRow() error {
	if len(w.buf) > 0 {
		w.buf[len(w.buf)-1] = '\n' // instead of the last comma
	}
	_, err := w.w.Write(w.buf)
	w.buf = w.buf[:0]
	return err
}

// Write writes one row.
func (w *Writer) Write(r vector.Record) error {
	if r.Err != nil {
		return fmt.Errorf("write record %d: %w", r.Number, r.Err)
	}
	if r.Number == 0 {
		return nil
	}
	if err := w.place(&r); err != nil {
		return err
	}
	switch {
	case w.layer.IDField != "":
		w.cell(r.ID)
	case r.ID != "":
		w.ledger.Add(r.Number, "the ID")
	}
	for _, p := range r.Properties {
		if !w.columns[p.Name] {
			w.ledger.Add(r.Number, fmt.Sprintf("%s: it is not among the fields", vector.ShortText(p.Name)))
		}
	}
	for _, f := range w.layer.Fields {
		v, _ := r.Properties.Get(f.Name)
		w.value(r.Number, f, v)
	}
	return w.endRow()
}

func (w *Writer) place(r *vector.Record) error {
	g := r.Geometry
	switch {
	case !w.points && w.layer.Geometry == vector.NoGeometry:
		if r.HasGeometry() {
			w.ledger.Add(r.Number, "the geometry: the layer has none")
		}
	case !r.HasGeometry() && w.points:
		w.buf = append(w.buf, ",,,"...)
	case !r.HasGeometry():
		w.buf = append(w.buf, ',')
	case w.points:
		p, is := g.Geometry.(orb.Point)
		if !is {
			return fmt.Errorf("write record %d: it is a %s in a layer of points", r.Number, g.GeoJSONType())
		}
		w.number(p[0])
		w.number(p[1])
		if len(g.Z) > 0 && !math.IsNaN(g.Z[0]) {
			w.number(g.Z[0])
		} else {
			w.buf = append(w.buf, ',')
		}
	default:
		text, padded := AppendWKT(nil, g)
		if padded > 0 {
			w.ledger.Add(r.Number, fmt.Sprintf("that some heights are not recorded: they are written as %d", NoHeight))
		}
		w.cell(string(text))
	}
	return nil
}

func (w *Writer) value(number int, f vector.Field, v any) {
	if v, is := v.(string); is {
		if vector.TypeOf(vector.Guess(strings.TrimSpace(v))) != vector.Text {
			w.ledger.Add(number, f.Name+": text that reads back as a number or as no value")
		}
	}
	w.cell(vector.AsText(v))
}

// Close ends the file.
func (w *Writer) Close() error { return w.w.Flush() }

// Losses returns what CSV could not carry.
func (w *Writer) Losses() []vector.Loss { return w.ledger.Losses() }
