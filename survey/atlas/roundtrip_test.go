package atlas_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo/vector"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/demo"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

var author = sqlite.Author{Who: "test", Device: "test"}

// emptyAtlas makes an atlas.
func emptyAtlas(t *testing.T) atlas.Atlas {
	t.Helper()
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	now := func() time.Time { return time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC) }
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Policy: p, Now: now})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, store.Close()) })
	return atlas.Atlas{Store: store, Now: now}
}

// export writes a collection and returns the text with what was said of it.
func export(t *testing.T, a atlas.Atlas, collection string, format vector.Format) ([]byte, atlas.Exported) {
	t.Helper()
	var b bytes.Buffer
	said, err := a.Export(t.Context(), &b, atlas.Export{Collection: collection, Format: format})
	require.NoError(t, err, "%s as %s", collection, format)
	return b.Bytes(), said
}

const shapeKey = "the type of geometry"

// features are the properties of a collection's Features by their ids, those of
// sites and points in one level, with the geometry among them.
func features(t *testing.T, a atlas.Atlas, collection string) map[string]map[string]any {
	t.Helper()
	text, said := export(t, a, collection, vector.GeoJSON)
	require.Empty(t, said.Losses, "GeoJSON carries everything")
	var fc struct {
		Features []struct {
			ID       any
			Geometry struct {
				Type        string
				Coordinates any
			}
			Properties map[string]any
		}
	}
	require.NoError(t, json.Unmarshal(text, &fc))
	out := map[string]map[string]any{}
	for _, f := range fc.Features {
		flat := f.Properties
		if collection == "sites" || collection == "points" {
			flat = map[string]any{}
			level("", f.Properties, flat)
		}
		flat[shapeKey], flat["the coordinates"] = f.Geometry.Type, f.Geometry.Coordinates
		out[fmt.Sprint(f.ID)] = flat
	}
	return out
}

func level(prefix string, from map[string]any, to map[string]any) {
	for k, v := range from {
		if inner, is := v.(map[string]any); is {
			level(prefix+k+".", inner, to)
		} else {
			to[prefix+k] = v
		}
	}
}

// all reads a sequence to its end.
func all[T any](t *testing.T, items iter.Seq2[T, error]) (out []T) {
	t.Helper()
	for item, err := range items {
		require.NoError(t, err)
		out = append(out, item)
	}
	return out
}

// importInto reads the tables of a file into a new atlas and returns its
// features. Names says which property a column of another name holds; ""
// leaves a column out.
func importInto(t *testing.T, path, collection string, tables []string, names map[string]string, sites []survey.Site) map[string]map[string]any {
	t.Helper()
	to := emptyAtlas(t)
	var points []survey.Point
	var layer []survey.LayerFeature
	for _, table := range tables {
		o := exchange.Options{File: path, Table: table}
		if len(names) > 0 && (collection == "sites" || collection == "points") {
			o.Map = &exchange.Mapping{Columns: names}
		}
		in, err := exchange.Open(path, o)
		require.NoError(t, err)
		var report *exchange.Report
		switch collection {
		case "sites":
			some, r := in.Sites()
			report = r
			sites = append(sites, all(t, some)...)
		case "points":
			some, r := in.Points()
			report = r
			points = append(points, all(t, some)...)
		default:
			features, r := in.Layer(survey.RoleOther)
			report = r
			layer = append(layer, all(t, features)...)
		}
		require.NoError(t, in.Close())
		assert.Equal(t, []int{0, 0}, []int{report.Repaired, report.Refused}, "%s", report)
	}
	require.NoError(t, to.Store.ImportAll(t.Context(), sites, points, author))
	if layer != nil {
		all := func(yield func(survey.LayerFeature, error) bool) {
			for _, f := range layer {
				if !yield(f, nil) {
					return
				}
			}
		}
		_, err := to.Store.AddLayer(t.Context(), survey.Layer{ID: collection, Title: collection, Role: survey.RoleOther}, all, author)
		require.NoError(t, err)
	} else if collection != "sites" && collection != "points" {
		return nil
	}
	return features(t, to, collection)
}

// awkward adds a layer with what formats stumble over.
func awkward(t *testing.T, a atlas.Atlas) {
	properties := []string{
		`{"name":"Größe\n\"川\" 🌲","owner_of_the_bank":"x","owner_of_the_land":"y","n":9007199254740991,"v":0.1,"ok":true,"when":"2026-05-01","tags":["a","b"]}`,
		`{"name":"` + strings.Repeat("long ", 80) + `end","v":-1e-9,"ok":false,"inner":{"a":[1,{"b":null}]}}`,
		`{"name":"007","n":0,"v":1e300}`,
	}
	shapes := []orb.Geometry{
		orb.Point{-91.2050123456789, 44.65},
		orb.MultiLineString{{{-91.2, 44.6}, {-91.1, 44.7}}, {{-91, 44}, {-90.9, 44.1}}},
		orb.Polygon{{{-91.2, 44.6}, {-91.1, 44.6}, {-91.1, 44.7}, {-91.2, 44.6}}, {{-91.12, 44.62}, {-91.12, 44.64}, {-91.11, 44.63}, {-91.12, 44.62}}},
	}
	heights := [][]float64{{231.25}, {1, 2, 3, 4}, nil}
	all := func(yield func(survey.LayerFeature, error) bool) {
		for i, g := range shapes {
			f := survey.LayerFeature{Layer: "Awkward", LayerID: "awkward", Role: survey.RoleOther, Geometry: g, Heights: heights[i], Properties: json.RawMessage(properties[i])}
			if !yield(f, nil) {
				return
			}
		}
	}
	_, err := a.Store.AddLayer(t.Context(), survey.Layer{ID: "awkward", Title: "Awkward", Role: survey.RoleOther}, all, author)
	require.NoError(t, err)
}

