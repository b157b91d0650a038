package crs_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/crs"
)

var dialects = map[string]crs.Dialect{"OGC": crs.OGC, "ESRI": crs.ESRI}

// TestWrittenTextIsReadBack writes every system of the table in both dialects
// and wants Parse to make the same system of it: the same code, but for the
// few that ESRI's dialect writes by another method, and the same coordinates
// to a micrometre.
func TestWrittenTextIsReadBack(t *testing.T) {
	table := append(rows(t, "projected"), flat(t)...)
	var other atomic.Int64
	parallel(len(table), func(i int) {
		want := byEPSG(t, table[i][0])
		for name, d := range dialects {
			text := want.WKT(d)
			got, err := crs.Parse(text)
			if !assert.NoError(t, err, "%v %s: %s", want, name, text) {
				continue
			}
			if got.Code != want.Code {
				other.Add(1)
				t.Logf("%s: %v is taken for %v", name, want, got)
			}
			assert.InEpsilon(t, want.Unit.Factor, got.Unit.Factor, 1e-12, "%v %s", want, name)
			for _, p := range scatter(rand.New(rand.NewPCG(sweepSeed, uint64(i))), want.Area, 3) {
				x, y, err := want.FromWGS84(p)
				if err != nil {
					continue // no shift is known
				}
				gx, gy, err := got.FromWGS84(p)
				if assert.NoError(t, err, "%v %s %s", want, name, text) {
					d := math.Hypot(x-gx, y-gy) * want.Unit.Factor
					if !want.Projected {
						d *= 111320
					}
					assert.Less(t, d, 1e-6, "%v %s %s", want, name, text)
				}
			}
			again, err := crs.Parse(got.WKT(d))
			if assert.NoError(t, err) {
				assert.Equal(t, got.WKT(d), again.WKT(d), "what was read is written as it was")
			}
		}
	})
	t.Logf("%d texts, %d taken for another code", 2*len(table), other.Load())
	assert.Less(t, other.Load(), int64(60))
}

// flat returns the geographic systems without heights.
func flat(t *testing.T) [][]string {
	return slices.DeleteFunc(rows(t, "geographic"), func(r []string) bool { return r[6] == "3" })
}

// TestPROJReadsWrittenText holds the texts against GDAL 3.6.2 on PROJ 9.1.1,
// which takes x before y as files do: the system of the EPSG code and that of
// the text must be one, also in the datum. For a projected system positions go
// from the code's coordinates to the text's, for a geographic one from WGS 84
// to both. Every 25th projected and every 8th geographic system is tried, the
// dialects in turn; CRS_SWEEP=all tries all.
func TestPROJReadsWrittenText(t *testing.T) {
	need(t, "gdaltransform", "gdal-bin")
	table, strides := [][][]string{rows(t, "projected"), flat(t)}, []int{25, 8}
	if os.Getenv("CRS_SWEEP") == "all" {
		strides = []int{1, 1}
	}
	var codes []string
	for i, rows := range table {
		for k := 0; k < len(rows); k += strides[i] {
			codes = append(codes, rows[k][0])
		}
	}
	var n atomic.Int64
	parallel(len(codes), func(i int) {
		c := byEPSG(t, codes[i])
		for k, d := range []crs.Dialect{crs.OGC, crs.ESRI} {
			if strides[0] == 1 || i%2 == k {
				n.Add(int64(agrees(t, c, d, uint64(i))))
			}
		}
	})
	t.Logf("%d positions in %d systems", n.Load(), len(codes))
	assert.Greater(t, n.Load(), int64(1000))
}

// otherwise are systems that GDAL takes otherwise by their code than by any
// text, in the dialects named.
var otherwise = map[string]string{
	"EPSG:5482":  "OGC, ESRI", // northing comes first in files by the code alone, as GDAL
	"EPSG:32661": "ESRI",      // takes grids about a pole; a text without the code has x first
	"EPSG:32761": "ESRI",      //
	"EPSG:4901":  "OGC, ESRI", // its meridian of Paris is taken for one in grads
	"EPSG:8997":  "ESRI",      // another operation from ITRF2000 is chosen, 0.8 m from the other
}

