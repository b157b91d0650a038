package geojson

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"slices"

	"github.com/go-json-experiment/json/jsontext"
)

// Members takes JSON objects apart one level deep, one after the other, into
// the same memory. It is not safe for use by several goroutines.
type Members struct {
	List []Member // of the object that was read last, in its order
	End  int      // of the last value in that object, in bytes; 0 when there was none

	in    *bytes.Reader
	dec   *jsontext.Decoder
	names map[string]string // by their quoted form: most objects of a layer have the same
}

// Member is one name with its value, which lies in the object that was read.
type Member struct {
	Name  string
	Value json.RawMessage
}

// mostNames bounds the names that are kept from one object to the next.
const mostNames = 10_000

// NewMembers returns a Members that has read nothing.
func NewMembers() *Members {
	in := bytes.NewReader(nil)
	return &Members{in: in, dec: jsontext.NewDecoder(in), names: map[string]string{}}
}

// Read takes an object apart; no text at all is an object without members. It
// fails on anything else that is not one JSON object.
func (m *Members) Read(object []byte) error {
	m.List, m.End = m.List[:0], 0
	if len(object) == 0 {
		return nil
	}
	if len(m.names) > mostNames {
		clear(m.names)
	}
	m.in.Reset(object)
	m.dec.Reset(m.in, jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true))
	if k := m.dec.PeekKind(); k != '{' && k != 0 {
		return errors.New("it is a " + k.String())
	}
	if _, err := m.dec.ReadToken(); err != nil {
		return err
	}
	for m.dec.PeekKind() != '}' {
		quoted, err := m.dec.ReadValue()
		if err != nil {
			return err
		}
		name, err := m.name(quoted)
		if err != nil {
			return err
		}
		value, err := m.dec.ReadValue()
		if err != nil {
			return err
		}
		m.End = int(m.dec.InputOffset())
		m.List = append(m.List, Member{name, json.RawMessage(object[m.End-len(value) : m.End])})
	}
	if _, err := m.dec.ReadToken(); err != nil {
		return err
	}
	if _, err := m.dec.ReadToken(); !errors.Is(err, io.EOF) {
		return errors.New("something follows the object")
	}
	return nil
}

func (m *Members) name(quoted []byte) (string, error) {
	if name, ok := m.names[string(quoted)]; ok {
		return name, nil
	}
	name, err := jsontext.AppendUnquote(nil, quoted)
	if err != nil && name == nil {
		return "", err
	}
	m.names[string(quoted)] = string(name)
	return string(name), nil
}

// Get returns the value of a name in the object that was read.
func (m *Members) Get(name string) (json.RawMessage, bool) {
	i := slices.IndexFunc(m.List, func(one Member) bool { return one.Name == name })
	if i < 0 {
		return nil, false
	}
	return m.List[i].Value, true
}
