package jsonfile_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/jsonfile"
)

func open(t require.TestingT, text string) vector.Source {
	s, err := jsonfile.Open(strings.NewReader(text), int64(len(text)), "a")
	require.NoError(t, err)
	return s
}

func read(t require.TestingT, text string) (out []vector.Record) {
	for r := range open(t, text).Read(0) {
		out = append(out, r)
	}
	return out
}

func feature(members string) string {
	return `{"type":"FeatureCollection","features":[` + members + `,{"type":"Feature","properties":null,"geometry":null}]}`
}

// A record that is valid JSON but no Feature is refused with its reason, and the
// next one is read. source: RFC 7946 §3.
func TestRefusedRecords(t *testing.T) {
	point := `"geometry":{"type":"Point","coordinates":[1,2]}`
	for record, why := range map[string]string{
		`5`:                                    "where a Feature was expected",
		`null`:                                 "where a Feature was expected",
		`[[1,2],{"a":[3]}]`:                    "where a Feature was expected",
		`{}`:                                   "has no type",
		`{"type":"Point","coordinates":[1,2]}`: `type is "Point", not Feature`,
		`{"type":5}`:                           "type is not text",
		`{"type":"Feature","id":{},` + point + `}`:                                                                                           "id is neither text nor a number",
		`{"type":"Feature","properties":[1],` + point + `}`:                                                                                  "properties is not an object",
		`{"type":"Feature","geometry":7}`:                                                                                                    "the geometry is not an object",
		`{"type":"Feature","geometry":{"coordinates":[1,2]}}`:                                                                                "the geometry has no type",
		`{"type":"Feature","geometry":{"type":"Circle","coordinates":[1,2]}}`:                                                                `"Circle" is no geometry type`,
		`{"type":"Feature","geometry":{"type":"Point"}}`:                                                                                     "has no coordinates",
		`{"type":"Feature","geometry":{"type":"Point","coordinates":[1]}}`:                                                                   "a position has 1 numbers",
		`{"type":"Feature","geometry":{"type":"Point","coordinates":[]}}`:                                                                    "a position has 0 numbers",
		`{"type":"Feature","geometry":{"type":"Point","coordinates":[1,"2"]}}`:                                                               "no number",
		`{"type":"Feature","geometry":{"type":"Point","coordinates":[1,null]}}`:                                                              "no number",
		`{"type":"Feature","geometry":{"type":"Point","coordinates":null}}`:                                                                  "a position is not a list",
		`{"type":"Feature","geometry":{"type":"Point","coordinates":[1e999,2]}}`:                                                             "too large",
		`{"type":"Feature","geometry":{"type":"LineString","coordinates":[1,2]}}`:                                                            "a position is not a list",
		`{"type":"Feature","geometry":{"type":"Polygon","coordinates":[[1,2],[3,4]]}}`:                                                       "a position is not a list",
		`{"type":"Feature","geometry":{"type":"LineString","coordinates":[[[1,2]]]}}`:                                                        "no number",
		`{"type":"Feature","geometry":{"type":"LineString","coordinates":"1 2"}}`:                                                            "the list of coordinates is not a list",
		`{"type":"Feature","geometry":{"coordinates":[1,"x"],"type":"Point"}}`:                                                               "no number",
		`{"type":"Feature","geometry":{"type":"GeometryCollection","geometries":[null]}}`:                                                    "is null",
		`{"type":"Feature","geometry":{"type":"GeometryCollection","geometries":{}}}`:                                                        "geometries is not a list",
		`{"type":"Feature","geometry":{"geometries":[],"type":"Point"}}`:                                                                     "no list of geometries",
		`{"type":"Feature","geometry":` + strings.Repeat(`{"type":"GeometryCollection","geometries":[`, 20) + strings.Repeat("]}", 20) + `}`: "nested too deep",
	} {
		got := read(t, feature(record))
		require.Len(t, got, 2, record)
		assert.ErrorContains(t, got[0].Err, why, record)
		assert.Nil(t, got[0].Geometry.Geometry)
		assert.NoError(t, got[1].Err)
		assert.Equal(t, []int{1, 2}, []int{got[0].Number, got[1].Number})
	}
}

