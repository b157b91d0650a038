package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// gdal runs one of GDAL's programs; without it the test is skipped, except in CI.
func gdal(t *testing.T, program string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is needed here: install gdal-bin", program)
		}
		t.Skipf("%s is not installed (package gdal-bin)", program)
	}
	var out, complaints bytes.Buffer
	cmd := exec.CommandContext(t.Context(), path, args...)
	cmd.Stdout, cmd.Stderr = &out, &complaints
	require.NoError(t, cmd.Run(), "%s %v: %s", program, args, &complaints)
	return out.String()
}

func ok(t *testing.T, r result) result {
	t.Helper()
	require.Equal(t, exitDone, r.code, r.err)
	return r
}

// What is taken out as GeoJSON, taken in again by way of each format that can
// hold it all, is the same to the byte.
func TestExportsComeBackWhole(t *testing.T) {
	atlas, dir := district(t), t.TempDir()
	want := map[string]string{}
	for _, c := range []string{"sites", "points"} {
		to := filepath.Join(dir, c+".geojson")
		ok(t, call(t, "", "export", "--collection", c, "--to", to, "--atlas", atlas))
		b, err := os.ReadFile(to)
		require.NoError(t, err)
		want[c] = string(b)
		var fc struct{ Features []json.RawMessage }
		require.NoError(t, json.Unmarshal(b, &fc))
		require.NotEmpty(t, fc.Features)
	}
	for _, ending := range []string{"geojson", "geojsonl", "gpkg", "kml", "csv"} {
		again := filepath.Join(t.TempDir(), "again.db")
		for _, c := range []string{"sites", "points"} {
			to := filepath.Join(t.TempDir(), c+"."+ending)
			ok(t, call(t, "", "export", "--collection", c, "--to", to, "--atlas", atlas))
			r := ok(t, call(t, "", "import", "--"+c, to, "--atlas", again))
			assert.Contains(t, r.out, " 0 repaired, 0 refused", ending)
			back := filepath.Join(t.TempDir(), "back.geojson")
			ok(t, call(t, "", "export", "--collection", c, "--to", back, "--atlas", again))
			b, err := os.ReadFile(back)
			require.NoError(t, err)
			assert.Equal(t, want[c], string(b), "%s by way of %s", c, ending)
		}
	}
	// GPX holds points only, under the same names.
	to := filepath.Join(dir, "points.gpx")
	ok(t, call(t, "", "export", "--collection", "points", "--to", to, "--atlas", atlas))
	again := filepath.Join(t.TempDir(), "again.db")
	ok(t, call(t, "", "import", "--sites", filepath.Join(dir, "sites.geojson"), "--atlas", again))
	ok(t, call(t, "", "import", "--points", to, "--atlas", again))
	back := filepath.Join(dir, "back.geojson")
	ok(t, call(t, "", "export", "--collection", "points", "--to", back, "--atlas", again))
	b, err := os.ReadFile(back)
	require.NoError(t, err)
	assert.Equal(t, want["points"], string(b), "by way of GPX")
}

// GDAL finds in each format as many records as the atlas holds, and the values
// of one of them.
func TestGDALReadsExports(t *testing.T) {
	atlas := district(t)
	for _, ending := range []string{"geojson", "geojsonl", "gpkg", "zip", "kml", "gpx", "csv"} {
		t.Run(ending, func(t *testing.T) {
			to := filepath.Join(t.TempDir(), "points."+ending)
			r := ok(t, call(t, "", "export", "--collection", "points", "--to", to, "--json", "--atlas", atlas))
			var said struct {
				Records int
				CRS     string
				Losses  []string
			}
			require.NoError(t, json.Unmarshal([]byte(r.out), &said))
			assert.Equal(t, "OGC:CRS84", said.CRS)
			for _, l := range said.Losses {
				assert.Contains(t, r.err, l, "losses are said on standard error too")
			}
			name, layer := to, "points"
			switch ending {
			case "zip":
				name = "/vsizip/" + to
			case "gpx":
				layer = "waypoints"
			}
			seen := gdal(t, "ogrinfo", "-ro", "-so", name, layer)
			assert.Contains(t, seen, fmt.Sprintf("Feature Count: %d\n", said.Records))
			if ending == "geojson" || ending == "geojsonl" {
				assert.Empty(t, said.Losses, "GeoJSON holds everything")
			}
		})
	}
	to := filepath.Join(t.TempDir(), "b.gpkg")
	ok(t, call(t, "", "export", "--collection", "points", "--to", to, "--filter", "ground.class = 'B'", "--atlas", atlas))
	all := filepath.Join(t.TempDir(), "all.gpkg")
	ok(t, call(t, "", "export", "--collection", "points", "--to", all, "--atlas", atlas))
	count := func(file, where string) string {
		seen := gdal(t, "ogrinfo", "-ro", "-so", "-where", where, file, "points")
		_, n, _ := strings.Cut(seen, "Feature Count: ")
		n, _, _ = strings.Cut(n, "\n")
		return n
	}
	assert.Equal(t, count(all, `"ground.class" = 'B'`), count(to, "1=1"), "the filter keeps what GDAL's does")
	assert.Equal(t, "0", count(to, `"ground.class" <> 'B' OR "ground.class" IS NULL`))
}

