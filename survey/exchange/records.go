package exchange

import (
	"bytes"
	"encoding/json"
	"fmt"
	"iter"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/survey"
)

// IDField is the column for the ids of sites and points, in formats that have
// no place of their own for them.
const IDField = "id"

// SiteRecords hands the Features of sites on for writing. Flattened, the members
// of objects come one by one under dotted names, as in ground.class, for formats
// that hold tables; a list stays one value. An error of the sequence comes as
// that of a record.
func SiteRecords(sites iter.Seq2[geojson.Feature, error], flatten bool) iter.Seq[vector.Record] {
	return recordsFrom(sites, siteSchema, flatten)
}

// PointRecords is SiteRecords for points.
func PointRecords(points iter.Seq2[geojson.Feature, error], flatten bool) iter.Seq[vector.Record] {
	return recordsFrom(points, pointSchema, flatten)
}

// LayerRecords is SiteRecords for the features of a layer, whose properties are
// kept as they are. Their ids are their numbers.
func LayerRecords(layer iter.Seq2[survey.LayerFeature, error]) iter.Seq[vector.Record] {
	return recordsFrom(features(layer, func(f survey.LayerFeature) (geojson.Feature, error) {
		_, err := strconv.ParseInt(f.ID, 10, 64)
		return geojson.Feature{ID: f.ID, NumericID: err == nil, Geometry: geojson.Geometry{Geometry: f.Geometry, Z: f.Heights}, Properties: f.Properties}, nil
	}), nil, false)
}

func recordsFrom(all iter.Seq2[geojson.Feature, error], s *schema, flatten bool) iter.Seq[vector.Record] {
	return func(yield func(vector.Record) bool) {
		n := 0
		ranks := map[string]int{} // of the properties that have come
		parts := newFlattener()
		for f, err := range all {
			n++
			r := vector.Record{Number: n, ID: f.ID, NumericID: f.NumericID, Geometry: f.Geometry, Err: err}
			if err == nil {
				r.Properties, r.Err = propertiesFrom(f, s, ranks, parts, flatten)
			}
			if !yield(r) {
				return
			}
		}
	}
}

// propertiesFrom are the properties of a Feature: in the order of the contract
// or, without a schema, by name.
func propertiesFrom(f geojson.Feature, s *schema, ranks map[string]int, parts *flattener, flatten bool) (vector.Properties, error) {
	if f.Properties == nil {
		return vector.Properties{}, nil
	}
	out, err := parts.object(make(vector.Properties, 0, 32), parts.read(f.Properties), "", flatten)
	if err != nil {
		return nil, fmt.Errorf("write feature %q: %w", f.ID, err)
	}
	order := func(a, b vector.Property) int { return strings.Compare(a.Name, b.Name) }
	if s != nil {
		for _, p := range out {
			if _, has := ranks[p.Name]; !has {
				ranks[p.Name] = s.rank(p.Name)
			}
		}
		order = func(a, b vector.Property) int { return ranks[a.Name] - ranks[b.Name] }
	}
	if !slices.IsSortedFunc(out, order) { // as stored they mostly are
		slices.SortStableFunc(out, order)
	}
	return out, nil
}

// flattener reads one JSON value after the other into the same memory.
type flattener struct {
	dec   *jsontext.Decoder
	names map[string]string // by what leads to them and their quoted form: most objects have the same
	at    []byte            // of a name that is looked for
}

func newFlattener() *flattener {
	return &flattener{dec: jsontext.NewDecoder(bytes.NewReader(nil)), names: map[string]string{}}
}

func (p *flattener) read(raw json.RawMessage) *jsontext.Decoder {
	p.dec.Reset(bytes.NewBuffer(raw), jsontext.AllowDuplicateNames(true)) // as the file had them that it came from
	return p.dec
}

// mostNames bounds the names that are kept.
const mostNames = 10_000

func (p *flattener) name(prefix string, quoted []byte) (string, error) {
	p.at = append(append(p.at[:0], prefix...), quoted...)
	if name, known := p.names[string(p.at)]; known {
		return name, nil
	}
	name, err := jsontext.AppendUnquote([]byte(prefix), quoted)
	if err != nil {
		return "", err
	}
	if len(p.names) >= mostNames {
		clear(p.names)
	}
	p.names[string(p.at)] = string(name)
	return string(name), nil
}

