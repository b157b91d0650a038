package exchange_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/exchange"
)

func write(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

func readLayer(t testing.TB, path string, o exchange.Options) ([]survey.LayerFeature, *exchange.Report, string) {
	t.Helper()
	in, err := exchange.Open(path, o)
	require.NoError(t, err)
	defer in.Close()
	features, report := in.Layer(survey.RoleOther)
	var out []survey.LayerFeature
	for f, err := range features {
		require.NoError(t, err)
		out = append(out, f)
	}
	return out, report, in.System()
}

// Files that GDAL has carried to another system and written come back to where
// they were. Expected: the positions GDAL was given; the tolerance is that of
// its coordinates' digits, and of the datum shift where there is one.
func TestGDALFilesInAnySystem(t *testing.T) {
	const seed = 20261125
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 5))
	bank, delta := orb.Point{-91.2, 44.65}, orb.Point{5.4, 52.15}
	for _, c := range []struct {
		epsg   int
		at     orb.Point
		metres float64
	}{
		{26915, bank, 0.01}, // NAD83 / UTM zone 15N
		{3857, bank, 0.01},
		{2288, bank, 0.01}, // NAD83 / Wisconsin Central (ftUS)
		{4269, bank, 0.01}, // NAD83
		{28992, delta, 1},  // Amersfoort / RD New: accurate to 1 m by its Helmert shift (EPSG Dataset)
	} {
		var want []orb.Geometry
		var fs []string
		for i := range 20 {
			p := orb.Point{c.at[0] + rng.Float64()/10, c.at[1] + rng.Float64()/10}
			q := orb.Point{p[0] + 0.002, p[1] + 0.001}
			want = append(want, orb.LineString{p, q})
			fs = append(fs, feature(fmt.Sprintf(`{"type":"LineString","coordinates":[[%.9f,%.9f,%d],[%.9f,%.9f,1]]}`, p[0], p[1], 200+i, q[0], q[1]), fmt.Sprintf(`{"n":%d,"name":"Größe %d"}`, i, i)))
		}
		source := write(t, "source.geojson", collection(fs...))
		srs := fmt.Sprintf("EPSG:%d", c.epsg)
		for _, f := range []struct{ driver, name, crs string }{
			{"GPKG", "out.gpkg", ""},
			{"ESRI Shapefile", "out.shp", ""},
			{"ESRI Shapefile", "out.shz", ""},
			{"GeoJSON", "out.geojson", ""},
			{"CSV", "out.csv", srs},
		} {
			t.Run(fmt.Sprintf("%s %s", srs, f.name), func(t *testing.T) {
				path := filepath.Join(t.TempDir(), f.name)
				args := []string{"-f", f.driver, path, source, "-t_srs", srs}
				if f.driver == "CSV" {
					args = append(args, "-lco", "GEOMETRY=AS_WKT")
				}
				ogr2ogr(t, args...)
				got, report, system := readLayer(t, path, exchange.Options{CRS: f.crs})
				require.Len(t, got, len(want), "%s", report)
				assert.Equal(t, 0, report.Refused)
				assert.Contains(t, system, fmt.Sprint(c.epsg))
				assert.Contains(t, report.String(), "were carried from")
				for i, g := range got {
					for j, p := range g.Geometry.(orb.LineString) {
						w := want[i].(orb.LineString)[j]
						// metres of a degree, near enough for a tolerance
						off := math.Hypot((p[0]-w[0])*111_320*math.Cos(w[1]*math.Pi/180), (p[1]-w[1])*111_320)
						require.Less(t, off, c.metres, "feature %d", i)
					}
					assert.Equal(t, float64(200+i), math.Round(g.Heights[0]), "heights stay")
					var props struct {
						N    int
						Name string
					}
					require.NoError(t, json.Unmarshal(g.Properties, &props))
					assert.Equal(t, i, props.N)
					assert.Equal(t, fmt.Sprintf("Größe %d", i), props.Name)
				}
				if c.epsg == 28992 {
					require.NotNil(t, report.AccuracyM)
					assert.InDelta(t, 1, *report.AccuracyM, 1e-9) // source: EPSG Dataset, transformation 15934 or 4833
				}
			})
		}
	}
}

