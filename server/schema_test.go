package server_test

import (
	"encoding/json"
	"errors"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// TestSchemasAgreeWithTheServer gives each stored and invented Feature, whole
// and with one thing wrong, to the published schema and to the program: both
// must take it or both refuse it. Python's jsonschema reads the schema.
func TestSchemasAgreeWithTheServer(t *testing.T) {
	s, _ := fixture(t)
	parsePoint := func(f geojson.Feature) error { _, err := survey.ParsePoint(f); return err }
	parseSite := func(f geojson.Feature) error { _, err := survey.ParseSite(f); return err }
	for noun, c := range map[string]struct {
		parse func(geojson.Feature) error
		good  []string
		demo  string
	}{
		"point": {parse: parsePoint, good: []string{"/api/collections/points/items/p-good", "/api/collections/points/items/p-weak", "/api/collections/points/items/p-bare"}, demo: "points"},
		"site":  {parse: parseSite, good: []string{"/api/collections/sites/items/s-alder", "/api/collections/sites/items/s-cutting"}, demo: "sites"},
	} {
		t.Run(noun, func(t *testing.T) {
			res := call(t, s, http.MethodGet, "/api/schemas/"+noun, "")
			require.Equal(t, "application/schema+json", res.Header.Get("Content-Type"))
			schema := []byte(bodyOf(t, res))
			var features []object
			for _, target := range c.good {
				features = append(features, parse[object](t, call(t, s, http.MethodGet, target, "")))
			}
			var demo struct{ Features []object }
			text, err := os.ReadFile("../data/demo/" + c.demo + ".geojson")
			require.NoError(t, err)
			require.NoError(t, json.Unmarshal(text, &demo))
			features = append(features, demo.Features...)

			var instances []any
			var what []string
			for _, f := range features {
				instances, what = append(instances, f), append(what, "as it is")
			}
			for _, path := range paths(features) {
				if path[len(path)-1] == "reading" { // of which kind depends on the test, which no schema says
					continue
				}
				for _, wrong := range []any{"no such word", 12.5, true, []any{1.5}, object{"a": 1}} {
					if broken, was := with(features, path, wrong); broken != nil && !sameKind(was, wrong) {
						instances, what = append(instances, broken), append(what, strings.Join(path, "/"))
					}
				}
				if broken, _ := with(features, append(path[:len(path)-1:len(path)-1], "mispelt"), 1); broken != nil {
					instances, what = append(instances, broken), append(what, "mispelt beside "+strings.Join(path, "/"))
				}
			}
			require.Greater(t, len(instances), 100)
			for i, faults := range faultsOf(t, schema, instances...) {
				text, err := json.Marshal(instances[i])
				require.NoError(t, err)
				var f geojson.Feature
				if err = json.Unmarshal(text, &f); err == nil {
					err = c.parse(f)
				}
				assert.Equal(t, err == nil, len(faults) == 0, "%s: %s\nschema: %v\nprogram: %v", what[i], text, faults, err)
			}
		})
	}
	checkProblem(t, call(t, s, http.MethodGet, "/api/schemas/policy", ""), http.StatusNotFound)
}

// paths lists the ways to every value within the properties and the geometry.
func paths(features []object) [][]string {
	seen := map[string]bool{}
	var out [][]string
	var walk func(at []string, v any)
	walk = func(at []string, v any) {
		switch v := v.(type) {
		case object:
			for k, inner := range v {
				walk(append(at[:len(at):len(at)], k), inner)
			}
			return
		case []any:
			if len(v) > 0 {
				if first, ok := v[0].(object); ok {
					walk(append(at[:len(at):len(at)], "0"), first)
					return
				}
			}
		}
		if key := strings.Join(at, "/"); !seen[key] {
			seen[key] = true
			out = append(out, at)
		}
	}
	for _, f := range features {
		walk([]string{"properties"}, f["properties"])
		walk([]string{"geometry"}, f["geometry"])
	}
	return out
}

// with copies the first Feature that has such a value, with another in its
// place; nil when none has the object it is in.
func with(features []object, path []string, value any) (changed object, was any) {
	for _, f := range features {
		text, err := json.Marshal(f)
		if err != nil {
			return nil, nil
		}
		var c object
		if json.NewDecoder(strings.NewReader(string(text))).Decode(&c) != nil {
			return nil, nil
		}
		var at any = c
		for _, key := range path[:len(path)-1] {
			switch v := at.(type) {
			case object:
				at = v[key]
			case []any:
				at = v[0]
			}
		}
		if o, ok := at.(object); ok {
			last := path[len(path)-1]
			if was, ok = o[last]; !ok && value != 1 {
				continue
			}
			o[last] = value
			return c, was
		}
	}
	return nil, nil
}

// sameKind tells whether a wrong value is of the right kind after all: free
// text takes any text and a number any number.
func sameKind(was, wrong any) bool {
	switch wrong.(type) {
	case string:
		_, ok := was.(string)
		return ok
	case float64:
		_, ok := was.(float64)
		return ok
	}
	return false
}

// TestVocabularies gives every word that the schema lists to the program,
// and one it does not.
func TestVocabularies(t *testing.T) {
	s, _ := fixture(t)
	type schema struct {
		Properties map[string]json.RawMessage
		Items      *json.RawMessage
		Enum       []string
	}
	for noun, c := range map[string]struct {
		parse func(geojson.Feature) error
		lists int
		usual string
	}{
		"point": {func(f geojson.Feature) error { _, err := survey.ParsePoint(f); return err }, 19, `{"site":"s","label":"l"}`},
		"site":  {func(f geojson.Feature) error { _, err := survey.ParseSite(f); return err }, 2, `{"name":"n","code":"c"}`},
	} {
		whole := parse[schema](t, call(t, s, http.MethodGet, "/api/schemas/"+noun, ""))
		lists := 0
		var walk func(at string, raw json.RawMessage, wrap func(any) object)
		walk = func(at string, raw json.RawMessage, wrap func(any) object) {
			var p schema
			require.NoError(t, json.Unmarshal(raw, &p))
			if p.Items != nil {
				walk(at+"/0", *p.Items, func(v any) object { return wrap([]any{v}) })
			}
			for name, inner := range p.Properties {
				walk(at+"/"+name, inner, func(v any) object { return wrap(object{name: v}) })
			}
			if p.Enum == nil {
				return
			}
			lists++
			for _, word := range append(p.Enum, "no such word") {
				props := wrap(word)
				usual := object{}
				require.NoError(t, json.NewDecoder(strings.NewReader(c.usual)).Decode(&usual))
				for k, v := range usual {
					if _, own := props[k]; !own {
						props[k] = v
					}
				}
				text, err := json.Marshal(object{"type": "Feature", "geometry": object{"type": "Point", "coordinates": []float64{1, 2}}, "properties": props})
				require.NoError(t, err)
				var f geojson.Feature
				require.NoError(t, json.Unmarshal(text, &f))
				var invalid *survey.InvalidError
				errors.As(c.parse(f), &invalid)
				refused := invalid != nil && slices.ContainsFunc(invalid.Problems, func(p survey.Problem) bool { return p.Pointer == at })
				assert.Equal(t, word == "no such word", refused, "%s %s: %v", at, text, invalid)
			}
		}
		walk("/properties", whole.Properties["properties"], func(v any) object { return v.(object) })
		assert.Equal(t, c.lists, lists, noun)
	}
}
