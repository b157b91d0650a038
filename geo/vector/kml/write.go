package kml

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/markup"
)

// Writer writes one layer as a KML document. The properties "name" and
// "description" become those of the placemarks, the others typed data. Heights
// are written as altitudes above sea level. Coordinates must be longitude and
// latitude on WGS 84. The layer must say its fields (see vector.Describe).
type Writer struct {
	w      *bufio.Writer
	begun  bool
	layer  vector.Layer
	data   map[string]vector.Field // fields that become data
	buf    []byte
	z      []float64 // heights of the positions still to be written
	number int
	ledger vector.Ledger
}

// NewWriter writes to w.
func NewWriter(w io.Writer) *Writer { return &Writer{w: bufio.NewWriterSize(w, 1<<16)} }

const (
	head = `<?xml version="1.0" encoding="UTF-8"?>` + "\n" + `<kml xmlns="http://www.opengis.net/kml/2.2"><Document>` + "\n"
	tail = "</Document></kml>\n"
	// schemaID is what the placemarks call the schema of their data.
	schemaID = "fields"
)

// Begin writes the document's name and schema.
func (w *Writer) Begin(l vector.Layer) error {
	if w.begun {
		return errors.New("write KML: a file holds one layer")
	}
	if l.CRS != "" && !vector.IsWGS84(l.CRS) {
		return fmt.Errorf("write KML: coordinates are longitude and latitude on WGS 84, not %s", vector.ShortText(l.CRS))
	}
	w.begun, w.layer, w.data = true, l, map[string]vector.Field{}
	w.raw(head + "<name>")
	w.text(l.Name)
	w.raw(`</name><Schema name="` + schemaID + `" id="` + schemaID + `">`)
	fields := l.Fields
	if l.IDField != "" {
		fields = append([]vector.Field{{Name: l.IDField, Type: vector.Text}}, fields...)
	}
	for _, f := range fields {
		if isText(f) && (f.Name == "name" || f.Name == "description") {
			continue
		}
		f.Type = w.schemaType(f)
		w.data[f.Name] = f
		w.raw(`<SimpleField type="` + kmlTypes[f.Type] + `" name="`)
		w.text(f.Name)
		w.raw(`"/>`)
	}
	w.raw("</Schema>\n")
	return w.flush()
}

func isText(f vector.Field) bool { return f.Type == vector.Text || f.Type == vector.Unknown }

var kmlTypes = map[vector.Type]string{vector.Integer: "int", vector.Real: "double", vector.Boolean: "bool", vector.Text: "string"}

// schemaType is the type a field's data get. An int of KML has 32 bits.
func (w *Writer) schemaType(f vector.Field) vector.Type {
	switch f.Type {
	case vector.Integer:
		switch {
		case f.Width > 0 && f.Width < 10:
			return vector.Integer
		case f.Width > 0 && f.Width < 16:
			w.ledger.Add(0, f.Name+": whole numbers became real numbers, for KML's have 32 bits")
			return vector.Real
		}
		w.ledger.Add(0, f.Name+": whole numbers became text, for KML's have 32 bits")
	case vector.Real, vector.Boolean, vector.Text:
		return f.Type
	case vector.Unknown:
	default:
		w.ledger.Add(0, fmt.Sprintf("%s: values of type %s became text", f.Name, f.Type))
	}
	return vector.Text
}

func (w *Writer) raw(s string) { w.buf = append(w.buf, s...) }

func (w *Writer) text(s string) {
	var whole bool
	if w.buf, whole = markup.AppendText(w.buf, s); !whole {
		w.ledger.Add(w.number, "control characters in text, which XML does not allow")
	}
}

func (w *Writer) flush() error {
	_, err := w.w.Write(w.buf)
	w.buf = w.buf[:0]
	return err
}

// Write writes one placemark.
func (w *Writer) Write(r vector.Record) error {
	if r.Err != nil {
		return fmt.Errorf("write record %d: %w", r.Number, r.Err)
	}
	if r.Number == 0 {
		return nil
	}
	w.number = r.Number
	w.raw("<Placemark")
	if id, ok := markup.Name(r.ID); r.ID != "" && ok {
		w.raw(` id="` + id + `"`)
	} else if r.ID != "" && w.layer.IDField == "" {
		w.ledger.Add(r.Number, "the ID: KML's are XML names, which begin with a letter")
	}
	w.raw(">")
	for _, name := range []string{"name", "description"} {
		if v, _ := r.Properties.Get(name); v != nil && !w.isData(name) {
			w.raw("<" + name + ">")
			w.text(vector.AsText(v))
			w.raw("</" + name + ">")
		}
	}
	w.properties(&r)
	if r.HasGeometry() {
		g := vector.Wind(r.Geometry, true)
		w.z = g.Z
		w.geometry(g)
	}
	w.raw("</Placemark>\n")
	return w.flush()
}

func (w *Writer) isData(name string) bool {
	_, is := w.data[name]
	return is
}