// claims are what an export says it lost, read from its sentences.
type claims struct {
	tables  []string          // the file's, where it became several
	renamed map[string]string // property by the name in the file
	text    []string          // properties whose values became text
	gone    []string          // properties of which values were left out, cut or changed
	shapes  []string          // types of geometry whose records were left out
}

var sentences = []struct {
	is   *regexp.Regexp
	take func(c *claims, m []string)
}{
	{regexp.MustCompile(`^several types of geometry in one file: the layer became the files (.+)$`), func(c *claims, m []string) { c.tables = strings.Split(m[1], ", ") }},
	{regexp.MustCompile(`^(.+): the field is called (\S+), for names have at most 10 bytes$`), func(c *claims, m []string) { c.renamed[m[2]] = m[1] }},
	{regexp.MustCompile(`^(.+): (?:values of type \S+|whole numbers) became text\b`), func(c *claims, m []string) { c.text = append(c.text, m[1]) }},
	{regexp.MustCompile(`^(.+): (?:text of more than 254 bytes was cut|a value is a list or an object of more than 254 bytes and was left out|whole numbers became real numbers.*|text that reads back as a number or as no value)`), func(c *claims, m []string) { c.gone = append(c.gone, m[1]) }},
	{regexp.MustCompile(`^records that are a (\w+): waypoints are points`), func(c *claims, m []string) { c.shapes = append(c.shapes, m[1]) }},
}

func claimsOf(t *testing.T, losses []string) claims {
	c := claims{tables: []string{""}, renamed: map[string]string{}}
	for _, l := range losses {
		known := false
		for _, s := range sentences {
			if m := s.is.FindStringSubmatch(l); m != nil {
				s.take(&c, m)
				known = true
			}
		}
		assert.True(t, known, "a loss this test does not know: %s", l)
	}
	return c
}

// TestNothingIsLostUnsaid takes every collection out in every format, reads it
// into an empty atlas and compares every property and coordinate: what differs
// is what the export said it could not carry, and what it said does differ.
func TestNothingIsLostUnsaid(t *testing.T) {
	from := emptyAtlas(t)
	require.NoError(t, demo.Fill(t.Context(), from.Store, data.Demo, from.Now()))
	awkward(t, from)
	layers, err := from.Store.Layers(t.Context())
	require.NoError(t, err)
	rows, err := from.Store.Sites(t.Context(), sqlite.Filter{})
	require.NoError(t, err)
	var sites []survey.Site
	for _, r := range rows {
		sites = append(sites, r.Item)
	}
	collections := []string{"sites", "points"}
	for _, l := range layers {
		collections = append(collections, l.ID)
	}
	for format, ending := range map[vector.Format]string{
		vector.GeoJSON: "geojson", vector.TextSequence: "geojsons", vector.GeoPackage: "gpkg", vector.Shapefile: "zip",
		vector.KML: "kml", vector.GPX: "gpx", vector.CSV: "csv",
	} {
		for _, c := range collections {
			t.Run(fmt.Sprintf("%s/%s", format, c), func(t *testing.T) {
				text, said := export(t, from, c, format)
				if format == vector.GeoJSON || format == vector.TextSequence || format == vector.GeoPackage {
					assert.Empty(t, said.Losses, "this format carries everything")
				}
				path := filepath.Join(t.TempDir(), c+"."+ending)
				require.NoError(t, os.WriteFile(path, text, 0o600))
				claimed := claimsOf(t, said.Losses)
				before := map[bool][]survey.Site{true: sites}[c == "points"]
				got := importInto(t, path, c, claimed.tables, claimed.renamed, before)
				compare(t, features(t, from, c), got, claimed, c == "sites" || c == "points")
			})
		}
	}
}

// compare holds what came back against what went out. Values that became text
// are read back as what they were where the properties are known, and stay text
// in a layer.
func compare(t *testing.T, want, got map[string]map[string]any, c claims, known bool) {
	seen := map[string]bool{}
	for id, w := range want {
		if shape := fmt.Sprint(w[shapeKey]); slices.Contains(c.shapes, shape) {
			assert.NotContains(t, got, id)
			seen[shape] = true
			delete(got, id)
			continue
		}
		g := got[id]
		for name, property := range c.renamed {
			if v, has := g[name]; has && !known {
				g[property] = v
				delete(g, name)
			}
			if _, has := w[property]; has {
				seen[property] = true
			}
		}
		for k, v := range w {
			if reflect.DeepEqual(v, g[k]) {
				continue
			}
			switch {
			case slices.Contains(c.gone, k):
			case slices.Contains(c.text, k) && !known:
				assert.IsType(t, "", g[k], "%s %s", id, k)
			default:
				t.Errorf("%s %s: %v became %v", id, k, v, g[k])
			}
			seen[k] = true
			delete(g, k)
		}
		for k, v := range g {
			if _, has := w[k]; !has && v != nil && (k != "source_id" || fmt.Sprint(v) != id) {
				t.Errorf("%s %s: %v was not there", id, k, v)
			}
		}
	}
	for id := range got {
		assert.Contains(t, want, id)
	}
	for _, k := range slices.Concat(c.gone, c.shapes) {
		assert.True(t, seen[k], "%s is said to be lost, but came back whole", k)
	}
}