func TestSystemsThatAreNotSaid(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bare.shp")
	ogr2ogr(t, "-f", "ESRI Shapefile", path, write(t, "p.geojson", collection(feature(pump, `{"a":1}`))), "-t_srs", "EPSG:26915")
	require.NoError(t, os.Remove(strings.TrimSuffix(path, ".shp")+".prj"))
	_, err := exchange.Open(path, exchange.Options{})
	require.ErrorIs(t, err, exchange.ErrNoCRS)
	fs, report, system := readLayer(t, path, exchange.Options{CRS: "EPSG:26915"})
	require.Len(t, fs, 1)
	assert.Equal(t, "EPSG:26915", system)
	assert.InDelta(t, -91.2, fs[0].Geometry.(orb.Point)[0], 1e-7)
	assert.Contains(t, report.String(), "named for this import")

	// The wrong zone: the place would lie outside where it is used.
	fs, report, _ = readLayer(t, path, exchange.Options{CRS: "EPSG:28992"})
	assert.Empty(t, fs)
	assert.Contains(t, report.String(), "outside the area of use")

	for name, c := range map[string]struct{ crs, text, says string }{
		"another one than declared": {"EPSG:26915", `{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::28992"}},"features":[]}`, "says that it is in"},
		"an unknown one":            {"EPSG:999999", `{"type":"FeatureCollection","features":[]}`, "cannot be used"},
		"an unknown declared one":   {"", `{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"moon"}},"features":[]}`, "cannot be used"},
		"a KML in another":          {"EPSG:26915", `<kml xmlns="http://www.opengis.net/kml/2.2"><Document/></kml>`, "says that it is in"},
	} {
		_, err := exchange.Open(write(t, "x", c.text), exchange.Options{CRS: c.crs})
		require.ErrorIs(t, err, survey.ErrInvalid, name)
		assert.ErrorContains(t, err, c.says, name)
	}
}

func TestTables(t *testing.T) {
	path := filepath.Join(t.TempDir(), "two.gpkg")
	source := write(t, "p.geojson", collection(feature(pump, `{"a":1}`)))
	ogr2ogr(t, "-f", "GPKG", path, source, "-nln", "mains")
	ogr2ogr(t, "-f", "GPKG", "-update", path, source, "-nln", "hydrants")
	_, err := exchange.Open(path, exchange.Options{})
	require.ErrorIs(t, err, exchange.ErrTables)
	assert.ErrorContains(t, err, `"mains" (1 records), "hydrants" (1 records)`)
	_, err = exchange.Open(path, exchange.Options{Table: "poles"})
	assert.ErrorContains(t, err, `no table "poles", but "mains"`)
	fs, report, _ := readLayer(t, path, exchange.Options{Table: "Hydrants"})
	assert.Len(t, fs, 1)
	assert.Equal(t, "hydrants", report.Table)
}

// The rules of a record are the same whatever format brings it.
func TestForeignRecordsAreJudgedAlike(t *testing.T) {
	path := filepath.Join(t.TempDir(), "areas.gpkg")
	area := func(ring string) string { return feature(`{"type":"Polygon","coordinates":[[`+ring+`]]}`, `{}`) }
	source := write(t, "areas.geojson", collection(
		area(`[0,0],[1,0],[1,1],[0,1],[0,0]`),
		area(`[0,0],[0,1],[1,1],[1,0],[0,0]`),
		area(`[0,0],[1,1],[1,0],[0,1],[0,0]`),
		area(`[0,0],[1,0],[1,91],[0,0]`),
		feature("null", "{}"),
	))
	ogr2ogr(t, "-f", "GPKG", path, source)
	fs, report, _ := readLayer(t, path, exchange.Options{})
	assert.Len(t, fs, 2)
	for i, says := range []string{"", "1 ring was turned round", "crosses or touches itself", "latitude 91 is beyond ±90", "is null: it has no place"} {
		assert.Contains(t, strings.Join(report.Records[i].Notes, "; "), says, "record %d", i+1)
	}
	assert.Equal(t, []int{1, 1, 3}, []int{report.Accepted, report.Repaired, report.Refused})
}

