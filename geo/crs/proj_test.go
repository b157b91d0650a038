package crs_test

import (
	"bufio"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/geo/crs"
)

// need returns the path of a tool. Without it the test is skipped, or fails
// where CI is set.
func need(t testing.TB, tool, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(tool)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is needed (package %s)", tool, pkg)
		}
		t.Skipf("%s is not installed (package %s)", tool, pkg)
	}
	return path
}

// cs2cs runs PROJ's cs2cs over "x y 0" lines and returns its first two
// numbers; NaN where it answers "*".
func cs2cs(t testing.TB, args []string, pts []orb.Point) []orb.Point {
	t.Helper()
	var in strings.Builder
	for _, p := range pts {
		fmt.Fprintf(&in, "%.17g %.17g 0\n", p[0], p[1])
	}
	cmd := exec.Command(need(t, "cs2cs", "proj-bin"), append([]string{"-f", "%.17g"}, args...)...)
	cmd.Stdin = strings.NewReader(in.String())
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, "cs2cs %v: %s", args, stderr.String())
	var res []orb.Point
	for s := bufio.NewScanner(strings.NewReader(string(out))); s.Scan(); {
		f := strings.Fields(s.Text())
		x, errx := strconv.ParseFloat(f[0], 64)
		y, erry := strconv.ParseFloat(f[1], 64)
		if errx != nil || erry != nil {
			x, y = math.NaN(), math.NaN()
		}
		res = append(res, orb.Point{x, y})
	}
	require.Len(t, res, len(pts), "cs2cs %v", args)
	return res
}

// metres returns the distance of two near positions in degrees.
func metres(a, b orb.Point) float64 {
	return 111320 * math.Hypot(math.Remainder(a[0]-b[0], 360)*math.Cos(a[1]*math.Pi/180), a[1]-b[1])
}

// scatter returns n random positions in the area of use, clear of the poles
// and, for areas wider than the projection reaches, within reach degrees of
// its middle.
func scatter(r *rand.Rand, a *crs.Area, n int) []orb.Point {
	east := a.East
	if east < a.West {
		east += 360
	}
	pts := make([]orb.Point, n)
	for i := range pts {
		lon := a.West + r.Float64()*(east-a.West)
		lat := math.Max(-88, a.South) + r.Float64()*(math.Min(88, a.North)-math.Max(-88, a.South))
		pts[i] = orb.Point{math.Remainder(lon, 360), lat}
	}
	return pts
}
