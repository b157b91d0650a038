package geojson

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
)

// Feature is a GeoJSON Feature as read. ID is the id as text, "" when absent;
// NumericID tells that the document wrote it as a number.
type Feature struct {
	ID         string
	NumericID  bool
	Geometry   Geometry
	Properties json.RawMessage // an object, or nil
}

// MarshalJSON writes the Feature.
func (f Feature) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, len(f.Properties)+len(f.ID)+128), `{"type":"Feature"`...)
	if f.ID != "" {
		b = append(b, `,"id":`...)
		if f.NumericID {
			b = append(b, f.ID...)
		} else {
			id, err := json.Marshal(f.ID)
			if err != nil {
				return nil, err
			}
			b = append(b, id...)
		}
	}
	b = append(b, `,"geometry":`...)
	b = AppendGeometry(b, f.Geometry)
	b = append(b, `,"properties":`...)
	if f.Properties == nil {
		b = append(b, "null"...)
	} else {
		b = append(b, f.Properties...)
	}
	return append(b, '}'), nil
}

type rawFeature struct {
	Type       string          `json:"type"`
	ID         json.RawMessage `json:"id"`
	Geometry   json.RawMessage `json:"geometry"`
	Properties json.RawMessage `json:"properties"`
}

// UnmarshalJSON reads a Feature. A null geometry is an error wrapping ErrNull.
func (f *Feature) UnmarshalJSON(b []byte) error {
	var r rawFeature
	if err := json.Unmarshal(b, &r); err != nil {
		return err
	}
	if r.Type != "Feature" {
		return fmt.Errorf("type is %q, not Feature", r.Type)
	}
	var got Feature
	if len(r.ID) > 0 && string(r.ID) != "null" {
		if err := json.Unmarshal(r.ID, &got.ID); err != nil {
			n := json.Number(r.ID)
			if _, err := n.Float64(); err != nil {
				return errors.New("id is neither text nor a number")
			}
			got.ID, got.NumericID = string(n), true
		}
	}
	g, err := ParseGeometry(r.Geometry)
	if err != nil {
		return err
	}
	got.Geometry = g
	if p := bytes.TrimSpace(r.Properties); len(p) > 0 && string(p) != "null" {
		if p[0] != '{' {
			return errors.New("properties is not an object")
		}
		got.Properties = p
	}
	*f = got
	return nil
}

// MaxRecord bounds the bytes of one record read by Records.
const MaxRecord = 256 << 20

// Record is one Feature of a file, or the reason it could not be read.
type Record struct {
	Number  int // counted from 1
	Feature Feature
	Err     error
}

// ErrNotGeoJSON is wrapped when the stream as a whole is not GeoJSON.
var ErrNotGeoJSON = errors.New("not GeoJSON")

// Records reads a FeatureCollection, a single Feature, a bare geometry, an
// RFC 8142 text sequence or one Feature a line, record by record. A record
// that is well-formed JSON but no Feature comes with its Err set and reading
// goes on. When the stream itself breaks, a last Record with Number 0 carries
// the error with the byte offset.
func Records(r io.Reader) iter.Seq[Record] {
	return func(yield func(Record) bool) {
		in := bufio.NewReaderSize(r, 1<<16)
		if bom, err := in.Peek(3); err == nil && bytes.Equal(bom, []byte("\xef\xbb\xbf")) {
			_, _ = in.Discard(3)
		}
		s := scanner{
			dec:   jsontext.NewDecoder(&separatorless{r: in}, jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true)),
			parts: NewMembers(), yield: yield,
		}
		if err := s.run(); err != nil {
			yield(Record{Err: fmt.Errorf("%w: %w near byte %d", ErrNotGeoJSON, Plain(err), s.dec.InputOffset())})
		}
	}
}

// separatorless turns the record separators of RFC 8142 into blanks.
type separatorless struct{ r io.Reader }

func (s *separatorless) Read(p []byte) (int, error) {
	n, err := s.r.Read(p)
	for i, b := range p[:n] {
		if b == 0x1e {
			p[i] = ' '
		}
	}
	return n, err
}

