package exchange

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/survey"
)

// translator makes records of sites, points or layers from those of vector.
type translator struct {
	schema  *schema // nil for a layer, whose properties are kept
	mapping *Mapping
	strange map[string]map[string]int // how often a value came that the mapping does not list
}

// check refuses a table with columns that are neither known nor mapped. Formats
// that do not tell their columns beforehand are refused record by record.
func (t *translator) check(fields []vector.Field) error {
	if t.schema == nil {
		return nil
	}
	var unknown []string
	for i, f := range fields {
		name := t.mapping.column(f.Name)
		if _, ok := t.schema.find(name); !ok && name != "" && name != "id" && f.Type != vector.JSON {
			unknown = append(unknown, t.schema.unknown(i, f.Name))
		}
	}
	if len(unknown) > 0 {
		return survey.Invalid("", "%s", strings.Join(unknown, "; "))
	}
	return nil
}

func (t *translator) record(r *vector.Record) record {
	rec := record{number: r.Number, notes: r.Notes, err: r.Err}
	rec.feature = geojson.Feature{ID: r.ID, NumericID: r.NumericID, Geometry: r.Geometry}
	switch {
	case r.Err != nil:
		rec.err = survey.Invalid("", "%s", r.Err)
	case !r.HasGeometry():
		rec.err = survey.Invalid("/geometry", "is null: it has no place")
	case t.schema == nil:
		rec.feature.Properties = r.Properties.AppendJSON(nil)
	default:
		rec.err = t.properties(&rec, r.Properties)
	}
	return rec
}

// properties reads the values of a row into the tree they flatten.
func (t *translator) properties(rec *record, props vector.Properties) error {
	tree := map[string]any{}
	var problems []survey.Problem
	wrong := func(name, why string) {
		problems = append(problems, survey.Problem{Pointer: "/properties/" + strings.ReplaceAll(name, ".", "/"), Message: why})
	}
	for name, v := range flattened(props) {
		if name = t.mapping.column(name); name == "" {
			continue
		}
		if v = t.value(name, v); v == nil || v == "" {
			continue
		}
		if label, _ := props.Get("label"); name == "name" && v == label && t.schema == pointSchema {
			continue // GPX calls a waypoint by its label
		}
		if name == "id" {
			if _, own := t.schema.find(name); !own {
				rec.feature.ID, rec.feature.NumericID = vector.AsText(v), false
				continue
			}
		}
		c, ok := t.schema.find(name)
		if !ok {
			c.kind = eitherCell // the parser says what is wrong with the name
		}
		v, why := c.kind.typed(v)
		if why == "" && !plant(tree, strings.Split(name, "."), v) {
			why = "is given by two columns"
		}
		if why != "" {
			wrong(name, why)
		}
	}
	for name, why := range t.set(tree, rec.number) {
		wrong(name, why)
	}
	if len(problems) > 0 {
		return &survey.InvalidError{Problems: problems}
	}
	raw, err := json.Marshal(lists(tree))
	if err != nil {
		return survey.Invalid("/properties", "%s", err)
	}
	rec.feature.Properties = raw
	return nil
}

// set gives the record what the mapping sets and its table left out. It returns
// what could not be set, and why.
func (t *translator) set(tree map[string]any, number int) map[string]string {
	if t.mapping == nil {
		return nil
	}
	bad := map[string]string{}
	for name, text := range t.mapping.Set {
		if has(tree, strings.Split(name, ".")) {
			continue
		}
		c, _ := t.schema.find(name)
		v, why := c.kind.typed(strings.ReplaceAll(text, "{n}", strconv.Itoa(number)))
		if why == "" && !plant(tree, strings.Split(name, "."), v) {
			why = "cannot be set beside what the table gives"
		}
		if why != "" {
			bad[name] = why
		}
	}
	return bad
}

// has tells whether the tree holds something at a path.
func has(tree map[string]any, path []string) bool {
	v, ok := tree[path[0]]
	if !ok || len(path) == 1 {
		return ok
	}
	inner, ok := v.(map[string]any)
	return ok && has(inner, path[1:])
}

// flattened yields the properties, those within objects under dotted names.
func flattened(props vector.Properties) func(func(string, any) bool) {
	return func(yield func(string, any) bool) {
		for _, p := range props {
			raw, is := p.Value.(json.RawMessage)
			if !is || !bytes.HasPrefix(raw, []byte("{")) {
				if !yield(p.Name, p.Value) {
					return
				}
				continue
			}
			inner, err := flat(map[string]json.RawMessage{p.Name: raw})
			if err != nil {
				inner = map[string]json.RawMessage{p.Name: raw}
			}
			for _, name := range slices.Sorted(maps.Keys(inner)) {
				if !yield(name, plainValue(inner[name])) {
					return
				}
			}
		}
	}
}

// plainValue is a JSON value as vector holds it; numbers keep their digits.
func plainValue(raw json.RawMessage) any {
	switch {
	case len(raw) == 0 || raw[0] == 'n':
		return nil
	case raw[0] == '"' && len(raw) > 1:
		if inner := raw[1 : len(raw)-1]; bytes.IndexByte(inner, '\\') < 0 && utf8.Valid(inner) {
			return string(inner)
		}
		var s string
		if json.Unmarshal(raw, &s) == nil {
			return s
		}
	}
	return raw
}

// typed turns a value into what the property takes; why is not "" when it
// cannot be.
func (k cellKind) typed(v any) (out any, why string) {
	switch v := v.(type) {
	case json.RawMessage:
		return v, ""
	case time.Time:
		return v.Format(time.RFC3339Nano), ""
	case int64, float64:
		if k == numberCell || k == eitherCell {
			return v, ""
		}
	}
	return k.value(strings.TrimSpace(vector.AsText(v)), false)
}

// value applies the mapping of values.
func (t *translator) value(name string, v any) any {
	if text, is := v.(string); is {
		v = strings.TrimSpace(text)
	}
	if t.mapping == nil || v == nil || v == "" {
		return v
	}
	to, has := t.mapping.Values[name]
	if !has {
		return v
	}
	text := vector.AsText(v)
	if mapped, has := to[text]; has {
		return mapped
	}
	if t.strange == nil {
		t.strange = map[string]map[string]int{}
	}
	if t.strange[name] == nil {
		t.strange[name] = map[string]int{}
	}
	if seen := t.strange[name]; len(seen) < maxStrange || seen[text] > 0 {
		seen[text]++
	}
	return v
}

// maxStrange bounds the values of one property that are listed as unmatched.
const maxStrange = 100

func (t *translator) unmatched() []Unmatched {
	var out []Unmatched
	for _, name := range slices.Sorted(maps.Keys(t.strange)) {
		for _, v := range slices.Sorted(maps.Keys(t.strange[name])) {
			out = append(out, Unmatched{Property: name, Value: clip(v), Records: t.strange[name][v]})
		}
	}
	return out
}