func TestMapping(t *testing.T) {
	csv := write(t, "county.csv", "PT_NO,X_COORD,Y_COORD,SITE,SOIL_CLS,SLOPE,REMARKS\n"+
		"1,552000,4944000,KB,Type B,12.5,near the oak\n"+
		"2,552010,4944010,KB,Type D,,\n")
	m, err := exchange.MapPoints([]byte(`{
		"columns":{"PT_NO":"label","X_COORD":"lon","Y_COORD":"lat","SITE":"site","SOIL_CLS":"ground.class","SLOPE":"terrain/slope_deg","REMARKS":""},
		"values":{"ground.class":{"Type B":"B"}}}`))
	require.NoError(t, err)
	in, err := exchange.Open(csv, exchange.Options{CRS: "EPSG:26915", Map: m})
	require.NoError(t, err)
	defer in.Close()
	points, report, err := exchange.Collect(in.Points())
	require.NoError(t, err)
	require.Len(t, points, 1, "%s", report)
	p := points[0]
	assert.Equal(t, []string{"1", "KB", "B"}, []string{p.Label, p.Site, string(p.Ground.Class)})
	assert.Equal(t, survey.Known(12.5), p.Terrain.SlopeDeg)
	// source: echo 552000 4944000 | cs2cs EPSG:26915 EPSG:4326
	assert.InDelta(t, -92.34424, p.Position[0], 1e-5)
	assert.InDelta(t, 44.64748, p.Position[1], 1e-5)
	assert.Contains(t, report.String(), `ground.class: the value "Type D" is not in the mapping (1 records)`)
	assert.Contains(t, report.String(), `refused record 2 "2": /properties/ground/class: "Type D" is not one of: rock, A, B, C, unknown`)

	delete(m.Columns, "REMARKS")
	delete(m.Columns, "SLOPE")
	in, err = exchange.Open(csv, exchange.Options{CRS: "EPSG:26915", Map: m})
	require.NoError(t, err)
	defer in.Close()
	_, _, err = exchange.Collect(in.Points())
	require.ErrorIs(t, err, survey.ErrInvalid)
	assert.ErrorContains(t, err, `"SLOPE" is not known`)
	assert.ErrorContains(t, err, `"REMARKS" is not known`)

	for name, c := range map[string]struct{ text, says string }{
		"no JSON":               {`columns`, "the mapping is not like"},
		"another key":           {`{"colums":{}}`, "the mapping is not like"},
		"no such property":      {`{"columns":{"S":"ground.klass"}}`, `"ground.klass", which is no property`},
		"a misspelt one":        {`{"columns":{"S":"slope"}}`, "did you mean terrain.slope_deg?"},
		"two to one":            {`{"columns":{"A":"label","B":"label"}}`, `"A" and "B" both become label`},
		"values of no property": {`{"values":{"anchors":{"a":"b"}}}`, `values are given for "anchors"`},
	} {
		_, err := exchange.MapPoints([]byte(c.text))
		require.ErrorIs(t, err, survey.ErrInvalid, name)
		assert.ErrorContains(t, err, c.says, name)
	}
}

func TestReadingCanBeStopped(t *testing.T) {
	stop := errors.New("stop")
	path := write(t, "p.geojson", collection(feature(pump, `{}`), feature(pump, `{}`), feature(pump, `{}`)))
	in, err := exchange.Open(path, exchange.Options{Each: func(done int) error {
		if done == 2 {
			return stop
		}
		return nil
	}})
	require.NoError(t, err)
	defer in.Close()
	n := 0
	features, _ := in.Layer(survey.RoleOther)
	for _, err = range features {
		if err == nil {
			n++
		}
	}
	assert.ErrorIs(t, err, stop)
	assert.Equal(t, 1, n)
}