type scanner struct {
	dec   *jsontext.Decoder
	parts *Members
	yield func(Record) bool
	n     int
}

var errStop = errors.New("stop")

func (s *scanner) run() error {
	for {
		err := s.value()
		switch {
		case errors.Is(err, io.EOF):
			if s.n == 0 {
				return errors.New("the file is empty")
			}
			return nil
		case errors.Is(err, errStop):
			return nil
		case err != nil:
			return err
		}
	}
}

// value reads one top-level value. Members before "features" are skipped one
// by one, so a collection streams whatever comes first.
func (s *scanner) value() error {
	if k := s.dec.PeekKind(); k != '{' && k != 0 {
		return fmt.Errorf("found %s where an object was expected", k)
	}
	if _, err := s.dec.ReadToken(); err != nil {
		return err
	}
	rest := map[string]json.RawMessage{}
	streamed := false
	for s.dec.PeekKind() != '}' {
		name, err := s.dec.ReadToken()
		if err != nil {
			return cutOff(err)
		}
		key := name.String()
		if key == "features" {
			streamed = true
			if err := s.features(); err != nil {
				return err
			}
			continue
		}
		raw, err := s.dec.ReadValue()
		if err != nil {
			return cutOff(err)
		}
		switch key {
		case "type", "id", "geometry", "properties", "coordinates", "geometries":
			rest[key] = json.RawMessage(raw.Clone())
		}
	}
	if _, err := s.dec.ReadToken(); err != nil {
		return cutOff(err)
	}
	if streamed {
		s.n = max(s.n, 1)
		return nil
	}
	var kind string
	_ = json.Unmarshal(rest["type"], &kind)
	if kind == "FeatureCollection" {
		return errors.New("the FeatureCollection has no features")
	}
	whole, err := json.Marshal(rest)
	if err != nil {
		return err
	}
	if kind != "Feature" && kind != "" && (rest["coordinates"] != nil || rest["geometries"] != nil) {
		whole = []byte(`{"type":"Feature","geometry":` + string(whole) + `,"properties":null}`)
	}
	return s.emit(whole)
}

func (s *scanner) features() error {
	if k := s.dec.PeekKind(); k != '[' && k != 0 {
		return errors.New("features is not a list")
	}
	if _, err := s.dec.ReadToken(); err != nil {
		return cutOff(err)
	}
	for s.dec.PeekKind() != ']' {
		raw, err := s.dec.ReadValue()
		if err != nil {
			return cutOff(err)
		}
		if err := s.emit(raw); err != nil {
			return err
		}
	}
	_, err := s.dec.ReadToken()
	return cutOff(err)
}

// cutOff tells the end of a file inside a value from its end after one.
func cutOff(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

func (s *scanner) emit(raw []byte) error {
	s.n++
	rec := Record{Number: s.n}
	if len(raw) > MaxRecord {
		rec.Err = fmt.Errorf("the record is longer than %d bytes", MaxRecord)
	} else if f, err := s.parts.Feature(raw); err != nil {
		rec.Err = Plain(err)
	} else {
		rec.Feature = f
	}
	if !s.yield(rec) {
		return errStop
	}
	return nil
}

// Plain rewords the errors of JSON readers for people who do not write Go.
func Plain(err error) error {
	var syntax *json.SyntaxError
	var syntactic *jsontext.SyntacticError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("the file ends in the middle of a record")
	case errors.As(err, &syntax):
		return badJSON(syntax)
	case errors.As(err, &syntactic) && syntactic.Err != nil:
		return badJSON(syntactic.Err)
	case errors.As(err, &kind):
		return fmt.Errorf("found a %s where %s was expected", kind.Value, strconv.Quote(kind.Field))
	}
	return err
}

// badJSON tells NaN and Infinity, which other programs write, from other
// rubbish: the reader stops at their first letter.
func badJSON(err error) error {
	if why := err.Error(); strings.HasPrefix(why, "invalid character 'N'") || strings.HasPrefix(why, "invalid character 'I'") {
		return errors.New("this is not valid JSON: NaN and Infinity are no numbers there; leave out what is not known")
	}
	return fmt.Errorf("this is not valid JSON (%w)", err)
}
