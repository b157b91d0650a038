package server_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/geojson"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// asked keeps what a client asks of a server.
type asked struct {
	http.Handler
	mu      sync.Mutex
	targets []string
}

func (a *asked) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a.mu.Lock()
	a.targets = append(a.targets, r.URL.RequestURI())
	a.mu.Unlock()
	a.Handler.ServeHTTP(w, r)
}

// forget starts the list of requests anew.
func (a *asked) forget() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.targets = nil
}

func (a *asked) items() []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(a.targets), func(t string) bool { return !strings.Contains(t, "/items?") })
}

func gdal(t *testing.T, program string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), tool(t, program), args...)
	cmd.Env = append(os.Environ(), "CPL_LOG=/dev/null", "OGR_GEOJSON_MAX_OBJ_SIZE=0")
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, "%s %v: %s", program, args, stderr.String())
	assert.NotContains(t, stderr.String(), "ERROR")
	return string(out)
}

// wells is a layer of many points whose properties follow from their number.
func wells(n int) []survey.LayerFeature {
	rng := rand.New(rand.NewPCG(11, 11)) // fixed seed
	out := make([]survey.LayerFeature, n)
	for i := range out {
		out[i] = survey.LayerFeature{
			Geometry:   orb.Point{-91.5 + rng.Float64(), 44.2 + rng.Float64()},
			Heights:    []float64{float64(i%300) + 0.5},
			Properties: json.RawMessage(fmt.Sprintf(`{"name":"W %d","depth_m":%v,"owner":%d}`, i+1, float64(i%50)+0.25, i%7)),
		}
	}
	return out
}

func addFeatures(t testing.TB, store *sqlite.Store, l survey.Layer, fs []survey.LayerFeature) {
	t.Helper()
	_, err := store.AddLayer(t.Context(), l, func(yield func(survey.LayerFeature, error) bool) {
		for _, f := range fs {
			if !yield(f, nil) {
				return
			}
		}
	}, author)
	require.NoError(t, err)
}

// TestGDALReadsTheAPI has GDAL's OGC API - Features client list, page through
// 21,000 features, choose by box and by attribute, and compares every feature
// it delivers with what was stored.
func TestGDALReadsTheAPI(t *testing.T) {
	s, store := fixture(t)
	const many = 21_000
	stored := wells(many)
	addFeatures(t, store, survey.Layer{ID: "wells", Title: "Wells", Role: survey.RoleOther}, stored)
	log := &asked{Handler: s}
	web := httptest.NewServer(log)
	defer web.Close()
	source := "OAPIF:" + web.URL + "/api"
	read := func(layer string, args ...string) []*geojson.Feature {
		t.Helper()
		log.forget()
		out := filepath.Join(t.TempDir(), "out.geojson")
		gdal(t, "ogr2ogr", slices.Concat([]string{"-f", "GeoJSON", "-lco", "COORDINATE_PRECISION=15", out, source, layer, "-oo", "PAGE_SIZE=1000"}, args)...)
		text, err := os.ReadFile(out)
		require.NoError(t, err)
		fc, err := geojson.UnmarshalFeatureCollection(text)
		require.NoError(t, err)
		return fc.Features
	}
	number := func(f *geojson.Feature) int {
		n, err := strconv.Atoi(strings.TrimPrefix(f.Properties["name"].(string), "W "))
		require.NoError(t, err)
		return n
	}

	list := gdal(t, "ogrinfo", "-ro", source)
	for _, title := range []string{"sites (title: Sites)", "points (title: Points)", "river (title: River)", "wells (title: Wells)"} {
		assert.Contains(t, list, title)
	}
	summary := gdal(t, "ogrinfo", "-ro", "-so", source, "wells")
	assert.Contains(t, summary, fmt.Sprintf("Feature Count: %d", many))
	assert.Contains(t, summary, "depth_m: Real")
	assert.Contains(t, summary, "owner: Integer")

	all := read("wells")
	require.Len(t, all, many)
	assert.Len(t, log.items(), 1+many/1000, "GDAL looks at the first page twice")
	seen := map[int]bool{}
	for _, f := range all {
		n := number(f)
		require.False(t, seen[n], "feature %d came twice", n)
		seen[n] = true
		was := stored[n-1]
		assert.InDelta(t, was.Geometry.(orb.Point)[0], f.Geometry.(orb.Point)[0], 1e-12)
		assert.InDelta(t, was.Geometry.(orb.Point)[1], f.Geometry.(orb.Point)[1], 1e-12)
		assert.InDelta(t, float64((n-1)%50)+0.25, f.Properties["depth_m"], 0)
		assert.EqualValues(t, (n-1)%7, f.Properties["owner"])
	}

	box := orb.Bound{Min: orb.Point{-91.2, 44.5}, Max: orb.Point{-91.1, 44.6}}
	inBox := 0
	for _, w := range stored {
		if box.Contains(w.Geometry.(orb.Point)) {
			inBox++
		}
	}
	require.Greater(t, inBox, 100)
	assert.Len(t, read("wells", "-spat", "-91.2", "44.5", "-91.1", "44.6"), inBox)
	assert.Contains(t, log.items()[len(log.items())-1], "bbox=", "the server chooses")

	third := read("wells", "-where", "owner = 3")
	assert.Len(t, third, many/7)
	assert.Contains(t, log.items()[len(log.items())-1], "owner=3", "the server chooses")
	one := read("wells", "-where", "name = 'W 20999'")
	require.Len(t, one, 1)
	assert.Equal(t, 20999, number(one[0]))
	assert.Contains(t, log.items()[len(log.items())-1], "name=W%2020999")
	deep := read("wells", "-where", "depth_m > 49 AND owner = 1", "-spat", "-91.2", "44.2", "-90.5", "45.2")
	for _, f := range deep {
		assert.Greater(t, f.Properties["depth_m"], 49.0)
		assert.EqualValues(t, 1, f.Properties["owner"])
		assert.Greater(t, f.Geometry.(orb.Point)[0], -91.2)
	}
	assert.Greater(t, len(deep), 20)

	points := read("points")
	require.Len(t, points, 4)
	for _, p := range points {
		if p.Properties["label"] == "A1" {
			assert.Equal(t, orb.Point{-91.2045, 44.6513}, p.Geometry)
		}
	}
	assert.Len(t, read("points", "-where", "label = 'A1'"), 1)
	fid := gdal(t, "ogrinfo", "-ro", "-q", source, "wells", "-fid", "77")
	assert.Contains(t, fid, "name (String) = W 77")
	assert.Contains(t, fid, fmt.Sprintf(" %g)", 76.5), "the height")
}