func TestAcceptedRecords(t *testing.T) {
	z := geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}}, Z: []float64{5, 6}}
	for record, want := range map[string]vector.Record{
		`{"geometry":{"coordinates":[[1,2,5],[3,4,6]],"bbox":[1],"type":"LineString"},"type":"Feature"}`: {Geometry: z},
		`{"type":"Feature","id":1.50,"foreign":{"a":[]},"geometry":{"type":"Point","coordinates":[1,2,3,4]}}`: {
			ID: "1.50", NumericID: true, Geometry: geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{3}}, Notes: []string{"the numbers after the third of a position were left out (RFC 7946 §3.1.1)"},
		},
		`{"type":"Feature","id":null,"coordinates":[9,9],"geometry":{"type":"MultiPoint","coordinates":[]}}`: {Geometry: geojson.Geometry{Geometry: orb.MultiPoint(nil)}},
		`{"type":"Feature","geometry":{"type":"Polygon","coordinates":[]}}`:                                  {Geometry: geojson.Geometry{Geometry: orb.Polygon{}}},
		`{"type":"Feature","id":"\u00e4","properties":{"a":1,"\u0061":2,"b":12345678901234567890,"c":1e999,"d":1.0,"e":{"x": [ 1 ]},"f":-0}}`: {
			ID: "ä", Properties: vector.Properties{{Name: "a", Value: int64(2)}, {Name: "b", Value: "12345678901234567890"}, {Name: "c", Value: "1e999"}, {Name: "d", Value: 1.0}, {Name: "e", Value: json.RawMessage(`{"x":[1]}`)}, {Name: "f", Value: int64(0)}},
			Notes: []string{"a number is too large and was taken as text", "a property was given twice; the last value was taken"},
		},
		"{\"type\":\"Feature\",\"properties\":{\"n\xe4me\":\"\xdf\\u00e9\"}}": {
			Properties: vector.Properties{{Name: "näme", Value: "ßé"}}, Notes: []string{vector.FixedText},
		},
		`{"type":"Feature","properties":{"a":"\ud800"}}`: {Properties: vector.Properties{{Name: "a", Value: "\ufffd"}}},
	} {
		got := read(t, feature(record))
		require.Len(t, got, 2, record)
		want.Number = 1
		assert.Equal(t, want, got[0], record)
	}
}