// A layer goes out in the county's own system, and GDAL brings it back to
// where it was; our own import does too.
func TestExportInAnotherSystem(t *testing.T) {
	atlas, dir := district(t), t.TempDir()
	prj := filepath.Join(dir, "utm.prj")
	require.NoError(t, os.WriteFile(prj, []byte(gdal(t, "gdalsrsinfo", "-o", "wkt1", "EPSG:26915")), 0o600))
	want := filepath.Join(dir, "water.geojson")
	ok(t, call(t, "", "export", "--collection", "water", "--to", want, "--atlas", atlas))
	for i, ending := range []string{"gpkg", "zip"} {
		to := filepath.Join(dir, "water."+ending)
		r := ok(t, call(t, "", "export", "--collection", "water", "--to", to, "--crs", []string{"EPSG:26915", prj}[i], "--atlas", atlas))
		assert.Contains(t, r.out, "EPSG:26915")
		args := []string{"-f", "GeoJSON", "/vsistdout/", strings.Replace(to, dir, map[string]string{"zip": "/vsizip/"}[ending]+dir, 1), "water", "-t_srs", "EPSG:4326", "-lco", "RFC7946=YES", "-lco", "COORDINATE_PRECISION=9"}
		same(t, want, gdal(t, "ogr2ogr", args...))

		r = ok(t, call(t, "", "import", to, "--layer", "Back "+ending, "--role", "water", "--atlas", atlas))
		assert.Contains(t, r.out, " 0 repaired, 0 refused")
		back := filepath.Join(dir, "back.geojson")
		ok(t, call(t, "", "export", "--collection", "back-"+ending, "--to", back, "--atlas", atlas))
		b, err := os.ReadFile(back)
		require.NoError(t, err)
		same(t, want, string(b))
	}
	call(t, "", "export", "--collection", "water", "--to", filepath.Join(dir, "w.kml"), "--crs", "EPSG:26915", "--atlas", atlas).sentence(t, exitFailed, "longitude and latitude on WGS 84")
	call(t, "", "export", "--collection", "water", "--to", filepath.Join(dir, "w.csv"), "--crs", "EPSG:28992", "--atlas", atlas).sentence(t, exitFailed, "outside the area of use")
	assert.NoFileExists(t, filepath.Join(dir, "w.csv"))
}

// same compares the coordinates of two GeoJSON files to a ten-millionth of a
// degree, about a centimetre.
func same(t *testing.T, file, text string) {
	t.Helper()
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	want, got := numbers(t, b), numbers(t, []byte(text))
	require.Equal(t, len(want), len(got))
	for i := range want {
		require.InDelta(t, want[i], got[i], 1e-7)
	}
}

func numbers(t *testing.T, text []byte) []float64 {
	t.Helper()
	var fc struct {
		Features []struct{ Geometry struct{ Coordinates any } }
	}
	require.NoError(t, json.Unmarshal(text, &fc))
	require.NotEmpty(t, fc.Features)
	var out []float64
	var walk func(any)
	walk = func(v any) {
		switch v := v.(type) {
		case float64:
			out = append(out, v)
		case []any:
			for _, one := range v {
				walk(one)
			}
		}
	}
	for _, f := range fc.Features {
		walk(f.Geometry.Coordinates)
	}
	return out
}

func TestWrongExports(t *testing.T) {
	atlas, dir := district(t), t.TempDir()
	to := filepath.Join(dir, "x.csv")
	for name, c := range map[string]struct {
		code int
		args []string
		says string
	}{
		"no such layer":      {exitFailed, []string{"--collection", "moat", "--to", to}, "there are sites, points"},
		"no format":          {exitUsage, []string{"--collection", "sites", "--to", filepath.Join(dir, "x.doc")}, "end the name in"},
		"half a box":         {exitUsage, []string{"--collection", "sites", "--to", to, "--bbox", "1,2,3"}, "west,south,east,north"},
		"a box upside down":  {exitUsage, []string{"--collection", "sites", "--to", to, "--bbox", "1,50,3,40"}, "west,south,east,north"},
		"an unknown system":  {exitFailed, []string{"--collection", "sites", "--to", to, "--crs", "EPSG:1"}, "coordinate system"},
		"a broken filter":    {exitFailed, []string{"--collection", "sites", "--to", to, "--filter", "name ="}, "filter"},
		"an unknown folder":  {exitFailed, []string{"--collection", "sites", "--to", filepath.Join(dir, "no", "x.csv")}, "x.csv"},
		"a missing prj file": {exitFailed, []string{"--collection", "sites", "--to", to, "--crs", filepath.Join(dir, "no.prj")}, "there is no file"},
	} {
		t.Run(name, func(t *testing.T) {
			before := sum(t, atlas)
			call(t, "", append([]string{"export", "--atlas", atlas}, c.args...)...).sentence(t, c.code, c.says)
			left, err := os.ReadDir(dir)
			require.NoError(t, err)
			assert.Empty(t, left, "nothing is left behind")
			assert.Equal(t, before, sum(t, atlas))
		})
	}
}

