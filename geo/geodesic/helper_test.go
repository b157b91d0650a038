package geodesic_test

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

// row is a line of a reference file by column name.
type row map[string]string

func (r row) float(t *testing.T, column string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(r[column], 64)
	require.NoError(t, err, column)
	return x
}

func readCSV(t *testing.T, name string) (rows []row) {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	require.NoError(t, err)
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	for _, fields := range all[1:] {
		r := row{}
		for i, column := range all[0] {
			r[column] = fields[i]
		}
		rows = append(rows, r)
	}
	require.NotEmpty(t, rows)
	return rows
}

// tool feeds input to a program of GeographicLib and returns the numbers of
// each line of its output.
func tool(t testing.TB, input string, name string, args ...string) (out [][]float64) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is not installed (Debian package geographiclib-tools)", name)
		}
		t.Skipf("%s is not installed (Debian package geographiclib-tools)", name)
	}
	cmd := exec.Command(name, args...)
	cmd.Stdin = strings.NewReader(input)
	text, err := cmd.Output()
	require.NoError(t, err, "%s %v", name, args)
	for line := range strings.Lines(string(text)) {
		var v []float64
		for _, field := range strings.Fields(line) {
			x, err := strconv.ParseFloat(field, 64)
			require.NoError(t, err, line)
			v = append(v, x)
		}
		out = append(out, v)
	}
	return out
}

// plain writes numbers for the tools, which take an exponent for east.
func plain(v ...float64) string {
	var s strings.Builder
	for i, x := range v {
		if i > 0 {
			s.WriteByte(' ')
		}
		s.WriteString(strconv.FormatFloat(x, 'f', -1, 64))
	}
	s.WriteByte('\n')
	return s.String()
}

// apart returns the distance in metres between points so close that a plane
// will do.
func apart(p, q orb.Point) float64 {
	north := (p[1] - q[1]) * 111.7e3
	lon := math.Remainder(p[0], 360) - math.Remainder(q[0], 360)
	east := math.Remainder(lon, 360) * 111.7e3 * math.Cos(p[1]*math.Pi/180)
	return math.Hypot(north, east)
}

// turned returns the angle in radians between two directions in degrees.
func turned(a, b float64) float64 {
	return math.Abs(math.Remainder(a-b, 360)) * math.Pi / 180
}

// random draws places for the comparisons.
type random struct{ *rand.Rand }

func newRandom(t testing.TB, seed uint64) random {
	t.Logf("seed %d", seed)
	return random{newRand(seed)}
}

func (r random) between(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

// point is uniform over the sphere.
func (r random) point() orb.Point {
	return orb.Point{r.between(-180, 180), math.Asin(r.between(-1, 1)) * 180 / math.Pi}
}

// small is a number of degrees of any size from 1e-14 to 10, or 0.
func (r random) small() float64 {
	if r.IntN(5) == 0 {
		return 0
	}
	return math.Pow(10, r.between(-14, 1)) * r.between(-1, 1)
}

func (r random) bearing() geo.Bearing { return geo.Bearing(r.between(0, 360)) }

// near is a point less than the given length away.
func (r random) near(p orb.Point, within float64) orb.Point {
	q, _ := geodesic.Direct(p, r.bearing(), geo.Length(within*math.Sqrt(r.Float64())))
	return q
}

func clampLat(x float64) float64 { return max(-90, min(90, x)) }

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0)) }