// agrees compares the system of a code with that of its text and returns the
// number of positions compared.
func agrees(t *testing.T, c *crs.CRS, d crs.Dialect, seed uint64) int {
	text := c.WKT(d)
	if name := map[crs.Dialect]string{crs.OGC: "OGC", crs.ESRI: "ESRI"}[d]; strings.Contains(otherwise[c.Code], name) {
		return 0
	}
	area := c.Area
	adelie := c.Code == "EPSG:2985" || c.Code == "EPSG:2986" // which PROJ 9.1.1 does not know
	if adelie {
		area = byEPSG(t, "4636").Area // narrower than theirs
	}
	at := scatter(rand.New(rand.NewPCG(sweepSeed, seed)), area, 5)
	var want, got []orb.Point
	if c.Projected {
		for _, p := range at {
			if x, y, err := c.FromWGS84(p); err == nil {
				want = append(want, orb.Point{x, y})
			}
		}
		if len(want) == 0 {
			return 0 // no shift is known
		}
		if adelie { // our own coordinates are the measure, which the worked example of package projection holds
			there := crs.NewTransformer(c, byEPSG(t, "4636"))
			from := make([]orb.Point, len(want))
			for i, p := range want {
				x, y, err := there.Transform(p[0], p[1])
				require.NoError(t, err)
				from[i] = orb.Point{x, y}
			}
			got = gdaltransform(t, "EPSG:4636", text, from)
		} else {
			got = gdaltransform(t, c.Code, text, want)
		}
	} else {
		want = gdaltransform(t, "EPSG:4326", c.Code, at)
		got = gdaltransform(t, "EPSG:4326", text, at)
	}
	n := 0
	for k, w := range want {
		if math.IsNaN(w[0]) {
			continue // the code has no answer there either
		}
		away := math.Hypot(got[k][0]-w[0], got[k][1]-w[1]) * c.Unit.Factor
		if !c.Projected {
			away = metres(w, got[k]) * c.Unit.Factor
		}
		if !assert.Less(t, away, 1e-3, "%v: %v want %v\n%s", c, got[k], w, text) {
			return n
		}
		n++
	}
	return n
}

// gdaltransform runs GDAL's program over x and y.
func gdaltransform(t *testing.T, from, to string, pts []orb.Point) []orb.Point {
	var in strings.Builder
	for _, p := range pts {
		fmt.Fprintf(&in, "%.17g %.17g\n", p[0], p[1])
	}
	cmd := exec.Command(need(t, "gdaltransform", "gdal-bin"), "-output_xy", "-s_srs", from, "-t_srs", to)
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.Output()
	require.NoError(t, err, "%s to %s", from, to)
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	require.Len(t, lines, len(pts), "%s to %s: %s", from, to, out)
	res := make([]orb.Point, len(pts))
	for i, line := range lines {
		if n, _ := fmt.Sscan(line, &res[i][0], &res[i][1]); n != 2 {
			res[i] = orb.Point{math.NaN(), math.NaN()} // "transformation failed."
		}
	}
	return res
}

// TestGDALReadsWrittenText wants GDAL to call the system of a text valid and
// to find the code's name in it.
func TestGDALReadsWrittenText(t *testing.T) {
	tool := need(t, "gdalsrsinfo", "gdal-bin")
	for _, code := range strings.Fields("4326 4269 4807 3857 2264 26915 5070 2056 28992 27700 2154 31300 6201 26931 3035 3031 2985 2046 2193 27200") {
		for name, d := range dialects {
			file := t.TempDir() + "/" + code + ".prj"
			require.NoError(t, os.WriteFile(file, []byte(byEPSG(t, code).WKT(d)), 0o600))
			out, err := exec.Command(tool, "-V", "-e", "-o", "epsg", file).CombinedOutput()
			require.NoError(t, err, "%s %s", code, name)
			assert.Contains(t, string(out), "Validate Succeeds", "%s %s: %s", code, name, out)
			if code == "2046" && d == crs.ESRI {
				code = "102480" // ESRI has a number of its own for this grid
			}
			assert.Contains(t, string(out), "EPSG:"+code, "%s %s", code, name)
		}
	}
}

