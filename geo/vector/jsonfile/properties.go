package jsonfile

import (
	"bytes"
	"encoding/json"
	"strconv"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"holdfast/geo/vector"
)

// propertyName is a name that came before, so that it need not be built again
// for every record.
type propertyName struct {
	name   string
	record int // the last that used it
	at     int // and where in its properties
}

// maxNames bounds the names that are kept from one record to the next.
const maxNames = 10_000

// properties reads the properties of a Feature.
func (r *reader) properties() (vector.Properties, error) {
	switch r.dec.PeekKind() {
	case 'n':
		_, err := r.dec.ReadToken()
		return nil, err
	case '{':
	default:
		r.fault("properties is not an object")
		return nil, r.skip()
	}
	if _, err := r.dec.ReadToken(); err != nil {
		return nil, err
	}
	props := make(vector.Properties, 0, 8)
	kept := 0
	for r.dec.PeekKind() != '}' {
		r.guard.Reset()
		if r.bad != nil {
			if err := r.skip(); err != nil {
				return nil, err
			}
			continue
		}
		raw, err := r.dec.ReadValue()
		if err != nil {
			return nil, err
		}
		name := r.name(raw, len(props))
		before := r.dec.InputOffset()
		v, err := r.value()
		if err != nil {
			return nil, err
		}
		kept += int(r.dec.InputOffset() - before)
		switch {
		case name.at < len(props):
			props[name.at].Value, r.repeated = v, true
		case len(props) >= vector.MaxFields:
			r.fault("the record has more than %d properties", vector.MaxFields)
		case kept > vector.MaxValue:
			r.fault("the properties are longer than %d MB", vector.MaxValue>>20)
		default:
			props = append(props, vector.Property{Name: name.name, Value: v})
		}
	}
	_, err := r.dec.ReadToken()
	return props, err
}

// name returns the property name that is quoted in raw; at is its place among
// the properties of this record, next when it is new there.
func (r *reader) name(raw []byte, next int) *propertyName {
	n, has := r.names[string(raw)]
	if !has {
		text, fixed := r.unquote(raw)
		r.badText = r.badText || fixed
		plain := string(vector.AppendQuoted(nil, text))
		if n, has = r.names[plain]; !has { // else it was written another way, with escapes
			n = &propertyName{name: text, record: -1}
			r.names[plain] = n
		}
		r.names[string(raw)] = n
	}
	if current := r.number + 1; n.record != current {
		n.record, n.at = current, next
	}
	return n
}

// value reads a property's value.
func (r *reader) value() (any, error) {
	kind := r.dec.PeekKind()
	raw, err := r.dec.ReadValue()
	if err != nil || r.bad != nil {
		return nil, err
	}
	switch kind {
	case 'n':
		return nil, nil
	case 't', 'f':
		return kind == 't', nil
	case '"':
		s, fixed := r.unquote(raw)
		r.badText = r.badText || fixed
		return s, nil
	case '0':
		return r.numeric(raw), nil
	}
	return r.nested(raw), nil
}

// numeric returns an int64 for a number without point and exponent that fits,
// else a float64, and the text of a number too large for that.
func (r *reader) numeric(raw []byte) any {
	if !bytes.ContainsAny(raw, ".eE") {
		if n, err := strconv.ParseInt(string(raw), 10, 64); err == nil {
			return n
		}
		r.bigNumber = true
		return string(raw)
	}
	f, err := strconv.ParseFloat(string(raw), 64)
	if err != nil {
		r.bigNumber = true
		return string(raw)
	}
	return f
}

// nested keeps a list or an object as it is, without its white space.
func (r *reader) nested(raw []byte) json.RawMessage {
	if !utf8.Valid(raw) {
		text, _ := vector.FixText(string(raw))
		raw, r.badText = []byte(text), true
	}
	v := jsontext.Value(bytes.Clone(raw))
	if err := v.Compact(); err != nil {
		r.fault("a property is not valid JSON: %w", err)
	}
	return json.RawMessage(v)
}
