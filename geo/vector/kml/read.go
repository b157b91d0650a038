package kml

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"time"

	"holdfast/geo/vector"
	"holdfast/geo/vector/markup"
)

type source struct {
	parts []Part
	shut  func() error
}

// Part is one KML file; an archive may hold several. Open opens it, any number
// of times.
type Part struct {
	Name string
	Open func() (io.ReadCloser, error)
}

// Is tells whether the root element of an XML file is that of KML.
func Is(root xml.Name) bool { return root.Local == "kml" }

// Open makes a layer of each part. Where there are several, those without a
// placemark, such as one that only links to the others, are left out. Closing
// the source calls shut.
func Open(shut func() error, parts ...Part) vector.Source {
	s := &source{shut: shut, parts: parts}
	if len(parts) > 1 {
		s.parts = slices.DeleteFunc(slices.Clone(parts), func(p Part) bool { return !p.hasPlacemark() })
	}
	if len(s.parts) == 0 {
		s.parts = parts[:1]
	}
	return s
}

// hasPlacemark is true as well when the file is broken: reading it says so.
func (p Part) hasPlacemark() bool {
	in, err := p.Open()
	if err != nil {
		return true
	}
	defer in.Close()
	x := markup.NewReader(in)
	for {
		tok, err := x.Token()
		if err != nil {
			return !errors.Is(err, io.EOF)
		}
		if e, is := tok.(xml.StartElement); is && e.Name.Local == "Placemark" {
			return true
		}
		x.Record()
	}
}

func (s *source) Format() vector.Format { return vector.KML }

func (s *source) Layers() []vector.Layer {
	out := make([]vector.Layer, len(s.parts))
	for i, p := range s.parts {
		out[i] = vector.Layer{Name: p.Name, CRS: vector.WGS84, Z: true, Count: -1}
	}
	return out
}

func (s *source) Close() error { return s.shut() }

var errStop = errors.New("the consumer wants no more")

func (s *source) Read(layer int) iter.Seq[vector.Record] {
	return func(yield func(vector.Record) bool) {
		in, err := s.parts[layer].Open()
		if err != nil {
			yield(vector.Record{Err: vector.Broken(err, 0)})
			return
		}
		defer in.Close()
		r := &reader{x: markup.NewReader(in), yield: yield, schemas: map[string]map[string]vector.Type{}, skipped: map[string]int{}}
		_, err = r.x.Root()
		if err == nil {
			err = r.x.Children(r.feature)
		}
		switch {
		case errors.Is(err, errStop):
		case err != nil:
			yield(vector.Record{Err: vector.Broken(markup.Plain(err), r.done)})
		default:
			r.conclude()
		}
	}
}

type reader struct {
	x       *markup.Reader
	yield   func(vector.Record) bool
	number  int // of the placemark being read
	done    int // placemarks that were read
	folders []string
	depth   int // of containers
	schemas map[string]map[string]vector.Type
	skipped map[string]int // things that are no placemarks

	// of the current placemark
	names vector.Names
	kept  int // bytes of its texts
}

// conclude says what the file held beside placemarks.
func (r *reader) conclude() {
	var notes []string
	for _, what := range []string{"NetworkLink", "GroundOverlay", "PhotoOverlay", "ScreenOverlay", "Tour"} {
		if n := r.skipped[what]; n > 0 {
			notes = append(notes, fmt.Sprintf("elements %s passed over: %d", what, n))
		}
	}
	if notes != nil {
		r.yield(vector.Record{Notes: notes})
	}
}

// feature reads an element of a container.
func (r *reader) feature(e xml.StartElement) error {
	r.x.Record()
	switch e.Name.Local {
	case "Document", "Folder":
		return r.container(e)
	case "Placemark":
		return r.placemark(e)
	case "Schema":
		return r.schema(e)
	case "NetworkLink", "GroundOverlay", "PhotoOverlay", "ScreenOverlay", "Tour":
		r.skipped[e.Name.Local]++
	}
	return r.x.Skip()
}

// container reads a document or folder. The outermost document is the file
// itself and no folder.
func (r *reader) container(e xml.StartElement) error {
	isFolder := r.depth > 0 || e.Name.Local == "Folder"
	here := len(r.folders)
	if isFolder {
		r.folders = append(r.folders, "")
	}
	r.depth++
	defer func() {
		r.depth--
		r.folders = r.folders[:here]
	}()
	return r.x.Children(func(e xml.StartElement) error {
		if e.Name.Local != "name" || !isFolder {
			return r.feature(e)
		}
		name, err := r.x.Text()
		r.folders[here] = strings.ReplaceAll(name, "/", "∕")
		return err
	})
}

