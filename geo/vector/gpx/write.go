package gpx

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo/vector"
	"holdfast/geo/vector/markup"
)

// Namespace is that of the properties GPX has no element for.
const Namespace = "urn:x-holdfast:properties"

// Writer writes waypoints. Properties that GPX knows by the same name become
// its elements, the others extensions. Where there is no "name", the waypoint is
// called by its "label". Coordinates must be longitude and latitude on WGS 84,
// heights in metres above sea level.
type Writer struct {
	w      *bufio.Writer
	begun  bool
	layer  vector.Layer
	buf    []byte
	number int
	ledger vector.Ledger
}

// NewWriter writes to w.
func NewWriter(w io.Writer) *Writer { return &Writer{w: bufio.NewWriterSize(w, 1<<16)} }

const (
	head = `<?xml version="1.0" encoding="UTF-8"?>` + "\n" +
		`<gpx version="1.1" creator="holdfast" xmlns="http://www.topografix.com/GPX/1/1" xmlns:h="` + Namespace + `">` + "\n"
	tail = "</gpx>\n"
)

// elements are those of a waypoint behind its elevation, in their order.
var elements = []struct {
	name string
	typ  vector.Type
}{
	{"time", vector.DateTime},
	{"magvar", vector.Real},
	{"geoidheight", vector.Real},
	{"name", vector.Text},
	{"cmt", vector.Text},
	{"desc", vector.Text},
	{"src", vector.Text},
	{"sym", vector.Text},
	{"type", vector.Text},
}

// Begin starts the only layer.
func (w *Writer) Begin(l vector.Layer) error {
	if w.begun {
		return errors.New("write GPX: a file holds one layer")
	}
	if l.CRS != "" && !vector.IsWGS84(l.CRS) {
		return fmt.Errorf("write GPX: coordinates are longitude and latitude on WGS 84, not %s", vector.ShortText(l.CRS))
	}
	w.begun, w.layer = true, l
	_, err := w.w.WriteString(head)
	return err
}

// Write writes a waypoint for each point of a record. Lines and areas are left
// out.
func (w *Writer) Write(r vector.Record) error {
	if r.Err != nil {
		return fmt.Errorf("write record %d: %w", r.Number, r.Err)
	}
	if r.Number == 0 {
		return nil
	}
	w.number = r.Number
	var points []orb.Point
	switch g := r.Geometry.Geometry.(type) {
	case orb.Point:
		points = []orb.Point{g}
	case orb.MultiPoint:
		points = g
		w.ledger.Add(r.Number, "that the points of a multi-point belong together")
	case nil:
		w.ledger.Add(r.Number, "records without a place")
	default:
		w.ledger.Add(r.Number, fmt.Sprintf("records that are a %s: waypoints are points", g.GeoJSONType()))
	}
	for i, p := range points {
		z := math.NaN()
		if i < len(r.Geometry.Z) {
			z = r.Geometry.Z[i]
		}
		w.waypoint(&r, p, z)
	}
	_, err := w.w.Write(w.buf)
	w.buf = w.buf[:0]
	return err
}

func (w *Writer) raw(s string) { w.buf = append(w.buf, s...) }

func (w *Writer) element(name, text string) {
	w.raw("<" + name + ">")
	var whole bool
	if w.buf, whole = markup.AppendText(w.buf, text); !whole {
		w.ledger.Add(w.number, "control characters in text, which XML does not allow")
	}
	w.raw("</" + name + ">")
}

func (w *Writer) waypoint(r *vector.Record, p orb.Point, z float64) {
	w.raw(`<wpt lat="`)
	w.buf = strconv.AppendFloat(w.buf, p[1], 'f', -1, 64)
	w.raw(`" lon="`)
	w.buf = strconv.AppendFloat(w.buf, p[0], 'f', -1, 64)
	w.raw(`">`)
	if !math.IsNaN(z) {
		w.raw("<ele>")
		w.buf = strconv.AppendFloat(w.buf, z, 'f', -1, 64)
		w.raw("</ele>")
	}
	done := map[string]bool{}
	for _, e := range elements {
		v, _ := r.Properties.Get(e.name)
		if e.name == "name" && v == nil {
			v, _ = r.Properties.Get("label")
		}
		if out, ok := vector.As(v, e.typ); ok && v != nil {
			w.element(e.name, elementText(out))
			done[e.name] = true
		}
	}
	w.extensions(r, done)
	w.raw("</wpt>\n")
}

func elementText(v any) string {
	if t, is := v.(time.Time); is {
		return t.Format(time.RFC3339Nano)
	}
	return vector.AsText(v)
}

func (w *Writer) extensions(r *vector.Record, done map[string]bool) {
	var names vector.Names
	open := false
	add := func(property, text string) {
		if !open {
			w.raw("<extensions>")
			open = true
		}
		name, same := markup.Name(property)
		if name = names.Unique(name); !same || name != property {
			w.ledger.Add(r.Number, fmt.Sprintf("%s: it is called %s, for names of XML hold no blanks", vector.ShortText(property), name))
		}
		w.element("h:"+name, text)
	}
	switch {
	case r.ID == "":
	case w.layer.IDField == "":
		w.ledger.Add(r.Number, "the ID")
	default:
		add(w.layer.IDField, r.ID)
	}
	for _, p := range r.Properties {
		if p.Value == nil || done[p.Name] {
			continue
		}
		switch v := p.Value.(type) {
		case string:
			if v == "" || vector.TypeOf(vector.Guess(v)) != vector.Text {
				w.ledger.Add(r.Number, p.Name+": text that reads back as a number or as no value")
			}
		case int64, float64:
		default:
			w.ledger.Add(r.Number, fmt.Sprintf("%s: values of type %s became text", p.Name, vector.TypeOf(v)))
		}
		add(p.Name, vector.AsText(p.Value))
	}
	if open {
		w.raw("</extensions>")
	}
}

// Close ends the file.
func (w *Writer) Close() error {
	if !w.begun {
		if _, err := w.w.WriteString(head); err != nil {
			return err
		}
	}
	if _, err := w.w.WriteString(tail); err != nil {
		return err
	}
	return w.w.Flush()
}

// Losses returns what GPX could not carry.
func (w *Writer) Losses() []vector.Loss { return w.ledger.Losses() }
