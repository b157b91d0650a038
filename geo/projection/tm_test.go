package projection_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/projection"
)

// pipe feeds lines to a GeographicLib command and returns its answer lines.
// Without the tool the test is skipped, or fails where CI is set.
func pipe(t *testing.T, lines []string, tool string, args ...string) []string {
	t.Helper()
	path, err := exec.LookPath(tool)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is needed (package geographiclib-tools)", tool)
		}
		t.Skipf("%s is not installed (package geographiclib-tools)", tool)
	}
	cmd := exec.Command(path, args...)
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	out, err := cmd.Output()
	require.NoError(t, err)
	answers := strings.Split(strings.TrimSpace(string(out)), "\n")
	require.Len(t, answers, len(lines))
	return answers
}

func TestTransverseMercatorPublished(t *testing.T) {
	// source: IOGP Guidance Note 7-2, Transverse Mercator, worked example
	// British National Grid: 577274.99, 69740.50 (from memory); cs2cs (PROJ
	// 9.1.1) prints the same point as 577274.98381, 69740.49227.
	airy := geo.Ellipsoid{A: 6377563.396, F: 1 / 299.3249646}
	p := projection.NewTransverseMercator(airy, -2, 49, 0.9996012717, 400000, -100000)
	x, y, err := p.Forward(0.5, 50.5)
	require.NoError(t, err)
	assert.InDelta(t, 577274.98381, x, 1e-5)
	assert.InDelta(t, 69740.49227, y, 1e-5)
	lon, lat, err := p.Inverse(577274.98381, 69740.49227)
	require.NoError(t, err)
	assert.InDelta(t, 0.5, lon, 1e-9)
	assert.InDelta(t, 50.5, lat, 1e-9)
}

// TestTransverseMercatorExact compares with the exact elliptic-function
// mapping of GeographicLib's TransverseMercatorProj (2.1.2), which is another
// algorithm than the series here.
func TestTransverseMercatorExact(t *testing.T) {
	const seed = 20260504
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	p := projection.NewTransverseMercator(geo.WGS84, 0, 0, 0.9996, 0, 0)
	type point struct{ lon, lat float64 }
	var points []point
	var in []string
	for i := range 4000 {
		limit := 60.0
		if i < 3000 {
			limit = 34 // 3,900 km on the equator
		}
		q := point{math.Round((r.Float64()*2-1)*limit*1e7) / 1e7, math.Round((r.Float64()*2-1)*90*1e7) / 1e7}
		points = append(points, q)
		in = append(in, fmt.Sprintf("%.7f %.7f", q.lat, q.lon))
	}
	for i, line := range pipe(t, in, "TransverseMercatorProj", "-t", "-k", "0.9996", "-p", "9") {
		var ex, ey, eg, ek float64
		_, err := fmt.Sscan(line, &ex, &ey, &eg, &ek)
		require.NoError(t, err)
		q := points[i]
		x, y, err := p.Forward(q.lon, q.lat)
		require.NoError(t, err)
		gamma, k := p.ConvergenceScale(q.lon, q.lat)
		// Karney 2011, section 5: 5 nm within 3,900 km; the wider band is ours.
		metres, degrees := 2e-8, 1e-10
		if i >= 3000 {
			metres, degrees = 1e-3, 1e-8
		}
		assert.InDelta(t, ex, x, metres, in[i])
		assert.InDelta(t, ey, y, metres, in[i])
		assert.InDelta(t, 0, math.Remainder(eg-gamma.Degrees(), 360), degrees, in[i])
		assert.InDelta(t, ek, k, 1e-9, in[i])
		lon, lat, err := p.Inverse(ex, ey)
		require.NoError(t, err)
		assert.InDelta(t, q.lat, lat, metres/1e5, in[i])
		assert.InDelta(t, q.lon*math.Cos(q.lat*math.Pi/180), lon*math.Cos(q.lat*math.Pi/180), metres/1e5, in[i])
	}
}

func TestTransverseMercatorLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lon0 := rapid.Float64Range(-180, 180).Draw(t, "lon0")
		lat0 := rapid.Float64Range(-80, 80).Draw(t, "lat0")
		dlon := rapid.Float64Range(-30, 30).Draw(t, "dlon")
		lat := rapid.Float64Range(-89.9, 89.9).Draw(t, "lat")
		p := projection.NewTransverseMercator(geo.WGS84, lon0, lat0, 0.9996, 500000, 1000)

		x0, y0, err := p.Forward(lon0, lat0)
		require.NoError(t, err)
		assert.InDelta(t, 500000, x0, 1e-8, "the origin has the false coordinates")
		assert.InDelta(t, 1000, y0, 1e-8)

		x, y, err := p.Forward(lon0+dlon, lat)
		require.NoError(t, err)
		lon, back, err := p.Inverse(x, y)
		require.NoError(t, err)
		assert.InDelta(t, lat, back, 1e-12)
		east := math.Remainder(lon-lon0-dlon, 360) * math.Cos(lat*math.Pi/180)
		assert.InDelta(t, 0, east, 1e-12)

		xm, ym, err := p.Forward(lon0-dlon, lat)
		require.NoError(t, err)
		assert.InDelta(t, 1e6-x, xm, 1e-6, "mirrored about the central meridian")
		assert.InDelta(t, y, ym, 1e-6)
	})
}

func TestTransverseMercatorRefuses(t *testing.T) {
	p := projection.NewTransverseMercator(geo.WGS84, -93, 0, 0.9996, 500000, 0)
	for name, q := range map[string][2]float64{
		"beyond the pole":   {-93, 90.001},
		"too far east":      {-30, 10},
		"the far side":      {87, 10},
		"not a number":      {-93, math.NaN()},
		"no longitude":      {math.NaN(), 45},
		"infinite":          {math.Inf(1), 45},
		"infinite latitude": {-93, math.Inf(-1)},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := p.Forward(q[0], q[1])
			require.ErrorIs(t, err, projection.ErrDomain)
			gamma, k := p.ConvergenceScale(q[0], q[1])
			assert.True(t, math.IsNaN(float64(gamma)) && math.IsNaN(k))
		})
	}
	for name, q := range map[string][2]float64{
		"far east": {2e7, 0}, "beyond the pole": {500000, 1.01e7}, "not a number": {math.NaN(), 0},
	} {
		t.Run("back from "+name, func(t *testing.T) {
			_, _, err := p.Inverse(q[0], q[1])
			require.ErrorIs(t, err, projection.ErrDomain)
		})
	}
}

func BenchmarkTransverseMercatorForward(b *testing.B) {
	p := projection.NewTransverseMercator(geo.WGS84, -93, 0, 0.9996, 500000, 0)
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := p.Forward(-91.20456, 44.65123); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTransverseMercatorInverse(b *testing.B) {
	p := projection.NewTransverseMercator(geo.WGS84, -93, 0, 0.9996, 500000, 0)
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := p.Inverse(642364, 4945775); err != nil {
			b.Fatal(err)
		}
	}
}
