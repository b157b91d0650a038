package gpx

import (
	"bufio"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo/vector"
	"holdfast/geo/vector/markup"
)

type source struct {
	r      io.ReaderAt
	size   int64
	layers []vector.Layer
	kinds  []string // the element of each layer
}

// Is tells whether the root element of an XML file is that of GPX.
func Is(root xml.Name) bool { return root.Local == "gpx" }

const lookedAt = 64 << 20

type layerName struct{ element, name, geometry string }

var layerNames = []layerName{
	{"wpt", "waypoints", "Point"},
	{"rte", "routes", "LineString"},
	{"trk", "tracks", vector.AnyGeometry},
}

// Open looks through the file for what is in it.
func Open(r io.ReaderAt, size int64) (vector.Source, error) {
	s := &source{r: r, size: size}
	found, err := s.look()
	if err != nil {
		return nil, err
	}
	for _, l := range layerNames {
		if found[l.element] || len(found) == 0 && l.element == "wpt" {
			s.layers = append(s.layers, vector.Layer{Name: l.name, CRS: vector.WGS84, Geometry: l.geometry, Z: true, Count: -1})
			s.kinds = append(s.kinds, l.element)
		}
	}
	return s, nil
}

// look finds which of the elements there are, without reading the XML as such,
// which takes a hundred times longer. One that only a comment mentions, or that
// a file of more than lookedAt bytes may have further on, makes a layer without
// records.
func (s *source) look() (map[string]bool, error) {
	in, _ := vector.DecodeText(io.NewSectionReader(s.r, 0, min(s.size, lookedAt)))
	found := map[string]bool{}
	if s.size > lookedAt {
		for _, l := range layerNames {
			found[l.element] = true
		}
	}
	for len(found) < len(layerNames) {
		_, err := in.ReadSlice('<')
		switch {
		case errors.Is(err, io.EOF):
			return found, nil
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case err != nil:
			return nil, fmt.Errorf("read file: %w", err)
		}
		tag, _ := in.Peek(64) // an error comes again with the next read
		if end := bytes.IndexAny(tag, " \t\r\n/>"); end > 0 {
			name := string(tag[:end])
			name = name[strings.IndexByte(name, ':')+1:]
			if slices.ContainsFunc(layerNames, func(l layerName) bool { return l.element == name }) {
				found[name] = true
			}
		}
	}
	return found, nil
}

func (s *source) reader() *markup.Reader {
	return markup.NewReader(io.NewSectionReader(s.r, 0, s.size))
}

func (s *source) Format() vector.Format { return vector.GPX }

func (s *source) Layers() []vector.Layer { return s.layers }

func (s *source) Close() error { return nil }

var errStop = errors.New("the consumer wants no more")

func (s *source) Read(layer int) iter.Seq[vector.Record] {
	return func(yield func(vector.Record) bool) {
		r := &reader{x: s.reader(), prefixes: map[string]string{}}
		number := 0
		root, err := r.x.Root()
		if err == nil {
			r.namespaces(root)
			err = r.x.Children(func(e xml.StartElement) error {
				r.x.Record()
				if e.Name.Local != s.kinds[layer] {
					return r.x.Skip()
				}
				rec, err := r.record(e, number+1)
				if err != nil {
					return err
				}
				if number++; !yield(rec) {
					return errStop
				}
				return nil
			})
		}
		if err != nil && !errors.Is(err, errStop) {
			yield(vector.Record{Err: vector.Broken(markup.Plain(err), number)})
		}
	}
}

type reader struct {
	x        *markup.Reader
	prefixes map[string]string // of namespaces

	// of the current record
	names   vector.Names
	kept    int // bytes of its texts
	fault   error
	path    vector.Positions
	lines   []span
	times   bool // positions had times
	single  int  // segments of one position
	further bool // positions had other data
}

type span struct{ from, to int }

// namespaces keeps the prefixes that an element declares.
func (r *reader) namespaces(e xml.StartElement) {
	for _, a := range e.Attr {
		if a.Name.Space == "xmlns" && len(r.prefixes) < 1000 {
			r.prefixes[a.Value] = a.Name.Local
		}
	}
}

func (r *reader) fail(format string, args ...any) {
	if r.fault == nil {
		r.fault = fmt.Errorf(format, args...)
	}
}

// record reads a waypoint, route or track.
func (r *reader) record(e xml.StartElement, number int) (vector.Record, error) {
	r.names.Reset()
	r.kept, r.fault, r.path, r.lines = 0, nil, vector.Positions{}, nil
	r.times, r.single, r.further = false, 0, false
	rec := vector.Record{Number: number}
	kind := e.Name.Local
	height := math.NaN()
	err := r.x.Children(func(c xml.StartElement) (err error) {
		switch {
		case kind == "wpt" && c.Name.Local == "ele":
			height, err = r.height()
			return err
		case kind == "rte" && c.Name.Local == "rtept", kind == "trk" && c.Name.Local == "trkpt":
			return r.point(c)
		case kind == "trk" && c.Name.Local == "trkseg":
			return r.segment()
		}
		return r.property(&rec, c)
	})
	if err != nil {
		return rec, err
	}
	switch {
	case kind == "wpt":
		if p, ok := r.latLon(e); ok && r.fault == nil {
			if err := r.path.Add(p[0], p[1], height); err != nil {
				r.fail("%w", err)
			}
			rec.Geometry = r.path.Geometry(p)
		}
	default:
		if kind == "rte" {
			r.lines = append(r.lines, span{0, len(r.path.Points)})
		}
		r.line(&rec)
	}
	if r.fault != nil {
		return vector.Record{Number: number, Notes: rec.Notes, Err: r.fault}, nil
	}
	return rec, nil
}