func TestExportOfABox(t *testing.T) {
	atlas := district(t)
	all := filepath.Join(t.TempDir(), "all.geojson")
	ok(t, call(t, "", "export", "--collection", "points", "--to", all, "--atlas", atlas))
	b, err := os.ReadFile(all)
	require.NoError(t, err)
	at := numbers(t, b)[:2] // the first point, which has lon and lat first
	box := fmt.Sprintf("--bbox=%.6f,%.6f,%.6f,%.6f", at[0]-1e-6, at[1]-1e-6, at[0]+1e-6, at[1]+1e-6)
	r := ok(t, call(t, "", "export", "--collection", "points", "--to", filepath.Join(t.TempDir(), "box.geojson"), box, "--atlas", atlas))
	assert.Contains(t, r.out, " 1 records of points")
}

// A main surveyed in UTM runs through the point once it is carried to WGS 84,
// and its check fails.
func TestALayerInUTMChangesAnAnswer(t *testing.T) {
	atlas := district(t)
	main := `{"type":"Feature","geometry":{"type":"LineString","coordinates":[[-91.1867775,44.6519275],[-91.1847775,44.6519275]]},"properties":{"name":"new main"}}`
	for _, name := range []string{"main.gpkg", "main.shp"} {
		path := filepath.Join(t.TempDir(), name)
		driver := map[string]string{".gpkg": "GPKG", ".shp": "ESRI Shapefile"}[filepath.Ext(name)]
		gdal(t, "ogr2ogr", "-f", driver, path, file(t, "main.geojson", main), "-t_srs", "EPSG:26915")
		r := call(t, "", "options", "QR-04/P2", "--atlas", atlas)
		require.NotContains(t, r.out, name)
		r = ok(t, call(t, "", "import", path, "--layer", name, "--role", "buried utility", "--atlas", atlas))
		assert.Contains(t, r.out, "to WGS 84 by a datum shift accurate to 4 m") // source: EPSG Dataset, transformation 1188
		r = ok(t, call(t, "", "options", "QR-04/P2", "--atlas", atlas))
		assert.Contains(t, r.out, "tolerance zone")
		assert.Contains(t, r.out, name)
	}
}

func TestWrongLayersLeaveTheAtlasAlone(t *testing.T) {
	atlas := district(t)
	before := sum(t, atlas)
	fresh := filepath.Join(t.TempDir(), "sub.db")
	bare := `{"type":"FeatureCollection","crs":null,"features":[]}`
	half := `{"type":"FeatureCollection","features":[` + main0 + `,{"type":"Feature","geometry":null,"properties":{}}]}`
	for name, c := range map[string]struct {
		file string
		args []string
		says string
	}{
		"rubbish":        {file(t, "x.geojson", "\x00\x01\x02 rubbish"), nil, "x.geojson: "},
		"a photo":        {file(t, "x.jpg", "\xff\xd8\xff\xe0 rubbish"), nil, "a photo"},
		"cut short":      {file(t, "cut.geojson", half[:len(half)-30]), nil, "beyond record 1"},
		"one refused":    {file(t, "half.geojson", half), nil, "1 record is refused"},
		"all refused":    {file(t, "none.geojson", `{"type":"Feature","geometry":null,"properties":{}}`), []string{"--accept-partial"}, "the one record is refused"},
		"no system":      {file(t, "bare.geojson", bare), nil, "with --crs"},
		"a wrong system": {file(t, "half.geojson", half), []string{"--crs", "EPSG:28992"}, "refused"},
		"no such table":  {file(t, "half.geojson", half), []string{"--table", "roads"}, `no table "roads"`},
		"no file":        {filepath.Join(t.TempDir(), "none.shp"), nil, "there is no file"},
	} {
		t.Run(name, func(t *testing.T) {
			for _, to := range []string{atlas, fresh} {
				args := append([]string{"import", c.file, "--layer", "New", "--role", "road", "--atlas", to}, c.args...)
				r := call(t, "", args...)
				r.sentence(t, exitFailed, c.says)
				assert.Equal(t, 1, strings.Count(r.err, "\n"), r.err)
			}
			assert.Equal(t, before, sum(t, atlas))
			assert.NoFileExists(t, fresh)
			left, err := os.ReadDir(filepath.Dir(fresh))
			require.NoError(t, err)
			assert.Empty(t, left)
		})
	}
	ok(t, call(t, "", "import", file(t, "half.geojson", half), "--layer", "New", "--role", "road", "--atlas", fresh, "--accept-partial"))
	assert.FileExists(t, fresh)
}

