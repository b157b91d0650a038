package exchange_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/exchange"
)

// ogr2ogr runs GDAL's converter; without it the test is skipped, except in CI.
func ogr2ogr(t *testing.T, args ...string) []byte {
	t.Helper()
	path, err := exec.LookPath("ogr2ogr")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("ogr2ogr is needed here: install gdal-bin")
		}
		t.Skip("ogr2ogr is not installed (package gdal-bin)")
	}
	cmd := exec.Command(path, args...)
	var out, complaints bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaints
	require.NoError(t, cmd.Run(), "ogr2ogr %v: %s", args, &complaints)
	return out.Bytes()
}

func someFeatures() []survey.LayerFeature {
	props := func(n int) []byte { return fmt.Appendf(nil, `{"name":"Größe, \"%d\"","n":%d.5}`, n, n) }
	nested := orb.Ring{{0.2, 0.2}, {0.2, 0.4}, {0.4, 0.4}, {0.4, 0.2}, {0.2, 0.2}}
	outer := orb.Ring{{0, 0}, {1, 0}, {1, 1}, {0, 1}, {0, 0}}
	out := []survey.LayerFeature{
		{Geometry: orb.Point{-91.2050123456789, 44.65}, Heights: []float64{231.25}},
		{Geometry: orb.LineString{{-91.2, 44.65}, {-91.1, 44.7}}, Heights: []float64{0, -12.5}},
		{Geometry: orb.Polygon{outer, nested}},
		{Geometry: orb.MultiPoint{{1, 2}, {3, 4}}},
		{Geometry: orb.MultiLineString{{{1, 2}, {3, 4}}, {{5, 6}, {7, 8}}}, Heights: []float64{1, 2, 3, 4}},
		{Geometry: orb.MultiPolygon{{outer}, {{{10, 10}, {11, 10}, {11, 11}, {10, 10}}}}},
		{Geometry: orb.Collection{orb.Point{20, 20}, orb.LineString{{20, 20}, {21, 21}}}},
	}
	for i := range out {
		out[i].Properties = props(i)
	}
	return out
}

// What is written here GDAL reads the same, and what GDAL writes is read the
// same here, whichever way it goes round.
func TestGDALReadsAndWritesTheSame(t *testing.T) {
	want := someFeatures()
	for _, written := range formats {
		t.Run(string(written), func(t *testing.T) {
			ending := map[exchange.Format]string{exchange.GeoJSON: "geojson", exchange.TextSequence: "geojsons", exchange.CSV: "csv"}[written]
			path := filepath.Join(t.TempDir(), "layer."+ending)
			var b bytes.Buffer
			require.NoError(t, writeLayer(&b, written, sequence(want)))
			require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
			for name, back := range map[string][]string{
				"GeoJSON":       {"-f", "GeoJSON", "-lco", "RFC7946=NO", "-lco", "COORDINATE_PRECISION=15"},
				"text sequence": {"-f", "GeoJSONSeq", "-lco", "RS=YES", "-lco", "COORDINATE_PRECISION=15"},
				"lines":         {"-f", "GeoJSONSeq", "-lco", "COORDINATE_PRECISION=15"},
				"CSV":           {"-f", "CSV", "-lco", "GEOMETRY=AS_WKT"},
				"semicolons":    {"-f", "CSV", "-lco", "GEOMETRY=AS_WKT", "-lco", "SEPARATOR=SEMICOLON"},
				"tabs":          {"-f", "CSV", "-lco", "GEOMETRY=AS_WKT", "-lco", "SEPARATOR=TAB"},
			} {
				args := append(back, "/vsistdout/", path, "-a_srs", "EPSG:4326")
				if written == exchange.CSV {
					args = append(args, "-oo", "AUTODETECT_TYPE=YES", "-oo", "KEEP_GEOM_COLUMNS=NO")
				}
				got, report, err := exchange.ReadLayer(bytes.NewReader(ogr2ogr(t, args...)), "", exchange.Options{})
				require.NoError(t, err, name)
				require.Equal(t, len(want), len(got), "%s: %s", name, report)
				for i, f := range got {
					assert.Equal(t, want[i].Geometry, f.Geometry, name)
					assert.Equal(t, want[i].Heights, f.Heights, name)
					var props struct {
						Name string
						N    float64
					}
					require.NoError(t, json.Unmarshal(f.Properties, &props), name)
					assert.Equal(t, fmt.Sprintf(`Größe, "%d"`, i), props.Name, name)
					assert.Equal(t, float64(i)+0.5, props.N, name)
				}
			}
		})
	}
}

// An area is refused here exactly when GEOS, through GDAL, calls it invalid.
func TestValidityAgreesWithGEOS(t *testing.T) {
	const seed = 20261125
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	var b bytes.Buffer
	b.WriteString("n,wkt\n")
	for n := range 400 {
		at := func(size float64) orb.Point { // a coarse lattice, so that rings touch as well as cross
			return orb.Point{math.Round(rng.Float64()*size) / 4, math.Round(rng.Float64()*size) / 4}
		}
		ring := func(size float64) string {
			s, first := "(", at(size)
			last := orb.Point{}
			for i := range 3 + rng.IntN(4) {
				p := first
				if i > 0 {
					if p = at(size); p == last {
						continue
					}
				}
				s += fmt.Sprintf("%g %g,", p[0], p[1])
				last = p
			}
			return s + fmt.Sprintf("%g %g)", first[0], first[1])
		}
		polygon := "(" + ring(16)
		if n%3 == 0 {
			polygon += "," + ring(16)
		}
		fmt.Fprintf(&b, "%d,\"MULTIPOLYGON (%s)\"\n", n, polygon+")")
	}
	path := filepath.Join(t.TempDir(), "areas.csv")
	require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
	said := ogr2ogr(t, "-f", "CSV", "/vsistdout/", path, "-oo", "KEEP_GEOM_COLUMNS=NO",
		"-dialect", "SQLite", "-sql", "SELECT n, ST_IsValid(geometry) AS valid FROM areas")
	geos := map[string]bool{}
	for _, line := range bytes.Split(bytes.TrimSpace(said), []byte("\n"))[1:] {
		n, valid, _ := bytes.Cut(bytes.TrimSpace(line), []byte(","))
		geos[string(bytes.Trim(n, `"`))] = string(bytes.Trim(valid, `"`)) == "1"
	}
	require.Len(t, geos, 400)

	_, report, err := exchange.ReadLayer(&b, "", exchange.Options{})
	require.NoError(t, err)
	valid := 0
	for i, r := range report.Records {
		if geos[fmt.Sprint(i)] {
			valid++
		}
		assert.Equal(t, geos[fmt.Sprint(i)], r.Status != exchange.Refused, "area %d: %v", i, r.Notes)
	}
	t.Logf("%d of 400 areas are valid", valid)
	assert.Greater(t, valid, 50)
	assert.Less(t, valid, 350)
}