func TestWholeFiles(t *testing.T) {
	geometry := `{"type":"Point","coordinates":[1,2]}`
	f := `{"type":"Feature","properties":{"a":1},"geometry":` + geometry + `}`
	for name, c := range map[string]struct {
		text   string
		format vector.Format
		want   int    // records
		err    string // of the last record without a number
		errs   int    // records that are refused
	}{
		"feature":             {text: f, format: vector.GeoJSON, want: 1},
		"geometry":            {text: geometry, format: vector.GeoJSON, want: 1},
		"collection first":    {text: `{"features":[` + f + `],"type":"FeatureCollection"}`, format: vector.GeoJSON, want: 1},
		"bare list":           {text: "[" + f + "," + f + "]", format: vector.GeoJSON, want: 2},
		"empty collection":    {text: `{"type":"FeatureCollection","features":[]}`, format: vector.GeoJSON},
		"no features":         {text: `{"type":"FeatureCollection"}`, format: vector.GeoJSON, err: "the FeatureCollection has no features"},
		"one after the other": {text: f + f + "\n" + f, format: vector.GeoJSON, want: 3},
		"lines":               {text: f + "\n\n" + f + "\r\n" + f, format: vector.TextSequence, want: 3},
		"a broken line":       {text: f + "\n{\"type\":\n" + f + "\n" + f + "x\n", format: vector.TextSequence, want: 3, errs: 2},
		"sequence":            {text: "\x1e" + f + "\n\x1e" + strings.ReplaceAll(f, ",", ",\n") + "\n", format: vector.TextSequence, want: 2},
		"a broken text":       {text: "\x1e" + f[:20] + "\n\x1e" + f + "\n", format: vector.TextSequence, want: 1, errs: 1}, // RFC 8142 §2.3
		"cut off":             {text: `{"type":"FeatureCollection","features":[` + f + `,` + f[:30], format: vector.GeoJSON, want: 1, err: "beyond record 1: it ends in the middle of a record"},
		"blank":               {text: " \n ", format: vector.GeoJSON, err: "it is empty"},
		"a comma too many":    {text: `{"type":"FeatureCollection","features":[` + f + `,]}`, format: vector.GeoJSON, want: 1, err: "beyond record 1: it is not valid JSON"},
		"other JSON":          {text: `"text"`, format: vector.GeoJSON, err: "where an object was expected"},
		"features no list":    {text: `{"type":"FeatureCollection","features":{}}`, format: vector.GeoJSON, err: "the FeatureCollection has no features"},
		"UTF-16":              {text: "\xff\xfe" + utf16(f), format: vector.GeoJSON, want: 1},
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t, c.text)
			assert.Equal(t, c.format, s.Format())
			good, bad := 0, 0
			var last error
			for r := range s.Read(0) {
				switch {
				case r.Number == 0:
					last = r.Err
				case r.Err != nil:
					bad++
				default:
					good++
				}
			}
			assert.Equal(t, []int{c.want, c.errs}, []int{good, bad})
			if c.err == "" {
				assert.NoError(t, last)
			} else {
				assert.ErrorIs(t, last, vector.ErrFormat)
				assert.ErrorContains(t, last, c.err)
			}
		})
	}
}

func utf16(s string) string {
	var b strings.Builder
	for _, c := range []byte(s) {
		b.WriteByte(c)
		b.WriteByte(0)
	}
	return b.String()
}

// source: The GeoJSON Format Specification (2008) §3 for the "crs" member.
func TestCRS(t *testing.T) {
	rest := `"features":[{"type":"Feature","properties":{"crs":{"a":1}},"geometry":null}]`
	named := `"crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::2264"}}`
	for text, want := range map[string]string{
		`{"type":"FeatureCollection",` + rest + `}`:                                      vector.WGS84,
		`{"type":"FeatureCollection",` + named + `,` + rest + `}`:                        "urn:ogc:def:crs:EPSG::2264",
		`{` + rest + `,` + named + `,"type":"FeatureCollection"}`:                        "urn:ogc:def:crs:EPSG::2264",
		`{"crs":null,` + rest + `}`:                                                      "",
		`{"crs":{"type":"EPSG","properties":{"code":2264}},` + rest + `}`:                "EPSG:2264",
		`{"crs":{"type":"link","properties":{"href":"http://127.0.0.1/"}},` + rest + `}`: "",
		`{"crs":7,` + rest + `}`:                                                         "",
	} {
		s := open(t, text)
		assert.Equal(t, want, s.Layers()[0].CRS, text)
		if want == "" {
			assert.Len(t, s.Layers()[0].Notes, 1)
		}
		for r := range s.Read(0) {
			assert.NoError(t, r.Err, text)
		}
	}
	// One that could not be found at either end ends the reading.
	text := `{` + rest + `,` + named + `,"pad":"` + strings.Repeat("x", 20_000) + `"}`
	got := read(t, text)
	require.Len(t, got, 2)
	assert.ErrorContains(t, got[1].Err, `as "urn:ogc:def:crs:EPSG::2264", which was not foreseen`)
}

