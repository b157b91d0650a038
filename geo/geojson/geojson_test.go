package geojson_test

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/geojson"
)

func all(t testing.TB, text string) []geojson.Record {
	t.Helper()
	var out []geojson.Record
	for r := range geojson.Records(strings.NewReader(text)) {
		out = append(out, r)
	}
	return out
}

const point = `{"type":"Feature","id":7,"geometry":{"type":"Point","coordinates":[5.5,50.25,31.5]},"properties":{"a":1}}`

// The shapes of a GeoJSON text: RFC 7946 §3 and RFC 8142 §2.
func TestRecordsOfEveryShape(t *testing.T) {
	for _, c := range []struct {
		name, text string
		n          int
	}{
		{"one Feature", point, 1},
		{"a bare geometry", `{"type":"Point","coordinates":[5.5,50.25,31.5]}`, 1},
		{"a FeatureCollection", `{"type":"FeatureCollection","features":[` + point + "," + point + `]}`, 2},
		{"features before the type", `{"features":[` + point + `],"type":"FeatureCollection"}`, 1},
		{"an empty FeatureCollection", `{"type":"FeatureCollection","features":[]}`, 0},
		{"one a line", point + "\n" + point + "\n", 2},
		{"a text sequence", "\x1e" + point + "\n\x1e" + point + "\n", 2},
		{"a byte order mark", "\xef\xbb\xbf" + point, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := all(t, c.text)
			require.Len(t, got, c.n)
			for i, r := range got {
				require.NoError(t, r.Err)
				assert.Equal(t, i+1, r.Number)
				assert.Equal(t, orb.Point{5.5, 50.25}, r.Feature.Geometry.Geometry)
				assert.Equal(t, []float64{31.5}, r.Feature.Geometry.Z, "elevation is kept")
			}
		})
	}
}

func TestABadRecordDoesNotHideTheNext(t *testing.T) {
	got := all(t, `{"type":"FeatureCollection","features":[`+
		`{"type":"Feature","geometry":null,"properties":{}},`+
		`{"type":"Feature","geometry":{"type":"Point","coordinates":[1]},"properties":{}},`+
		`{"type":"Feature","geometry":{"type":"Blob","coordinates":[1,2]},"properties":{}},`+
		`{"type":"Nonsense"},`+point+`]}`)
	require.Len(t, got, 5)
	assert.ErrorIs(t, got[0].Err, geojson.ErrNull)
	assert.ErrorContains(t, got[1].Err, "longitude and latitude are needed")
	assert.ErrorContains(t, got[2].Err, `"Blob"`)
	assert.ErrorContains(t, got[3].Err, "not Feature")
	assert.NoError(t, got[4].Err)
}

func TestABrokenStreamSaysWhere(t *testing.T) {
	for name, text := range map[string]string{
		"empty": "", "not JSON": "hello", "cut off": point[:40],
		"cut off after a comma": `{"type":"FeatureCollection","features":[` + point + ",", "cut off after the list": `{"type":"FeatureCollection","features":[` + point + "]", "NaN": `{"type":"Point","coordinates":[NaN,1]}`,
		"a list": "[1,2]", "no features": `{"type":"FeatureCollection"}`,
	} {
		got := all(t, text)
		require.NotEmpty(t, got, name)
		last := got[len(got)-1]
		assert.ErrorIs(t, last.Err, geojson.ErrNotGeoJSON, name)
		assert.ErrorContains(t, last.Err, "near byte", name)
		if name == "NaN" {
			assert.ErrorContains(t, last.Err, "NaN and Infinity are no numbers")
		}
	}
}

func TestAFourthNumberIsCounted(t *testing.T) {
	g, err := geojson.ParseGeometry([]byte(`{"type":"LineString","coordinates":[[1,2,3,4],[1,2]]}`))
	require.NoError(t, err)
	assert.Equal(t, 1, g.Extra)
}

func TestIDsKeepTheirKind(t *testing.T) {
	for _, id := range []string{`"a-1"`, `7`, `""`} {
		var f geojson.Feature
		text := `{"type":"Feature","id":` + id + `,"geometry":{"type":"Point","coordinates":[1,2]},"properties":null}`
		require.NoError(t, json.Unmarshal([]byte(text), &f))
		back, err := json.Marshal(f)
		require.NoError(t, err)
		if id == `""` {
			assert.NotContains(t, string(back), `"id"`, "an empty id is none")
			continue
		}
		assert.JSONEq(t, text, string(back))
	}
}

// Every kind of geometry comes back as it was, heights and all.
func TestGeometriesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var z []float64
		withZ := rapid.Bool().Draw(t, "z")
		pt := func() orb.Point {
			if withZ {
				z = append(z, math.Round(rapid.Float64Range(-100, 5000).Draw(t, "h")*100)/100)
			}
			return orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-90, 90).Draw(t, "lat")}
		}
		pts := func() []orb.Point {
			out := make([]orb.Point, rapid.IntRange(1, 5).Draw(t, "n"))
			for i := range out {
				out[i] = pt()
			}
			return out
		}
		var g orb.Geometry
		switch rapid.IntRange(0, 6).Draw(t, "kind") {
		case 0:
			g = pt()
		case 1:
			g = orb.MultiPoint(pts())
		case 2:
			g = orb.LineString(pts())
		case 3:
			g = orb.MultiLineString{pts(), pts()}
		case 4:
			g = orb.Polygon{pts(), pts()}
		case 5:
			g = orb.MultiPolygon{{pts()}, {pts(), pts()}}
		case 6:
			g = orb.Collection{pt(), orb.LineString(pts())}
		}
		in := geojson.Geometry{Geometry: g, Z: z}
		out, err := geojson.ParseGeometry(geojson.AppendGeometry(nil, in))
		require.NoError(t, err)
		assert.Equal(t, in, out)
	})
}

func FuzzRecords(f *testing.F) {
	f.Add([]byte(point))
	f.Add([]byte(`{"type":"FeatureCollection","features":[` + point + `,{}]}`))
	f.Add([]byte("\x1e" + point))
	f.Add([]byte(`{"type":"GeometryCollection","geometries":[{"type":"Point","coordinates":[1,2]}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		for r := range geojson.Records(bytes.NewReader(b)) {
			if r.Err != nil {
				continue
			}
			once, err := json.Marshal(r.Feature)
			require.NoError(t, err)
			var again geojson.Feature
			require.NoError(t, json.Unmarshal(once, &again))
			twice, err := json.Marshal(again)
			require.NoError(t, err)
			require.Equal(t, string(once), string(twice))
		}
	})
}
