package server_test

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"os/exec"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
)

const (
	crs84    = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
	crs84h   = "http://www.opengis.net/def/crs/OGC/0/CRS84h"
	epsg     = "http://www.opengis.net/def/crs/EPSG/0/"
	epsg4326 = epsg + "4326"
)

// cs2cs asks PROJ for coordinates in the order of the authority's axes.
func cs2cs(t *testing.T, code string, at orb.Point) orb.Point {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), tool(t, "cs2cs"), "-f", "%.9f", "EPSG:4326", "EPSG:"+code)
	cmd.Stdin = strings.NewReader(fmt.Sprintf("%.12f %.12f\n", at.Lat(), at.Lon()))
	out, err := cmd.Output()
	require.NoError(t, err)
	var p orb.Point
	_, err = fmt.Sscan(string(out), &p[0], &p[1])
	require.NoError(t, err, string(out))
	return p
}

type collectionDoc struct {
	ID         string
	CRS        []string
	StorageCRS string
	Extent     struct{ Spatial struct{ BBox [][4]float64 } }
	Links      []struct{ Href, Rel, Type string }
}

func systemsOf(t *testing.T, h http.Handler, collection string) []string {
	t.Helper()
	c := parse[collectionDoc](t, call(t, h, http.MethodGet, "/api/collections/"+collection, ""))
	assert.Equal(t, crs84, c.StorageCRS)
	assert.Contains(t, c.CRS, c.StorageCRS)
	return c.CRS
}

// TestSystems holds the list of systems to the EPSG dataset: Alder Bend lies
// in UTM zone 15 north and in the central zone of Wisconsin, of which there
// are a grid in metres, EPSG:32153, and one in feet, EPSG:2288.
func TestSystems(t *testing.T) {
	s, store := fixture(t)
	for _, collection := range []string{"sites", "points", "river"} {
		assert.ElementsMatch(t, []string{crs84, crs84h, epsg4326, epsg + "4979", epsg + "3857", epsg + "32615", epsg + "32153", epsg + "2288"}, systemsOf(t, s, collection), collection)
	}
	for name, c := range map[string]struct {
		shape orb.Geometry
		want  []string
	}{
		"south of the equator":      {orb.Point{174.76, -36.85}, []string{crs84, crs84h, epsg4326, epsg + "4979", epsg + "3857", epsg + "32760"}},
		"on the equator":            {orb.LineString{{32.5, -0.1}, {32.6, 0.1}}, []string{crs84, crs84h, epsg4326, epsg + "4979", epsg + "3857", epsg + "32636", epsg + "32736"}},
		"too wide for any zone":     {orb.LineString{{-120, 40}, {20, 41}}, []string{crs84, crs84h, epsg4326, epsg + "4979", epsg + "3857"}},
		"beyond the map's top edge": {orb.Point{10, 89}, []string{crs84, crs84h, epsg4326, epsg + "4979"}}, // UTM and web Mercator end at 84° and 85.06°
	} {
		t.Run(name, func(t *testing.T) {
			addLayer(t, store, survey.Layer{ID: "other", Title: "Other", Role: survey.RoleOther}, c.shape)
			assert.ElementsMatch(t, c.want, systemsOf(t, s, "other"))
		})
	}
	_, err := store.AddLayer(t.Context(), survey.Layer{ID: "empty", Title: "Empty", Role: survey.RoleOther}, func(func(survey.LayerFeature, error) bool) {}, author)
	require.NoError(t, err)
	assert.ElementsMatch(t, []string{crs84, crs84h, epsg4326, epsg + "4979", epsg + "3857"}, systemsOf(t, s, "empty"))
}

// TestOutputSystems compares positions in every system with PROJ's, and boxes
// and filters round them find their feature again.
func TestOutputSystems(t *testing.T) {
	s, _ := fixture(t)
	at := orb.Point{-91.2045, 44.6513} // of p-good
	for _, uri := range systemsOf(t, s, "points") {
		t.Run(uri[len(uri)-6:], func(t *testing.T) {
			want := at
			if code, ok := strings.CutPrefix(uri, epsg); ok {
				want = cs2cs(t, code, at)
			}
			near, metre := 1e-9, 1e-5
			if math.Abs(want[0]) > 360 {
				near, metre = 2e-3, 3 // some are in feet
			}
			item := call(t, s, http.MethodGet, "/api/collections/points/items/p-good?crs="+uri, "")
			assert.Equal(t, "<"+uri+">", item.Header.Get("Content-Crs"))
			got := parse[struct {
				Geometry struct{ Coordinates orb.Point }
			}](t, item).Geometry.Coordinates
			assert.InDelta(t, want[0], got[0], near)
			assert.InDelta(t, want[1], got[1], near)

			box := fmt.Sprintf("%.9f,%.9f,%.9f,%.9f", want[0]-metre, want[1]-metre, want[0]+metre, want[1]+metre)
			for name, query := range map[string]string{
				"bbox":      "bbox=" + box + "&bbox-crs=" + uri,
				"filter":    "filter=" + url.QueryEscape("S_INTERSECTS(geometry,BBOX("+box+"))") + "&filter-crs=" + uri,
				"cql2-json": "filter-lang=cql2-json&filter=" + url.QueryEscape(`{"op":"s_within","args":[{"property":"geometry"},{"bbox":[`+box+`]}]}`) + "&filter-crs=" + uri,
			} {
				res := call(t, s, http.MethodGet, "/api/collections/points/items?"+query, "")
				assert.Equal(t, "<"+crs84+">", res.Header.Get("Content-Crs"))
				assert.Equal(t, []string{"p-good"}, idsOf(parse[featurePage](t, res)), name)
			}
		})
	}
}