// object reads an object. Flattened, the members of objects in it come one by
// one, with dots in their names; lists stay one value.
func (p *flattener) object(out vector.Properties, d *jsontext.Decoder, prefix string, flatten bool) (vector.Properties, error) {
	if d.PeekKind() != '{' { // null
		return out, nil
	}
	if _, err := d.ReadToken(); err != nil {
		return out, err
	}
	for d.PeekKind() != '}' {
		quoted, err := d.ReadValue()
		if err != nil {
			return out, err
		}
		name, err := p.name(prefix, quoted)
		if err != nil {
			return out, err
		}
		if flatten && d.PeekKind() == '{' {
			if out, err = p.object(out, d, name+".", true); err != nil {
				return out, err
			}
			continue
		}
		v, err := d.ReadValue()
		if err != nil {
			return out, err
		}
		out = append(out, vector.Property{Name: name, Value: typedValue(json.RawMessage(v))})
	}
	_, err := d.ReadToken()
	return out, err
}

// rank is the place of a property in the contract.
func (s *schema) rank(name string) int {
	return slices.IndexFunc(s.columns, func(c column) bool {
		return c.name == name || strings.HasPrefix(c.name, name+".")
	})
}

// typedValue is a JSON value as vector holds it. It keeps nothing of raw.
func typedValue(raw json.RawMessage) any {
	if len(raw) == 0 {
		return nil
	}
	switch c := raw[0]; {
	case c == 'n':
		return nil
	case c == 't', c == 'f':
		return c == 't'
	case c == '"':
		return plainValue(raw)
	case c == '-', c >= '0' && c <= '9':
		if bytes.ContainsAny(raw, ".eE") {
			break
		}
		if n, err := strconv.ParseInt(string(raw), 10, 64); err == nil {
			return n
		}
	default:
		return json.RawMessage(bytes.Clone(raw))
	}
	if x, err := strconv.ParseFloat(string(raw), 64); err == nil {
		return x
	}
	return json.RawMessage(bytes.Clone(raw))
}

// SiteFields lists the flattened properties of sites with their types; what lies
// within a list of objects is a list too.
func SiteFields() []vector.Field { return fieldsOf("", siteSchema.root) }

// PointFields is SiteFields for points.
func PointFields() []vector.Field { return fieldsOf("", pointSchema.root) }

func fieldsOf(prefix string, t reflect.Type) []vector.Field {
	var out []vector.Field
	for i := range t.NumField() {
		key, of := jsonKey(t.Field(i)), t.Field(i).Type
		if key == "" {
			continue
		}
		kind, leaf := kindOf(of)
		switch {
		case !leaf:
			out = append(out, fieldsOf(prefix+key+".", of)...)
			continue
		case kind == listCell && of.Elem().Kind() == reflect.Struct:
			for _, f := range fieldsOf(prefix+key+".", of.Elem()) {
				out = append(out, vector.Field{Name: f.Name, Type: vector.JSON})
			}
		case kind == listCell:
			out = append(out, vector.Field{Name: prefix + key, Type: vector.JSON})
		case kind == numberCell:
			out = append(out, vector.Field{Name: prefix + key, Type: vector.Real})
		case isTime(of):
			out = append(out, vector.Field{Name: prefix + key, Type: vector.DateTime})
		default:
			out = append(out, vector.Field{Name: prefix + key, Type: vector.Text})
		}
	}
	return out
}

func isTime(t reflect.Type) bool {
	if get, ok := t.MethodByName("Get"); ok && get.Type.NumOut() == 2 { // survey.Opt
		t = get.Type.Out(0)
	}
	return t == reflect.TypeFor[time.Time]()
}

func features[T any](items iter.Seq2[T, error], feature func(T) (geojson.Feature, error)) iter.Seq2[geojson.Feature, error] {
	return func(yield func(geojson.Feature, error) bool) {
		for item, err := range items {
			var f geojson.Feature
			if err == nil {
				f, err = feature(item)
			}
			if !yield(f, err) || err != nil {
				return
			}
		}
	}
}

func membersOf(f geojson.Feature) (map[string]json.RawMessage, error) {
	var members map[string]json.RawMessage
	if f.Properties == nil {
		return nil, nil
	}
	if err := json.Unmarshal(f.Properties, &members); err != nil {
		return nil, fmt.Errorf("write feature %q: %w", f.ID, err)
	}
	return members, nil
}

// flat brings the members of objects up, with dots in their names; lists stay.
func flat(members map[string]json.RawMessage) (map[string]json.RawMessage, error) {
	out := make(map[string]json.RawMessage, len(members))
	for name, raw := range members {
		if !bytes.HasPrefix(raw, []byte("{")) {
			out[name] = raw
			continue
		}
		var inner map[string]json.RawMessage
		if err := json.Unmarshal(raw, &inner); err != nil {
			return nil, err
		}
		inner, err := flat(inner)
		if err != nil {
			return nil, err
		}
		for k, v := range inner {
			out[name+"."+k] = v
		}
	}
	return out, nil
}