func (w *Writer) properties(r *vector.Record) {
	open := false
	add := func(name, text string) {
		if !open {
			w.raw(`<ExtendedData><SchemaData schemaUrl="#` + schemaID + `">`)
			open = true
		}
		w.raw(`<SimpleData name="`)
		w.text(name)
		w.raw(`">`)
		w.text(text)
		w.raw("</SimpleData>")
	}
	if r.ID != "" && w.layer.IDField != "" {
		add(w.layer.IDField, r.ID)
	}
	for _, p := range r.Properties {
		f, is := w.data[p.Name]
		switch {
		case p.Name == w.layer.IDField && is, !is && p.Name != "name" && p.Name != "description":
			w.ledger.Add(r.Number, fmt.Sprintf("%s: it is not among the fields", vector.ShortText(p.Name)))
			continue
		case !is || p.Value == nil:
			continue
		}
		v, ok := vector.As(p.Value, f.Type)
		if real, is := v.(float64); is && real-real != 0 {
			ok = false
		}
		if !ok {
			w.ledger.Add(r.Number, fmt.Sprintf("%s: a value that is no %s was left out", f.Name, f.Type))
			continue
		}
		if s, is := v.(string); is && s == "" {
			w.ledger.Add(r.Number, f.Name+": empty text reads back as no value")
		}
		add(p.Name, dataText(v))
	}
	if open {
		w.raw("</SchemaData></ExtendedData>")
	}
}

// dataText writes truth values as 1 and 0, which of the forms that XML Schema
// allows more programs read.
func dataText(v any) string {
	if b, is := v.(bool); is && b {
		return "1"
	} else if is {
		return "0"
	}
	return vector.AsText(v)
}

// geometry writes a geometry and takes the heights of its positions.
func (w *Writer) geometry(g geojson.Geometry) {
	switch g := g.Geometry.(type) {
	case orb.Point:
		w.simple("Point", []orb.Point{g})
	case orb.LineString:
		w.simple("LineString", g)
	case orb.Ring:
		w.polygon(orb.Polygon{g})
	case orb.Polygon:
		w.polygon(g)
	case orb.MultiPoint:
		multi(w, g, func(p orb.Point) { w.simple("Point", []orb.Point{p}) })
	case orb.MultiLineString:
		multi(w, g, func(l orb.LineString) { w.simple("LineString", l) })
	case orb.MultiPolygon:
		multi(w, g, w.polygon)
	case orb.Collection:
		if uniform(g) {
			w.ledger.Add(w.number, "that a collection of one type of geometry is a collection")
		}
		multi(w, g, func(m orb.Geometry) { w.geometry(geojson.Geometry{Geometry: m}) })
	}
}

func uniform(c orb.Collection) bool {
	for _, m := range c {
		if m.GeoJSONType() != c[0].GeoJSONType() {
			return false
		}
	}
	return len(c) > 0
}

func multi[S ~[]T, T any](w *Writer, parts S, one func(T)) {
	w.raw("<MultiGeometry>")
	for _, p := range parts {
		one(p)
	}
	w.raw("</MultiGeometry>")
}

func (w *Writer) simple(kind string, ps []orb.Point) {
	w.raw("<" + kind + ">")
	w.altitudeMode(len(ps))
	w.coordinates(ps)
	w.raw("</" + kind + ">")
}

// altitudeMode says that altitudes are above sea level where any of the next n
// positions has one.
func (w *Writer) altitudeMode(n int) {
	for _, z := range w.z[:min(n, len(w.z))] {
		if !math.IsNaN(z) {
			w.raw("<altitudeMode>absolute</altitudeMode>")
			return
		}
	}
}

func (w *Writer) polygon(p orb.Polygon) {
	n := 0
	for _, r := range p {
		n += len(r)
	}
	w.raw("<Polygon>")
	w.altitudeMode(n)
	for i, r := range p {
		name := "innerBoundaryIs"
		if i == 0 {
			name = "outerBoundaryIs"
		}
		w.raw("<" + name + "><LinearRing>")
		w.coordinates(r)
		w.raw("</LinearRing></" + name + ">")
	}
	w.raw("</Polygon>")
}

func (w *Writer) coordinates(ps []orb.Point) {
	w.raw("<coordinates>")
	for i, p := range ps {
		if i > 0 {
			w.raw(" ")
		}
		w.buf = strconv.AppendFloat(w.buf, p[0], 'f', -1, 64)
		w.raw(",")
		w.buf = strconv.AppendFloat(w.buf, p[1], 'f', -1, 64)
		if i < len(w.z) && !math.IsNaN(w.z[i]) {
			w.raw(",")
			w.buf = strconv.AppendFloat(w.buf, w.z[i], 'f', -1, 64)
		}
	}
	w.z = w.z[min(len(ps), len(w.z)):]
	w.raw("</coordinates>")
}

// Close ends the document.
func (w *Writer) Close() error {
	if !w.begun {
		w.raw(head)
	}
	w.raw(tail)
	if err := w.flush(); err != nil {
		return err
	}
	return w.w.Flush()
}

// Losses returns what KML could not carry.
func (w *Writer) Losses() []vector.Loss { return w.ledger.Losses() }
