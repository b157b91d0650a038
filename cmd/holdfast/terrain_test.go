package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// level is a grid of level ground in UTM zone 15 N.
const level = "ncols 4\nnrows 4\nxllcorner 640000\nyllcorner 4940000\ncellsize 10\nNODATA_value -9999\n" +
	"10 10 10 10\n10 10 10 10\n10 10 10 10\n10 10 10 10\n"

const onLevel = "15T 640015 4940015"

func TestTerrainOfLevelGround(t *testing.T) {
	r := call(t, "", "terrain", "--elevation", file(t, "g.asc", level), "--crs", "EPSG:26915", "--at", onLevel)
	require.Equal(t, exitDone, r.code, r.err)
	assert.Contains(t, r.out, "  height      10.00 m\n")
	for _, what := range []string{"aspect   ", "fall line", "section  ", "crest    ", "toe      ", "bank     "} {
		assert.Contains(t, r.out, "  "+what+"   not known\n", "level ground falls nowhere")
	}
}

func TestTerrainWhereThereIsNoHeight(t *testing.T) {
	gap := file(t, "gap.asc", strings.ReplaceAll(level, "10 10 10 10", "-9999 -9999 -9999 -9999"))
	for name, c := range map[string]struct{ grid, at, says string }{
		"beside the grid":      {file(t, "g.asc", level), "44.5,-91.2", "g.asc holds no height at 44.500000, -91.200000"},
		"in a gap":             {gap, onLevel, "gap.asc holds no height"},
		"on another continent": {file(t, "g.asc", level), "10,10", "outside the area of use"},
	} {
		args := []string{"terrain", "--elevation", c.grid, "--crs", "EPSG:26915", "--at", c.at}
		r := call(t, "", args...)
		r.sentence(t, exitFailed, c.says)
		assert.Equal(t, 1, strings.Count(r.err, "\n"), name)
		assert.Empty(t, r.out, name)
		r = call(t, "", append(args, "--json")...)
		r.sentence(t, exitFailed, c.says)
		var a map[string]any
		require.NoError(t, json.Unmarshal([]byte(r.out), &a), name)
		assert.Contains(t, a, "lat", name)
		assert.NotContains(t, a, "height_m", name)
	}
}

// nowhere is a transverse Mercator grid on a datum that nobody has tied to WGS 84.
const nowhere = `PROJCS["x",GEOGCS["x",DATUM["Nowhere",SPHEROID["q",6378000,298]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],` +
	`PROJECTION["Transverse_Mercator"],PARAMETER["central_meridian",-93],PARAMETER["latitude_of_origin",0],PARAMETER["scale_factor",0.9996],` +
	`PARAMETER["false_easting",500000],PARAMETER["false_northing",0],UNIT["metre",1]]`

func TestTerrainOnAnUnknownDatum(t *testing.T) {
	grid := file(t, "g.asc", level)
	require.NoError(t, os.WriteFile(filepath.Join(filepath.Dir(grid), "g.prj"), []byte(nowhere), 0o600))
	args := []string{"terrain", "--elevation", grid, "--at", onLevel}
	call(t, "", args...).sentence(t, exitFailed, "or name it with --crs")
	r := call(t, "", append(args, "--crs", "EPSG:26915")...)
	assert.Equal(t, exitDone, r.code, "--crs overrides the file: %s", r.err)
	r = call(t, "", append(args, "--crs", "EPSG:1")...)
	r.sentence(t, exitFailed, "EPSG:1")
	assert.NotContains(t, r.err, "or name it", "it was named")
}

func TestTerrainBearing(t *testing.T) {
	grid := file(t, "g.asc", level)
	for _, bad := range []string{"-1", "361", "NaN", "Inf"} {
		r := call(t, "", "terrain", "--elevation", grid, "--crs", "EPSG:26915", "--at", onLevel, "--bearing="+bad)
		assert.Equal(t, exitUsage, r.code, bad)
		assert.Contains(t, r.err, "bearing", bad)
	}
	for _, good := range []string{"0", "360"} {
		r := call(t, "", "terrain", "--elevation", grid, "--crs", "EPSG:26915", "--at", onLevel, "--bearing="+good)
		assert.Equal(t, exitDone, r.code, r.err)
		assert.Contains(t, r.out, "section     ")
	}
}
