package sqlite

import (
	"context"
	"encoding/json"
	"reflect"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/cql2"
	"holdfast/survey"
)

// The names that a filter has for what is no property of the Feature.
const (
	GeometryName = "geometry"
	IDName       = "id"      // of sites and points
	UpdatedName  = "updated" // of sites and points: when last changed
)

// column tells how SQLite gets at a property of a site or point. Names lead
// into objects by dots. What lies within a list has no column.
func (k kind) column(name string) (cql2.Column, bool) {
	switch {
	case name == IDName:
		return cql2.Column{Value: k.table + ".id"}, true
	case name == UpdatedName:
		return cql2.Column{Value: k.table + ".updated_at"}, true
	case name == "site" && k.table == Points:
		return cql2.Column{Value: "points.site"}, true
	case !leadsTo(k.noun, name):
		return cql2.Column{}, false
	}
	at := "(" + k.table + ".body, '$.properties." + name + "')"
	return cql2.Column{Value: "json_extract" + at, Type: "json_type" + at}, true
}

var nouns = map[string]reflect.Type{siteKind.noun: reflect.TypeFor[survey.Site](), pointKind.noun: reflect.TypeFor[survey.Point]()}

// leadsTo tells whether a name with dots is that of a property outside of any
// list.
func leadsTo(noun, name string) bool {
	t := nouns[noun]
	for part := range strings.SplitSeq(name, ".") {
		if t.Kind() != reflect.Struct {
			return false
		}
		found := false
		for i := range t.NumField() {
			key, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
			if found = key == part; found {
				t = t.Field(i).Type
				break
			}
		}
		if !found {
			return false
		}
	}
	return true
}

func layerColumn(name string) (cql2.Column, bool) {
	return cql2.JSONColumn("layer_features.properties", name), true
}

// condition translates a filter for a table. Narrow tells that only rows of
// a small box can pass, whatever else the filter asks.
func (s *Store) condition(ctx context.Context, table string, f *cql2.Filter, column func(string) (cql2.Column, bool), few int) (c cql2.Condition, narrow bool, err error) {
	columns := map[string]cql2.Column{}
	for _, name := range mentioned(f.Expr()) {
		if name == GeometryName {
			columns[name] = cql2.Column{Value: table + ".n", Meets: func(b orb.Bound) (string, []any) {
				m, e := s.meets(ctx, table, b, few)
				narrow = narrow || m.few
				if e != nil {
					err = e
				}
				return m.sql, m.args
			}}
		} else if col, ok := column(name); ok {
			columns[name] = col
		}
	}
	c = f.SQL(columns)
	return c, narrow && boundTo(f.Expr()), err
}

// boundTo tells whether a filter asks for a place that every feature it
// selects has to meet.
func boundTo(e cql2.Expr) bool {
	c, ok := e.(cql2.Call)
	if !ok {
		return false
	}
	switch c.Op {
	case cql2.And:
		for _, a := range c.Args {
			if boundTo(a) {
				return true
			}
		}
	case cql2.SIntersects, cql2.SContains, cql2.SWithin, cql2.SCrosses, cql2.SEquals, cql2.SOverlaps, cql2.STouches:
		return true
	}
	return false
}

// mentioned returns the names of the properties in an expression.
func mentioned(e cql2.Expr) []string {
	var out []string
	switch e := e.(type) {
	case cql2.Property:
		return []string{e.Name}
	case cql2.Call:
		for _, a := range e.Args {
			out = append(out, mentioned(a)...)
		}
	case cql2.Array:
		for _, a := range e.Items {
			out = append(out, mentioned(a)...)
		}
	case cql2.Interval:
		out = append(mentioned(e.Start), mentioned(e.End)...)
	}
	return out
}

// flattened names what lies within objects with dots: {"a": {"b": 1}} has a.b.
// Of a list of objects it gathers what they have under one name.
func flattened(properties json.RawMessage) (map[string]any, error) {
	var members map[string]any
	if len(properties) > 0 {
		if err := json.Unmarshal(properties, &members); err != nil {
			return nil, err
		}
	}
	out := map[string]any{}
	flatten(out, "", members)
	return out, nil
}

func flatten(out map[string]any, prefix string, members map[string]any) {
	for name, v := range members {
		switch v := v.(type) {
		case map[string]any:
			flatten(out, prefix+name+".", v)
			continue
		case []any:
			for _, item := range v {
				if object, ok := item.(map[string]any); ok {
					gather(out, prefix+name+".", object)
				}
			}
		}
		out[prefix+name] = v
	}
}

func gather(out map[string]any, prefix string, object map[string]any) {
	for name, v := range object {
		switch v.(type) {
		case map[string]any, []any, nil:
			continue
		}
		list, _ := out[prefix+name].([]any)
		out[prefix+name] = append(list, v)
	}
}