func idsOf(p featurePage) []string {
	out := []string{}
	for _, f := range p.Features {
		out = append(out, fmt.Sprint(f["id"]))
	}
	return out
}

// TestAxisOrder is the trap of EPSG:4326, whose latitude comes first; heights
// stay where they are.
func TestAxisOrder(t *testing.T) {
	s, store := fixture(t)
	at := "/api/collections/points/items/"
	feature := func(x, y float64) string {
		return fmt.Sprintf(`{"type":"Feature","geometry":{"type":"Point","coordinates":[%v,%v,251.5]},"properties":{"site":"AB-1","label":"N1"}}`, x, y)
	}
	coordinates := func(target string) []float64 {
		return parse[struct {
			Geometry struct{ Coordinates []float64 }
		}](t, call(t, s, http.MethodGet, target, "")).Geometry.Coordinates
	}
	send := func(id, body, system string) *http.Response {
		return call(t, s, http.MethodPut, at+id, body, "Content-Type: "+geoJSON, "If-None-Match: *", "Content-Crs: <"+system+">")
	}
	require.Equal(t, http.StatusCreated, send("a", feature(44.65, -91.2), epsg4326).StatusCode)
	assert.Equal(t, []float64{-91.2, 44.65, 251.5}, coordinates(at+"a"))
	assert.Equal(t, []float64{44.65, -91.2, 251.5}, coordinates(at+"a?crs="+epsg4326))
	require.Equal(t, http.StatusCreated, send("b", feature(-91.2, 44.65), crs84).StatusCode)
	assert.Equal(t, []float64{-91.2, 44.65, 251.5}, coordinates(at+"b"))
	require.Equal(t, http.StatusCreated, send("h", feature(44.65, -91.2), epsg+"4979").StatusCode)
	assert.Equal(t, []float64{-91.2, 44.65, 251.5}, coordinates(at+"h?crs="+crs84h))
	assert.Equal(t, []float64{44.65, -91.2, 251.5}, coordinates(at+"h?crs="+epsg+"4979"))
	utm := cs2cs(t, "32615", orb.Point{-91.2, 44.65})
	require.Equal(t, http.StatusCreated, send("c", feature(utm[0], utm[1]), epsg+"32615").StatusCode)
	got := coordinates(at + "c")
	assert.InDelta(t, -91.2, got[0], 1e-9)
	assert.InDelta(t, 44.65, got[1], 1e-9)
	checkProblem(t, send("d", feature(1, 2), epsg+"27700"), http.StatusBadRequest)
	checkProblem(t, send("e", feature(1e9, 2), epsg+"32615"), http.StatusBadRequest)

	addLayer(t, store, survey.Layer{ID: "dateline", Title: "Dateline", Role: survey.RoleOther}, orb.Point{179.5, 0}, orb.Point{-179.5, 0}, orb.Point{0, 0})
	for query, want := range map[string][]string{
		"bbox=179,-1,-179,1":                                   {"1", "2"},
		"bbox=-1,179,1,-179&bbox-crs=" + epsg4326:              {"1", "2"},
		"bbox=-1,-179,1,179&bbox-crs=" + epsg4326:              {"3"},
		"bbox=-1,-179,0,1,179,9&bbox-crs=" + epsg + "4979":     {"3"},
		"bbox=179,-1,0,-179,1,9&bbox-crs=" + crs84h:            {"1", "2"},
		"bbox=-3e7,-3e7,3e7,3e7&bbox-crs=" + epsg + "3857":     {"1", "2", "3"}, // more than the map shows
		"bbox=1.99e7,-10,-1.99e7,10&bbox-crs=" + epsg + "3857": {"1", "2"},
	} {
		res := call(t, s, http.MethodGet, "/api/collections/dateline/items?"+query, "")
		require.Equal(t, http.StatusOK, res.StatusCode, query)
		assert.Equal(t, want, idsOf(parse[featurePage](t, res)), query)
	}
}

// TestSystemsRefused names a system that is known but not offered, a misspelt
// one and coordinates that lie nowhere.
func TestSystemsRefused(t *testing.T) {
	s, _ := fixture(t)
	for query, name := range map[string]string{
		"crs=" + epsg + "27700": "crs",
		"crs=EPSG:4326":         "crs",
		"crs=":                  "crs",
		"bbox=0,0,1,1&bbox-crs=" + epsg + "27700": "bbox-crs",
		"bbox-crs=x": "bbox-crs",
		"bbox=0,0,1,1&bbox-crs=" + epsg + "32615":        "bbox", // degrees where metres belong
		"bbox=9,9,1,1&bbox-crs=" + epsg + "32615":        "bbox",
		"bbox=1,2,3&bbox-crs=" + epsg + "32615":          "bbox",
		"bbox=-91,44,-90,45&bbox-crs=" + epsg4326:        "bbox", // longitude first where latitude belongs
		"filter=label='A1'&filter-crs=" + epsg + "99999": "filter-crs",
	} {
		p := checkProblem(t, call(t, s, http.MethodGet, "/api/collections/points/items?"+query, ""), http.StatusBadRequest)
		if assert.Len(t, p.Errors, 1, query) {
			assert.Equal(t, name, p.Errors[0].Parameter, query)
		}
	}
	checkProblem(t, call(t, s, http.MethodGet, "/api/collections/points/items/p-good?crs="+epsg+"27700", ""), http.StatusBadRequest)
}
