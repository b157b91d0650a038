package gpx_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/gpx"
)

func open(t *testing.T, text string) vector.Source {
	t.Helper()
	s, err := gpx.Open(strings.NewReader(text), int64(len(text)))
	require.NoError(t, err)
	return s
}

func read(t *testing.T, text string, layer int) (out []vector.Record) {
	t.Helper()
	for r := range open(t, text).Read(layer) {
		out = append(out, r)
	}
	return out
}

// source: https://www.topografix.com/GPX/1/1/ for the elements and their types.
func TestWaypoint(t *testing.T) {
	got := read(t, `<gpx xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="urn:x"><metadata><name>m</name></metadata>
		<wpt lat=" 44.65" lon="-91.2"><ele>231.5</ele><time>2026-05-01T10:00:00Z</time><name>A&amp;B</name><sat>7</sat><hdop>1.5</hdop><link href="http://127.0.0.1/"><text>t</text></link>
		<extensions><x:a>5</x:a><y:b xmlns:y="urn:y"><y:c>d</y:c><y:e/></y:b><plain>007</plain></extensions></wpt>
		<wpt lat="1" lon="2"><ele/><time>yesterday</time></wpt></gpx>`, 0)
	require.Len(t, got, 2)
	assert.Equal(t, geojson.Geometry{Geometry: orb.Point{-91.2, 44.65}, Z: []float64{231.5}}, got[0].Geometry)
	assert.Equal(t, vector.Properties{
		{Name: "time", Value: time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC)},
		{Name: "name", Value: "A&B"},
		{Name: "sat", Value: int64(7)},
		{Name: "hdop", Value: 1.5},
		{Name: "link", Value: "http://127.0.0.1/"},
		{Name: "x_a", Value: int64(5)},
		{Name: "y_c", Value: "d"},
		{Name: "plain", Value: "007"},
	}, got[0].Properties)
	assert.Equal(t, geojson.Geometry{Geometry: orb.Point{2, 1}}, got[1].Geometry, "an elevation that is not given is none")
	assert.Equal(t, vector.Properties{{Name: "time", Value: "yesterday"}}, got[1].Properties)
	for wpt, why := range map[string]string{
		`<wpt lat="1"/>`: `lat="1" lon="" is no position`, `<wpt lat="x" lon="2"/>`: "is no position", `<wpt lat="1" lon="2"><ele>high</ele></wpt>`: `the elevation "high" is not a number`,
	} {
		got := read(t, "<gpx>"+wpt+`<wpt lat="1" lon="2"/></gpx>`, 0)
		require.Len(t, got, 2)
		assert.ErrorContains(t, got[0].Err, why)
		assert.NoError(t, got[1].Err)
	}
}

func TestTracks(t *testing.T) {
	pt := `<trkpt lat="1" lon="2"><ele>3</ele></trkpt>`
	for inner, want := range map[string]struct {
		g     orb.Geometry
		notes []string
	}{
		"<trkseg>" + pt + pt + "</trkseg>":                                                                          {orb.LineString{{2, 1}, {2, 1}}, nil},
		"<trkseg>" + pt + pt + "</trkseg><trkseg>" + pt + pt + "</trkseg>":                                          {orb.MultiLineString{{{2, 1}, {2, 1}}, {{2, 1}, {2, 1}}}, nil},
		"<trkseg>" + pt + "</trkseg><trkseg/><trkseg>" + pt + pt + "</trkseg>":                                      {orb.LineString{{2, 1}, {2, 1}}, []string{"segments of one position, left out: 1"}},
		"<trkseg>" + pt + "</trkseg>":                                                                               {nil, []string{"it has no positions", "segments of one position, left out: 1"}},
		`<trkseg>` + pt + `<trkpt lat="1" lon="2"><time>2026-05-01T10:00:00Z</time><name>n</name></trkpt></trkseg>`: {orb.LineString{{2, 1}, {2, 1}}, []string{"the times of its positions were left out", "names and other data of its positions were left out"}},
	} {
		got := read(t, "<gpx><trk>"+inner+"</trk></gpx>", 0)
		require.Len(t, got, 1)
		assert.Equal(t, want.g, got[0].Geometry.Geometry, inner)
		assert.Equal(t, want.notes, got[0].Notes, inner)
		if want.g != nil {
			assert.Len(t, got[0].Geometry.Z, vector.Count(want.g), inner)
		}
	}
	got := read(t, "<gpx><trk><trkseg>"+pt+`<trkpt lat="x" lon="2"/></trkseg></trk></gpx>`, 0)
	assert.ErrorContains(t, got[0].Err, "is no position")
}

func TestLayers(t *testing.T) {
	wpt, rte := `<wpt lat="1" lon="2"/>`, `<rte><rtept lat="1" lon="2"/><rtept lat="3" lon="4"/></rte>`
	s := open(t, "<gpx>"+wpt+wpt+rte+"</gpx>")
	require.Len(t, s.Layers(), 2)
	assert.Equal(t, []any{"waypoints", -1, "routes", -1}, []any{s.Layers()[0].Name, s.Layers()[0].Count, s.Layers()[1].Name, s.Layers()[1].Count})
	assert.Len(t, open(t, "<gpx/>").Layers(), 1)
	s = open(t, "<gpx>"+wpt+"<wpt")
	var got []vector.Record
	for r := range s.Read(0) {
		got = append(got, r)
	}
	require.Len(t, got, 2)
	assert.ErrorContains(t, got[1].Err, "beyond record 1: it ends in the middle of a record")
}

func TestWriter(t *testing.T) {
	var b bytes.Buffer
	w := gpx.NewWriter(&b)
	assert.ErrorContains(t, w.Begin(vector.Layer{CRS: "EPSG:2264"}), "longitude and latitude on WGS 84")
	require.NoError(t, w.Begin(vector.Layer{IDField: "id"}))
	assert.ErrorContains(t, w.Begin(vector.Layer{}), "one layer")
	require.NoError(t, w.Write(vector.Record{
		Number: 1, ID: "x", Geometry: geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{3}},
		Properties: vector.Properties{{Name: "label", Value: "P1"}, {Name: "desc", Value: "a < b"}, {Name: "slope deg", Value: 31.5}, {Name: "none"}},
	}))
	require.NoError(t, w.Write(vector.Record{Number: 2, Geometry: geojson.Geometry{Geometry: orb.MultiPoint{{1, 2}, {3, 4}}}}))
	require.NoError(t, w.Close())
	assert.Contains(t, b.String(), `<wpt lat="2" lon="1"><ele>3</ele><name>P1</name><desc>a &lt; b</desc><extensions><h:id>x</h:id><h:label>P1</h:label><h:slope_deg>31.5</h:slope_deg></extensions></wpt>`+
		"\n"+`<wpt lat="2" lon="1"></wpt>`+"\n"+`<wpt lat="4" lon="3"></wpt>`)
	assert.Equal(t, "[slope deg: it is called slope_deg, for names of XML hold no blanks (record 1) that the points of a multi-point belong together (record 2)]", fmt.Sprint(w.Losses()))
	got := read(t, b.String(), 0)
	require.Len(t, got, 3)
	assert.Equal(t, vector.Properties{{Name: "name", Value: "P1"}, {Name: "desc", Value: "a < b"}, {Name: "id", Value: "x"}, {Name: "label", Value: "P1"}, {Name: "slope_deg", Value: 31.5}}, got[0].Properties)
}