func TestWriter(t *testing.T) {
	var b bytes.Buffer
	w := jsonfile.NewWriter(&b)
	assert.ErrorContains(t, w.Begin(vector.Layer{CRS: "EPSG:2264"}), "RFC 7946 §4")
	require.NoError(t, w.Begin(vector.Layer{CRS: "EPSG:4326"}))
	assert.ErrorContains(t, w.Begin(vector.Layer{}), "one layer")
	left := orb.Polygon{{{0, 0}, {0, 1}, {1, 1}, {0, 0}}}
	require.NoError(t, w.Write(vector.Record{Number: 1, ID: "1e5", NumericID: true, Geometry: geojson.Geometry{Geometry: left, Z: []float64{1, 2, 3, 1}}}))
	require.NoError(t, w.Write(vector.Record{Number: 2, ID: "0x1", NumericID: true, Properties: vector.Properties{{Name: "a\"", Value: "\x01"}}}))
	require.NoError(t, w.Write(vector.Record{Notes: []string{"on the layer"}}))
	reason := errors.New("refused")
	assert.ErrorIs(t, w.Write(vector.Record{Number: 3, Err: reason}), reason)
	require.NoError(t, w.Close())
	var c struct {
		Type     string
		Features []any
	}
	require.NoError(t, json.Unmarshal(b.Bytes(), &c))
	assert.Equal(t, "FeatureCollection", c.Type)
	assert.Equal(t, []any{
		// source: RFC 7946 §3.1.6 turns the ring
		map[string]any{"type": "Feature", "id": 1e5, "properties": map[string]any{}, "geometry": map[string]any{"type": "Polygon", "coordinates": []any{[]any{[]any{0., 0., 1.}, []any{1., 1., 3.}, []any{0., 1., 2.}, []any{0., 0., 1.}}}}},
		map[string]any{"type": "Feature", "id": "0x1", "properties": map[string]any{"a\"": "\x01"}, "geometry": nil},
	}, c.Features)

	b.Reset()
	w = jsonfile.NewSequenceWriter(&b)
	require.NoError(t, w.Begin(vector.Layer{}))
	require.NoError(t, w.Write(vector.Record{Number: 1}))
	require.NoError(t, w.Close())
	assert.Equal(t, "\x1e{\"type\":\"Feature\",\"properties\":{},\"geometry\":null}\n", b.String()) // RFC 8142 §2.2
	b.Reset()
	w = jsonfile.NewWriter(&b)
	require.NoError(t, w.Begin(vector.Layer{}))
	require.NoError(t, w.Close())
	assert.JSONEq(t, `{"type":"FeatureCollection","features":[]}`, b.String())
	assert.Empty(t, w.Losses())
}

// encoding/json, with the reader of geometries that the project has had, is the
// outside judge of what a Feature says.
func FuzzFeature(f *testing.F) {
	for _, s := range []string{
		`{"type":"Feature","id":"a","properties":{"a":1,"b":[true,null]},"geometry":{"type":"Polygon","coordinates":[[[0,0,1],[1,0,2],[1,1],[0,0,1]]]}}`,
		`{"type":"Feature","geometry":{"type":"GeometryCollection","geometries":[{"type":"Point","coordinates":[1,2,3]},{"coordinates":[[1,2]],"type":"MultiPoint"}]}}`,
		`{"type":"Feature","properties":{"x":1e5,"y":-0.0,"z":"\u00e9\ud83d\ude00"},"geometry":null}`,
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if !strings.HasPrefix(s, "{") || strings.ContainsAny(s, "\r\n\x1e") {
			return
		}
		got := read(t, s)
		var theirs struct {
			Type       string
			Geometry   json.RawMessage
			Properties map[string]any
		}
		if len(got) != 1 || got[0].Err != nil || got[0].Number == 0 || len(got[0].Notes) > 0 {
			return
		}
		require.True(t, json.Valid([]byte(s)), "%q", s)
		if json.Unmarshal([]byte(s), &theirs) != nil || theirs.Type != "Feature" {
			return // encoding/json matches names in any case
		}
		for _, p := range got[0].Properties {
			raw, err := json.Marshal(theirs.Properties[p.Name])
			require.NoError(t, err)
			require.JSONEq(t, string(raw), string(vector.AppendJSON(nil, p.Value)))
		}
		g, err := geojson.ParseGeometry(theirs.Geometry)
		if err != nil {
			return // null, or a form that only the other reader refuses
		}
		require.Equal(t, geojson.AppendGeometry(nil, g), geojson.AppendGeometry(nil, got[0].Geometry))
	})
}
