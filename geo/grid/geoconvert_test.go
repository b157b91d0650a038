package grid_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/grid"
)

// geoConvert feeds lines to GeographicLib's GeoConvert and returns its answer
// lines. Without the tool the test is skipped, or fails where CI is set.
func geoConvert(t *testing.T, lines []string, args ...string) []string {
	t.Helper()
	path, err := exec.LookPath("GeoConvert")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("GeoConvert is needed (package geographiclib-tools)")
		}
		t.Skip("GeoConvert is not installed (package geographiclib-tools)")
	}
	cmd := exec.Command(path, args...)
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	out, err := cmd.Output()
	require.NoError(t, err, string(out[:min(len(out), 200)]))
	answers := strings.Split(strings.TrimSpace(string(out)), "\n")
	require.Len(t, answers, len(lines))
	return answers
}

// worldPoints returns positions over the whole world, a good part of them near
// the poles, on and beside the edges of zones and bands, and round Norway and
// Svalbard. Coordinates have 12 decimals, so that both programs read the same.
func worldPoints(r *rand.Rand, n int) []orb.Point {
	nudges := []float64{0, 0, 1e-12, -1e-12, 1e-9, -1e-9, 1e-6, -1e-6, 1e-3, -1e-3}
	round := func(v float64) float64 {
		v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'f', 12, 64), 64)
		return v
	}
	points := []orb.Point{{0, 90}, {0, -90}, {180, 90}, {-180, -90}, {0, 0}, {180, 0}, {-180, 0}, {180, 84}, {-180, -80}}
	for len(points) < n {
		lon := r.Float64()*360 - 180
		lat := math.Asin(r.Float64()*2-1) * 180 / math.Pi
		switch r.IntN(8) {
		case 0:
			lat = math.Copysign(79+r.Float64()*11, lat)
		case 1:
			lat = math.Copysign(90-math.Pow(10, -r.Float64()*9), lat)
		case 2:
			lon, lat = r.Float64()*50-4, 54+r.Float64()*32
		case 3:
			lon, lat = math.Round(r.Float64()*16-1)*3, 54+r.Float64()*32
		}
		if r.IntN(3) == 0 {
			lon = math.Round(lon/3)*3 + nudges[r.IntN(len(nudges))]
		}
		if r.IntN(3) == 0 {
			lat = math.Round(lat/4)*4 + nudges[r.IntN(len(nudges))]
		}
		lon, lat = round(lon), round(lat)+0
		if math.Abs(lon) <= 180 && math.Abs(lat) <= 90 {
			points = append(points, orb.Point{lon, lat})
		}
	}
	return points
}

func latLon(points []orb.Point) []string {
	var lines []string
	for _, p := range points {
		lines = append(lines, fmt.Sprintf("%.12f %.12f", p.Lat(), p.Lon()))
	}
	return lines
}

func TestGeoConvertForward(t *testing.T) {
	const seed = 20260506
	t.Logf("seed %d", seed)
	points := worldPoints(rand.New(rand.NewPCG(seed, 1)), 20_000)
	in := latLon(points)
	for prec := grid.HundredKilometres; prec <= grid.Millimetre; prec++ {
		for i, want := range geoConvert(t, in, "-m", "-p", strconv.Itoa(int(prec)-5)) {
			s, err := grid.MGRS(points[i], prec)
			require.NoError(t, err)
			require.Equal(t, want, s, in[i])
		}
	}
	utm := geoConvert(t, in, "-u", "-p", "9")
	conv := geoConvert(t, in, "-c", "-p", "8")
	var worst [4]float64
	for i, p := range points {
		var zone string
		var e, n, g, k float64
		_, err := fmt.Sscan(utm[i], &zone, &e, &n)
		require.NoError(t, err)
		_, err = fmt.Sscan(conv[i], &g, &k)
		require.NoError(t, err)
		c, err := grid.Project(p)
		require.NoError(t, err)
		gamma, scale, err := grid.ConvergenceScale(p)
		require.NoError(t, err)
		name := map[bool]string{true: "n", false: "s"}[c.North]
		if c.Zone != grid.UPS {
			name = fmt.Sprintf("%02d%s", c.Zone, name)
		}
		require.Equal(t, zone, name, in[i])
		for j, d := range []float64{
			c.Easting.Metres() - e, c.Northing.Metres() - n,
			math.Remainder(gamma.Degrees()-g, 360), scale - k,
		} {
			worst[j] = max(worst[j], math.Abs(d))
		}
	}
	t.Logf("largest difference: easting %.1e m, northing %.1e m, convergence %.1e°, scale %.1e", worst[0], worst[1], worst[2], worst[3])
	assert.Less(t, worst[0], 1e-8, "easting, m")
	assert.Less(t, worst[1], 1e-8, "northing, m")
	assert.Less(t, worst[2], 1e-10, "convergence, degrees")
	assert.Less(t, worst[3], 1e-14, "scale")
}

func TestGeoConvertDecode(t *testing.T) {
	const seed = 20260507
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	var refs []string
	for i, p := range worldPoints(r, 5000) {
		s, err := grid.MGRS(p, grid.Precision(i%9))
		require.NoError(t, err)
		refs = append(refs, s)
	}
	centre := geoConvert(t, refs, "-g", "-p", "9")
	corner := geoConvert(t, refs, "-g", "-n", "-p", "9")
	for i, s := range refs {
		q, err := grid.Parse(s)
		require.NoError(t, err, s)
		for want, got := range map[string]orb.Point{centre[i]: q.Centre, corner[i]: q.Corner} {
			var lat, lon float64
			_, err := fmt.Sscan(want, &lat, &lon)
			require.NoError(t, err)
			assert.InDelta(t, lat, got.Lat(), 1e-12, s)
			assert.InDelta(t, 0, math.Remainder(lon-got.Lon(), 360)*math.Cos(lat*math.Pi/180), 1e-12, s)
		}
	}
}

func TestGeoConvertInverse(t *testing.T) {
	const seed = 20260508
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	var coords []grid.Coord
	var in []string
	for _, p := range worldPoints(r, 5000) {
		c, err := grid.Project(p)
		require.NoError(t, err)
		coords = append(coords, c)
		zone := map[bool]string{true: "n", false: "s"}[c.North]
		if c.Zone != grid.UPS {
			zone = strconv.Itoa(c.Zone) + zone
		}
		in = append(in, fmt.Sprintf("%s %.10f %.10f", zone, c.Easting.Metres(), c.Northing.Metres()))
	}
	for i, want := range geoConvert(t, in, "-g", "-p", "9") {
		var lat, lon float64
		_, err := fmt.Sscan(want, &lat, &lon)
		require.NoError(t, err)
		got, err := coords[i].Point()
		require.NoError(t, err)
		assert.InDelta(t, lat, got.Lat(), 1e-12, in[i])
		assert.InDelta(t, 0, math.Remainder(lon-got.Lon(), 360)*math.Cos(lat*math.Pi/180), 1e-12, in[i])
	}
}