const main0 = `{"type":"Feature","geometry":{"type":"LineString","coordinates":[[-91.1867775,44.6519275],[-91.1847775,44.6519275]]},"properties":{"name":"lane"}}`

// asked is a context that is cancelled when it has been asked so often whether
// it is: in the midst of the work, however fast the machine.
type asked struct {
	context.Context
	left atomic.Int64
	stop context.CancelFunc
}

func endsAfter(t *testing.T, times int64) *asked {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	t.Cleanup(stop)
	a := &asked{Context: ctx, stop: stop}
	a.left.Store(times)
	return a
}

func (a *asked) Err() error {
	if a.left.Add(-1) <= 0 {
		a.stop()
	}
	return a.Context.Err()
}

// An import that is stopped half way leaves the atlas as it was.
func TestACancelledImportLeavesNoTrace(t *testing.T) {
	atlas, fresh := district(t), filepath.Join(t.TempDir(), "fresh.db")
	before := sum(t, atlas)
	big := file(t, "big.geojsonl", strings.Repeat(main0+"\n", 50_000))
	for _, to := range []string{atlas, fresh} {
		ctx := endsAfter(t, 20_000) // the import asks at each of 50,000 records, and oftener
		var errs bytes.Buffer
		code := run(ctx, []string{"import", big, "--layer", "Big", "--role", "road", "--atlas", to}, strings.NewReader(""), io.Discard, &errs)
		require.Equal(t, exitFailed, code)
		require.LessOrEqual(t, ctx.left.Load(), int64(0), "it was cancelled in the middle")
	}
	assert.Equal(t, before, sum(t, atlas))
	left, err := os.ReadDir(filepath.Dir(fresh))
	require.NoError(t, err)
	assert.Empty(t, left)
	left, err = os.ReadDir(filepath.Dir(atlas))
	require.NoError(t, err)
	assert.Len(t, left, 1, "only the atlas")
}

func TestImportWithAMapping(t *testing.T) {
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	ok(t, call(t, "", "import", "--sites", file(t, "sites.geojson", sitesFile), "--atlas", atlas))
	csv := file(t, "county.csv", "NO,X,Y,SITE,SOIL\nP1,-91.2,44.65,B-1,Type B\n")
	mapping := file(t, "map.json", `{"columns":{"NO":"label","SITE":"site","SOIL":"ground.class"},"values":{"ground.class":{"Type B":"B"}}}`)
	before := sum(t, atlas)
	call(t, "", "import", "--points", csv, "--dry-run", "--atlas", atlas).sentence(t, exitFailed, `"SOIL" is not known`)
	ok(t, call(t, "", "import", "--points", csv, "--map", mapping, "--dry-run", "--atlas", atlas))
	assert.Equal(t, before, sum(t, atlas))
	ok(t, call(t, "", "import", "--points", csv, "--map", mapping, "--atlas", atlas))
	r := ok(t, call(t, "", "options", "B-1/P1", "--json", "--atlas", atlas))
	assert.Contains(t, r.out, `"B"`)
	call(t, "", "import", "--points", csv, "--map", file(t, "m.json", `{"columns":{"NO":"labl"}}`), "--atlas", atlas).sentence(t, exitFailed, "which is no property")
	call(t, "", "import", csv, "--layer", "L", "--role", "road", "--map", mapping, "--atlas", atlas).sentence(t, exitUsage, "--map goes with")
}

// Longitude and latitude that were exchanged are a place too, but not one where
// the atlas lies.
func TestSwappedAxesAreSeenByTheAtlas(t *testing.T) {
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	at := func(coordinates string) string { return strings.Replace(sitesFile, "-91.2,44.65", coordinates, 1) }
	ok(t, call(t, "", "import", "--sites", file(t, "sites.geojson", at("-79.9959,40.4406")), "--atlas", atlas))
	before := sum(t, atlas)
	swapped := file(t, "swapped.geojson", at("40.4406,-79.9959"))
	r := call(t, "", "import", swapped, "--layer", "Hydrants", "--role", "other", "--atlas", atlas)
	r.sentence(t, exitFailed, "the one record is refused")
	assert.Contains(t, r.out, "they look swapped")
	assert.Equal(t, before, sum(t, atlas))
	ok(t, call(t, "", "import", file(t, "right.geojson", at("-79.9958,40.4407")), "--layer", "Hydrants", "--role", "other", "--atlas", atlas))
}