// line makes the geometry of a route or track.
func (r *reader) line(rec *vector.Record) {
	var lines orb.MultiLineString
	for _, l := range r.lines {
		if l.to > l.from {
			lines = append(lines, r.path.Points[l.from:l.to:l.to])
		}
	}
	switch len(lines) {
	case 0:
		rec.Note("it has no positions")
	case 1:
		rec.Geometry = r.path.Geometry(lines[0])
	default:
		rec.Geometry = r.path.Geometry(lines)
	}
	if r.single > 0 {
		rec.Note(fmt.Sprintf("segments of one position, left out: %d", r.single))
	}
	if r.times {
		rec.Note("the times of its positions were left out")
	}
	if r.further {
		rec.Note("names and other data of its positions were left out")
	}
}

// segment reads the positions of a trkseg. A single one makes no line.
func (r *reader) segment() error {
	from := len(r.path.Points)
	before := r.path
	err := r.x.Children(func(e xml.StartElement) error {
		if e.Name.Local != "trkpt" {
			return r.x.Skip()
		}
		return r.point(e)
	})
	if len(r.path.Points) == from+1 {
		r.single++
		r.path = before
		return err
	}
	r.lines = append(r.lines, span{from, len(r.path.Points)})
	return err
}

// point reads a position of a route or track.
func (r *reader) point(e xml.StartElement) error {
	z := math.NaN()
	err := r.x.Children(func(c xml.StartElement) (err error) {
		switch c.Name.Local {
		case "ele":
			z, err = r.height()
			return err
		case "time":
			r.times = true
		default:
			r.further = true
		}
		return r.x.Skip()
	})
	if p, ok := r.latLon(e); ok && r.fault == nil {
		if err := r.path.Add(p[0], p[1], z); err != nil {
			r.fail("%w", err)
		}
	}
	return err
}

func (r *reader) latLon(e xml.StartElement) (orb.Point, bool) {
	lon, lat := strings.TrimSpace(markup.Attr(e, "lon")), strings.TrimSpace(markup.Attr(e, "lat"))
	x, okX := vector.Number(lon)
	y, okY := vector.Number(lat)
	if !okX || !okY {
		r.fail("lat=%q lon=%q is no position", vector.ShortText(lat), vector.ShortText(lon))
		return orb.Point{}, false
	}
	return orb.Point{x, y}, true
}

func (r *reader) height() (float64, error) {
	text, err := r.x.Text()
	if err != nil || text == "" {
		return math.NaN(), err
	}
	z, ok := vector.Number(text)
	if !ok {
		r.fail("the elevation %q is not a number", vector.ShortText(text))
	}
	return z, nil
}

// types of the elements that are not text (gpx.xsd, version 1.1).
var types = map[string]vector.Type{
	"magvar": vector.Real, "geoidheight": vector.Real, "hdop": vector.Real, "vdop": vector.Real, "pdop": vector.Real,
	"ageofdgpsdata": vector.Real, "sat": vector.Integer, "dgpsid": vector.Integer, "number": vector.Integer,
}

func (r *reader) property(rec *vector.Record, e xml.StartElement) error {
	name := e.Name.Local
	switch name {
	case "extensions":
		return r.x.Children(func(e xml.StartElement) error { return r.extension(rec, e) })
	case "link":
		if err := r.add(rec, "link", markup.Attr(e, "href")); err != nil {
			return err
		}
		return r.x.Skip()
	}
	text, err := r.x.Text()
	if err != nil || text == "" {
		return err
	}
	if name == "time" {
		return r.add(rec, name, parseTime(text))
	}
	if v, ok := vector.As(text, types[name]); ok {
		return r.add(rec, name, v)
	}
	return r.add(rec, name, text)
}

func parseTime(text string) any {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t
	}
	return text
}

// extension reads an element of another namespace: the elements inside it, or
// its text when there are none.
func (r *reader) extension(rec *vector.Record, e xml.StartElement) error {
	r.namespaces(e)
	name := e.Name.Local
	if prefix := r.prefixes[e.Name.Space]; prefix != "" && e.Name.Space != Namespace {
		name = prefix + "_" + name
	}
	var text strings.Builder
	inner := false
	for {
		tok, err := r.x.Token()
		if err != nil {
			return err
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			inner = true
			if err := r.extension(rec, tok); err != nil {
				return err
			}
		case xml.CharData:
			if text.Len()+len(tok) > vector.MaxValue {
				return vector.ErrTooLong
			}
			text.Write(tok)
		case xml.EndElement:
			if t := strings.TrimSpace(text.String()); !inner && t != "" {
				return r.add(rec, name, vector.Guess(t))
			}
			return nil
		}
	}
}

// add adds a property. Too many end the reading.
func (r *reader) add(rec *vector.Record, name string, v any) error {
	if s, is := v.(string); is {
		r.kept += len(s)
	}
	if len(rec.Properties) >= vector.MaxFields || r.kept > vector.MaxValue {
		return fmt.Errorf("record %d has more than %d properties or %d MB of text", rec.Number, vector.MaxFields, vector.MaxValue>>20)
	}
	rec.Properties = append(rec.Properties, vector.Property{Name: r.names.Unique(name), Value: v})
	return nil
}
