package sqlite

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"slices"

	"github.com/go-json-experiment/json/jsontext"
)

// members takes JSON objects apart one level deep, one after the other, into
// the same memory.
type members struct {
	in    *bytes.Reader
	dec   *jsontext.Decoder
	list  []member
	names map[string]string // by their quoted form: most objects of a layer have the same
	end   int               // of the last value
}

// member is one name with its value as it stands in the object.
type member struct {
	name  string
	value json.RawMessage
}

// mostNames bounds the names that are kept from one object to the next.
const mostNames = 10_000

func newMembers() *members {
	in := bytes.NewReader(nil)
	return &members{in: in, dec: jsontext.NewDecoder(in), names: map[string]string{}}
}

// read takes an object apart; no text at all is an object without members.
func (m *members) read(object []byte) error {
	m.list, m.end = m.list[:0], 0
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
		m.end = int(m.dec.InputOffset())
		m.list = append(m.list, member{name, json.RawMessage(object[m.end-len(value) : m.end])})
	}
	if _, err := m.dec.ReadToken(); err != nil {
		return err
	}
	if _, err := m.dec.ReadToken(); !errors.Is(err, io.EOF) {
		return errors.New("something follows the object")
	}
	return nil
}

func (m *members) name(quoted []byte) (string, error) {
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

func (m *members) has(name string) bool {
	return slices.ContainsFunc(m.list, func(one member) bool { return one.name == name })
}