// schema reads the types of the fields that placemarks refer to.
func (r *reader) schema(e xml.StartElement) error {
	fields := map[string]vector.Type{}
	err := r.x.Children(func(e xml.StartElement) error {
		if e.Name.Local == "SimpleField" && len(fields) < vector.MaxFields {
			fields[markup.Attr(e, "name")] = fieldType(markup.Attr(e, "type"))
		}
		return r.x.Skip()
	})
	if id := markup.Attr(e, "id"); len(r.schemas) < vector.MaxFields {
		r.schemas[id] = fields
	}
	return err
}

func fieldType(name string) vector.Type {
	switch strings.TrimPrefix(name, "xsd:") {
	case "int", "uint", "short", "ushort":
		return vector.Integer
	case "float", "double":
		return vector.Real
	case "bool":
		return vector.Boolean
	}
	return vector.Text
}

func (r *reader) placemark(e xml.StartElement) error {
	r.number++
	r.kept = 0
	r.names.Reset()
	rec := vector.Record{Number: r.number, ID: markup.Attr(e, "id")}
	if folder := strings.Join(r.folders, "/"); folder != "" {
		if err := r.add(&rec, "folder", folder); err != nil {
			return err
		}
	}
	g := geometryReader{x: r.x}
	var places []shape
	err := r.x.Children(func(e xml.StartElement) error {
		name := e.Name.Local
		switch name {
		case "name", "description", "address", "phoneNumber", "Snippet", "snippet":
			return r.addText(&rec, name)
		case "TimeStamp", "TimeSpan":
			return r.times(&rec)
		case "ExtendedData":
			return r.x.Children(func(e xml.StartElement) error { return r.extended(&rec, e) })
		}
		if !isGeometry(name) {
			return r.x.Skip()
		}
		s, err := g.read(e, 0)
		places = append(places, s)
		return err
	})
	if err != nil {
		return err
	}
	g.finish(&rec, places)
	for _, p := range g.times {
		if err := r.add(&rec, p.Name, p.Value); err != nil {
			return err
		}
	}
	if rec.Err != nil {
		rec.Properties = nil
	}
	r.done = r.number
	if !r.yield(rec) {
		return errStop
	}
	return nil
}

func orNil(text string) any {
	if text == "" {
		return nil
	}
	return text
}

// addText adds the text of the element that began last.
func (r *reader) addText(rec *vector.Record, name string) error {
	text, err := r.x.Text()
	if err != nil {
		return err
	}
	return r.add(rec, name, orNil(text))
}

// add adds a property; a name that is taken gets a number. Too many end the
// reading.
func (r *reader) add(rec *vector.Record, name string, v any) error {
	if s, is := v.(string); is {
		r.kept += len(s)
	}
	if len(rec.Properties) >= vector.MaxFields || r.kept > vector.MaxValue {
		return fmt.Errorf("placemark %d has more than %d properties or %d MB of text", rec.Number, vector.MaxFields, vector.MaxValue>>20)
	}
	rec.Properties = append(rec.Properties, vector.Property{Name: r.names.Unique(name), Value: v})
	return nil
}

func (r *reader) times(rec *vector.Record) error {
	return r.x.Children(func(e xml.StartElement) error {
		text, err := r.x.Text()
		if err != nil || text == "" {
			return err
		}
		return r.add(rec, e.Name.Local, parseTime(text))
	})
}

// parseTime reads the forms of kml:dateTimeType; years and months stay text.
func parseTime(s string) any {
	if d, err := vector.ParseDate(s); err == nil {
		return d
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t
	}
	return s
}

// extended reads an element of ExtendedData.
func (r *reader) extended(rec *vector.Record, e xml.StartElement) error {
	switch e.Name.Local {
	case "Data":
		var value any
		err := r.x.Children(func(e xml.StartElement) error {
			text, err := r.x.Text()
			if e.Name.Local == "value" {
				value = orNil(text)
			}
			return err
		})
		if err != nil {
			return err
		}
		return r.add(rec, markup.Attr(e, "name"), value)
	case "SchemaData":
		_, id, _ := strings.Cut(markup.Attr(e, "schemaUrl"), "#")
		types := r.schemas[id]
		return r.x.Children(func(e xml.StartElement) error {
			if e.Name.Local != "SimpleData" {
				rec.Note(e.Name.Local + " was left out")
				return r.x.Skip()
			}
			text, err := r.x.Text()
			if err != nil {
				return err
			}
			name := markup.Attr(e, "name")
			return r.add(rec, name, typed(text, types[name]))
		})
	}
	return r.addText(rec, e.Name.Local) // of a namespace of its own (§9.3)
}

// typed brings text to the type of its field where it reads as that.
func typed(text string, t vector.Type) any {
	if text == "" {
		return nil
	}
	if v, ok := vector.As(text, t); ok {
		return v
	}
	return text
}
