package jsonfile

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"holdfast/geo/vector"
)

// layout is how the records lie in the text.
type layout int

const (
	whole     layout = iota // one or more JSON texts that may span lines
	lines                   // one JSON text a line
	separated               // JSON texts begun by record separators
)

const separator = 0x1e // RFC 8142 §2.1

type source struct {
	r      io.ReaderAt
	size   int64
	layout layout
	layer  vector.Layer
}

// Is tells whether a text that begins so may be GeoJSON.
func Is(head []byte) bool {
	head = bytes.TrimLeft(head, " \t\r\n")
	return len(head) > 0 && (head[0] == '{' || head[0] == '[' || head[0] == separator)
}

// Open looks at the beginning of a file, and at its end for a "crs" member. The
// file has one layer with the given name.
func Open(r io.ReaderAt, size int64, name string) (vector.Source, error) {
	s := &source{r: r, size: size}
	s.layer = vector.Layer{Name: name, CRS: vector.WGS84, Count: -1}
	in, note := s.text()
	if note != "" {
		s.layer.Notes = append(s.layer.Notes, note)
	}
	head, err := in.Peek(in.Size())
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
		return nil, fmt.Errorf("read file: %w", err)
	}
	s.layout = layoutOf(head)
	raw, kind := peekTop(head)
	if kind == "Topology" {
		return nil, fmt.Errorf("%w: this is TopoJSON; save it as GeoJSON", vector.ErrFormat)
	}
	if raw == nil && s.layout == whole && note == "" {
		raw = s.lateCRS()
	}
	if raw != nil {
		declared, note := declaredCRS(raw)
		s.layer.CRS = declared
		if note != "" {
			s.layer.Notes = append(s.layer.Notes, note)
		}
	}
	return s, nil
}

func (s *source) text() (*bufio.Reader, string) {
	return vector.DecodeText(io.NewSectionReader(s.r, 0, s.size))
}

func (s *source) Format() vector.Format {
	if s.layout == whole {
		return vector.GeoJSON
	}
	return vector.TextSequence
}

func (s *source) Layers() []vector.Layer { return []vector.Layer{s.layer} }

func (s *source) Close() error { return nil }

func (s *source) Read(int) iter.Seq[vector.Record] {
	return func(yield func(vector.Record) bool) {
		in, _ := s.text()
		r := newReader(yield, s.layer.CRS)
		var err error
		if s.layout == whole {
			err = r.stream(in)
		} else {
			err = r.texts(in, s.layout)
		}
		if err != nil && !errors.Is(err, errStop) {
			yield(vector.Record{Err: vector.Broken(err, r.number)})
		}
	}
}

// layoutOf tells the layout from the beginning of the text.
func layoutOf(head []byte) layout {
	text := bytes.TrimLeft(head, " \t\r\n")
	if len(text) > 0 && text[0] == separator {
		return separated
	}
	line, rest, more := bytes.Cut(text, []byte("\n"))
	if more && len(bytes.TrimSpace(rest)) > 0 && jsontext.Value(bytes.TrimSpace(line)).IsValid(lenient()...) {
		return lines
	}
	return whole
}

// lenient is what a JSON text may hold beyond RFC 7493: names that repeat and
// bytes that are not UTF-8.
func lenient() []jsontext.Options {
	return []jsontext.Options{jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true)}
}

// peekTop returns the "crs" member and the type of the first object, as far as
// they stand before its features.
func peekTop(head []byte) (crs []byte, kind string) {
	dec := jsontext.NewDecoder(bytes.NewReader(bytes.TrimLeft(head, " \t\r\n\x1e")), lenient()...)
	if tok, err := dec.ReadToken(); err != nil || tok.Kind() != '{' {
		return nil, ""
	}
	for {
		key, err := dec.ReadToken()
		if err != nil || key.Kind() != '"' {
			return crs, kind
		}
		name := key.String()
		if name == "features" {
			return crs, kind
		}
		v, err := dec.ReadValue()
		if err != nil {
			return crs, kind
		}
		switch name {
		case "crs":
			crs = bytes.Clone(v)
		case "type":
			_ = json.Unmarshal(v, &kind) // a type that is no text is none
		}
	}
}

// lateCRS looks for a "crs" member behind the features. It may be wrong about
// what it finds there; reading checks it.
func (s *source) lateCRS() []byte {
	const most = 8 << 10
	from := max(0, s.size-most)
	tail := make([]byte, s.size-from)
	if _, err := s.r.ReadAt(tail, from); err != nil && !errors.Is(err, io.EOF) {
		return nil
	}
	i := bytes.LastIndex(tail, []byte(`"crs"`))
	if i < 0 {
		return nil
	}
	rest, isMember := bytes.CutPrefix(bytes.TrimLeft(tail[i+len(`"crs"`):], " \t\r\n"), []byte(":"))
	if !isMember {
		return nil
	}
	raw, err := jsontext.NewDecoder(bytes.NewReader(rest), lenient()...).ReadValue()
	if err != nil || raw.Kind() != '{' && raw.Kind() != 'n' {
		return nil
	}
	// Behind it only the ends of the collection's own members may follow.
	if bytes.ContainsAny(rest[len(raw):], "[]") {
		return nil
	}
	return bytes.Clone(raw)
}

// declaredCRS reads a "crs" member (The GeoJSON Format Specification, 2008, §3);
// the note says why it names no system.
func declaredCRS(raw []byte) (declared, note string) {
	var crs *struct {
		Type       string `json:"type"`
		Properties struct {
			Name string          `json:"name"`
			Code json.RawMessage `json:"code"`
		} `json:"properties"`
	}
	switch err := json.Unmarshal(raw, &crs); {
	case err != nil:
		return "", "the \"crs\" member is not understood"
	case crs == nil:
		return "", "the \"crs\" member is null: the file says that its coordinate system is not known"
	case crs.Properties.Name != "":
		return crs.Properties.Name, ""
	case strings.EqualFold(crs.Type, "EPSG") && len(crs.Properties.Code) > 0:
		return "EPSG:" + strings.Trim(string(crs.Properties.Code), `"`), ""
	}
	return "", "the \"crs\" member names no coordinate system"
}
