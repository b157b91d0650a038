package jsonfile

import (
	"bufio"
	"errors"
	"fmt"
	"io"

	"github.com/go-json-experiment/json/jsontext"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

// Writer writes a FeatureCollection or a text sequence. Coordinates must be
// longitude and latitude on WGS 84 (RFC 7946 §4); rings are turned as §3.1.6
// asks for. Dates, times and binary values become text.
type Writer struct {
	w        *bufio.Writer
	sequence bool
	begun    bool
	first    bool // no record has been written
	buf      []byte
	ledger   vector.Ledger
}

// NewWriter writes a FeatureCollection to w.
func NewWriter(w io.Writer) *Writer { return &Writer{w: bufio.NewWriterSize(w, 1<<16)} }

// NewSequenceWriter writes a text sequence to w (RFC 8142).
func NewSequenceWriter(w io.Writer) *Writer {
	return &Writer{w: bufio.NewWriterSize(w, 1<<16), sequence: true}
}

// Begin starts the only layer.
func (w *Writer) Begin(l vector.Layer) error {
	if w.begun {
		return errors.New("write GeoJSON: a file holds one layer")
	}
	if l.CRS != "" && !vector.IsWGS84(l.CRS) {
		return fmt.Errorf("write GeoJSON: coordinates are longitude and latitude on WGS 84 (RFC 7946 §4), not %s", vector.ShortText(l.CRS))
	}
	w.begun, w.first = true, true
	for _, f := range l.Fields {
		switch f.Type {
		case vector.Day, vector.DateTime, vector.Binary:
			w.ledger.Add(0, fmt.Sprintf("%s: values of type %s became text", f.Name, f.Type))
		}
	}
	if w.sequence {
		return nil
	}
	_, err := w.w.WriteString(`{"type":"FeatureCollection","features":[`)
	return err
}

// Write writes one Feature.
func (w *Writer) Write(r vector.Record) error {
	if r.Err != nil {
		return fmt.Errorf("write record %d: %w", r.Number, r.Err)
	}
	if r.Number == 0 {
		return nil
	}
	b := w.buf[:0]
	switch {
	case w.sequence:
		b = append(b, separator)
	case w.first:
		b = append(b, '\n')
	default:
		b = append(b, ",\n"...)
	}
	w.first = false
	b = append(b, `{"type":"Feature"`...)
	if r.ID != "" {
		b = append(b, `,"id":`...)
		if id := jsontext.Value(r.ID); r.NumericID && id.Kind() == '0' && id.IsValid() {
			b = append(b, r.ID...)
		} else {
			b = vector.AppendQuoted(b, r.ID)
		}
	}
	b = append(b, `,"properties":`...)
	b = r.Properties.AppendJSON(b)
	b = append(b, `,"geometry":`...)
	b = geojson.AppendGeometry(b, vector.Wind(r.Geometry, true))
	b = append(b, '}')
	if w.sequence {
		b = append(b, '\n')
	}
	w.buf = b
	_, err := w.w.Write(b)
	return err
}

// Close ends the collection.
func (w *Writer) Close() error {
	if w.begun && !w.sequence {
		if _, err := w.w.WriteString("\n]}\n"); err != nil {
			return err
		}
	}
	return w.w.Flush()
}

// Losses returns what GeoJSON could not carry.
func (w *Writer) Losses() []vector.Loss { return w.ledger.Losses() }