// TestShiftIsWritten: a shift that came with a definition stays with it, and a
// system of the table says none.
func TestShiftIsWritten(t *testing.T) {
	own := `GEOGCS["x",` + clarke + `,TOWGS84[-8,160,176,1,2,3,4]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`
	c, err := crs.Parse(own)
	require.NoError(t, err)
	for name, d := range dialects {
		assert.Contains(t, c.WKT(d), "TOWGS84[-8,160,176,1,2,3,4]", name)
		again, err := crs.Parse(c.WKT(d))
		require.NoError(t, err)
		p, err := c.ToWGS84(-81.5, 36.4)
		require.NoError(t, err)
		q, err := again.ToWGS84(-81.5, 36.4)
		require.NoError(t, err)
		assert.Less(t, metres(p, q), 1e-8, name)
		assert.NotContains(t, byEPSG(t, "4267").WKT(d), "TOWGS84", name)
	}
	unknown, err := crs.Parse(`GEOGCS["x",` + clarke + `],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`)
	require.NoError(t, err)
	again, err := crs.Parse(unknown.WKT(crs.OGC))
	require.NoError(t, err)
	_, err = again.ToWGS84(-81.5, 36.4)
	assert.True(t, errors.Is(err, crs.ErrNoShift), "what is not known stays unknown")
}

// TestGeographicWithHeights: every geographic system with heights gives the
// coordinates of the one without on the same datum. PROJ 9.1.1 writes the text.
func TestGeographicWithHeights(t *testing.T) {
	high, plain := map[string]string{}, map[string]string{}
	for _, r := range rows(t, "geographic") {
		if r[6] == "3" {
			high[r[0]] = r[2]
		} else if plain[r[2]] == "" {
			plain[r[2]] = r[0]
		}
	}
	// source: select count(*) from geodetic_crs … type = 'geographic 3D', proj.db of PROJ 9.1.1
	require.Len(t, high, 204)
	for code, datum := range high {
		c := byEPSG(t, code)
		assert.Equal(t, "EPSG:"+code, c.Code)
		p := scatter(rand.New(rand.NewPCG(sweepSeed, 1)), c.Area, 1)[0]
		x, y, err := c.FromWGS84(p)
		other := byEPSG(t, plain[datum])
		ox, oy, oerr := other.FromWGS84(p)
		assert.Equal(t, oerr == nil, err == nil, code)
		assert.InDelta(t, ox*other.Unit.Factor, x*c.Unit.Factor, 1e-9, code)
		assert.InDelta(t, oy, y, 1e-9, code)
		again, err := crs.Parse(c.WKT(crs.OGC))
		require.NoError(t, err)
		assert.NotEqual(t, c.Code, again.Code, "the text has no heights")
	}
	text, err := exec.Command(need(t, "projinfo", "proj-bin"), "-q", "-o", "WKT2:2019", "EPSG:4979").Output()
	require.NoError(t, err)
	c, err := crs.Parse(string(text))
	require.NoError(t, err)
	assert.Equal(t, "EPSG:4979", c.Code)
	for name, code := range map[string]string{
		"EPSG:4979": "EPSG:4979", "urn:ogc:def:crs:EPSG::4979": "EPSG:4979", "http://www.opengis.net/def/crs/EPSG/0/4979": "EPSG:4979",
		"urn:ogc:def:crs:OGC::CRS84h": "OGC:CRS84h", "http://www.opengis.net/def/crs/OGC/0/CRS84h": "OGC:CRS84h", "OGC:CRS84h": "OGC:CRS84h",
	} {
		assert.Equal(t, code, byName(t, name).Code, name)
	}
}