// TestGDALReadsTheTiles has GDAL's vector tile reader decode tiles, and
// compares positions with GDAL's own projection of what was stored: on the
// tile's grid of 4096 they are off by half a unit at most.
func TestGDALReadsTheTiles(t *testing.T) {
	s, store := fixture(t)
	stored := wells(2500)
	addFeatures(t, store, survey.Layer{ID: "wells", Title: "Wells", Role: survey.RoleOther}, stored)
	decode := func(target string, z, x, y int) []*geojson.Feature {
		t.Helper()
		res := call(t, s, http.MethodGet, target, "")
		require.Equal(t, http.StatusOK, res.StatusCode)
		require.Equal(t, "application/vnd.mapbox-vector-tile", res.Header.Get("Content-Type"))
		dir := t.TempDir()
		in, out := filepath.Join(dir, "tile.mvt"), filepath.Join(dir, "out.geojson")
		require.NoError(t, os.WriteFile(in, []byte(bodyOf(t, res)), 0o600))
		gdal(t, "ogr2ogr", "-f", "GeoJSON", "-lco", "COORDINATE_PRECISION=15", "-t_srs", "EPSG:4326", out, "MVT:"+in,
			"-oo", fmt.Sprint("X=", x), "-oo", fmt.Sprint("Y=", y), "-oo", fmt.Sprint("Z=", z), "-oo", "CLIP=NO")
		text, err := os.ReadFile(out)
		require.NoError(t, err)
		fc, err := geojson.UnmarshalFeatureCollection(text)
		require.NoError(t, err)
		return fc.Features
	}
	const z, x, y = 9, 126, 184 // longitude -91.406 to -90.703, latitude 44.590 to 45.089
	got := decode(fmt.Sprintf("/api/collections/wells/tiles/WebMercatorQuad/%d/%d/%d", z, y, x), z, x, y)
	unit := 360.0 / 512 / 4096
	inside := map[int]bool{}
	for i, w := range stored {
		p := w.Geometry.(orb.Point)
		if p[0] > -91.40625+unit && p[0] < -90.703125-unit && p[1] > 44.590467+unit && p[1] < 45.089036-unit {
			inside[i+1] = true
		}
	}
	require.Greater(t, len(inside), 300)
	for _, f := range got {
		n, err := strconv.Atoi(strings.TrimPrefix(f.Properties["name"].(string), "W "))
		require.NoError(t, err)
		was := stored[n-1].Geometry.(orb.Point)
		assert.InDelta(t, was[0], f.Geometry.(orb.Point)[0], unit*0.51)
		assert.InDelta(t, was[1], f.Geometry.(orb.Point)[1], unit*0.51)
		assert.EqualValues(t, (n-1)%7, f.Properties["owner"])
		assert.InDelta(t, float64((n-1)%50)+0.25, f.Properties["depth_m"], 1e-9)
		assert.EqualValues(t, n, f.Properties["mvt_id"])
		delete(inside, n)
	}
	assert.Empty(t, inside, "every well of the tile is shown")

	// The tile that holds Alder Bend and Quarry Road.
	bend := func(collection string) []*geojson.Feature {
		return decode("/api/collections/"+collection+"/tiles/WebMercatorQuad/13/2958/2020", 13, 2020, 2958)
	}
	sites := bend("sites")
	require.Len(t, sites, 2)
	assert.Equal(t, "Alder Bend", sites[0].Properties["name"])
	assert.Equal(t, "signed", sites[0].Properties["review.state"])
	assert.Equal(t, "s-alder", sites[0].Properties["id"])
	line, ok := sites[0].Geometry.(orb.LineString)
	require.True(t, ok, "%T", sites[0].Geometry)
	assert.InDelta(t, -91.2062, line[0].Lon(), 1e-5)
	points := bend("points")
	assert.Len(t, points, 4)
	for _, p := range points {
		assert.NotContains(t, p.Properties, "surveyed_by")
	}
	river := bend("river")
	require.Len(t, river, 1)
	area, ok := river[0].Geometry.(orb.Polygon)
	require.True(t, ok, "%T", river[0].Geometry)
	assert.InDelta(t, -91.2075, area.Bound().Left(), 1e-5)
	named := decode("/api/collections/points/tiles/WebMercatorQuad/13/2958/2020?properties=surveyed_by,label", 13, 2020, 2958)
	for _, p := range named {
		assert.Contains(t, p.Properties, "label")
		assert.NotContains(t, p.Properties, "site")
	}
}
