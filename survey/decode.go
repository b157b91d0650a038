package survey

import (
	"bytes"
	"encoding/json"
	"reflect"
	"strconv"

	"github.com/go-json-experiment/json/jsontext"
)

// decodeNoun is decode for a Point or a Site, without what is wrong to name
// where nothing is.
func decodeNoun[T Point | Site](c *checker, ptr string, raw json.RawMessage, into *T) {
	got := *into
	if quick(raw, reflect.ValueOf(&got).Elem()) {
		*into = got
		return
	}
	decode(c, ptr, raw, reflect.ValueOf(into).Elem())
}

// quick fills the struct v, which must be zero, from a JSON object in one pass.
// It gives up, and says so, at anything that decode would have to name - an
// unknown key, a value of the wrong kind - and at null, names that come twice
// and text that is not UTF-8, which are left to encoding/json.
func quick(raw json.RawMessage, v reflect.Value) bool {
	d := jsontext.NewDecoder(bytes.NewBuffer(raw))
	return fillStruct(d, v, fieldsOfNouns[v.Type()]) && d.InputOffset() == int64(len(raw))
}

// held is an Opt: what it holds once it is known.
type held interface{ hold() any }

func fill(d *jsontext.Decoder, f field, v reflect.Value) bool {
	switch {
	case f.optional:
		return fill(d, *f.of, reflect.ValueOf(v.Addr().Interface().(held).hold()).Elem())
	case f.itself:
		raw, err := d.ReadValue()
		return err == nil && raw.Kind() != 'n' && v.Addr().Interface().(json.Unmarshaler).UnmarshalJSON(raw) == nil
	case f.fields != nil && v.Kind() == reflect.Struct:
		return fillStruct(d, v, f.fields)
	case v.Kind() == reflect.Slice:
		return fillList(d, f, v)
	case v.Kind() == reflect.String && d.PeekKind() == '"':
		t, err := d.ReadToken()
		if err == nil {
			v.SetString(t.String())
		}
		return err == nil
	case v.Kind() == reflect.Float64 && d.PeekKind() == '0':
		raw, err := d.ReadValue()
		if err != nil {
			return false
		}
		x, err := strconv.ParseFloat(string(raw), 64)
		v.SetFloat(x)
		return err == nil
	}
	return false
}

func fillStruct(d *jsontext.Decoder, v reflect.Value, fields map[string]field) bool {
	if d.PeekKind() != '{' {
		return false
	}
	if _, err := d.ReadToken(); err != nil {
		return false
	}
	for d.PeekKind() != '}' {
		name, err := d.ReadValue()
		if err != nil || len(name) < 2 {
			return false
		}
		f, known := fields[string(name[1:len(name)-1])] // none of ours needs escaping
		if !known || !fill(d, f, v.Field(f.index)) {
			return false
		}
	}
	_, err := d.ReadToken()
	return err == nil
}

func fillList(d *jsontext.Decoder, f field, v reflect.Value) bool {
	if d.PeekKind() != '[' {
		return false
	}
	if _, err := d.ReadToken(); err != nil {
		return false
	}
	for n := 0; d.PeekKind() != ']'; n++ { // an empty list is no list
		v.Grow(1)
		v.SetLen(n + 1)
		v.Index(n).SetZero()
		if !fill(d, *f.of, v.Index(n)) {
			return false
		}
	}
	_, err := d.ReadToken()
	return err == nil
}

// fieldsOfNouns are the fields of what files hold by the thousand.
var fieldsOfNouns = map[reflect.Type]map[string]field{
	reflect.TypeFor[Point](): fieldsOf(reflect.TypeFor[Point]()),
	reflect.TypeFor[Site]():  fieldsOf(reflect.TypeFor[Site]()),
}

func fieldsOf(t reflect.Type) map[string]field {
	out := map[string]field{}
	for key, i := range keysOf(t) {
		f := fieldOf(t.Field(i).Type)
		f.index = i
		out[key] = f
	}
	return out
}

func fieldOf(t reflect.Type) field {
	switch pointer := reflect.PointerTo(t); {
	case pointer.Implements(reflect.TypeFor[held]()):
		of := fieldOf(reflect.TypeOf(reflect.New(t).Interface().(held).hold()).Elem())
		return field{optional: true, of: &of}
	case pointer.Implements(unmarshaler):
		return field{itself: true}
	case t.Kind() == reflect.Struct:
		return field{fields: fieldsOf(t)}
	case t.Kind() == reflect.Slice:
		of := fieldOf(t.Elem())
		return field{of: &of}
	}
	return field{}
}

// field is how a value of a type is read.
type field struct {
	index    int // in its struct
	optional bool
	itself   bool             // it has its own UnmarshalJSON
	of       *field           // of what is held or listed
	fields   map[string]field // of a struct, by key
}
