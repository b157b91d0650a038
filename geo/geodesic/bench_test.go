package geodesic_test

import (
	"io"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

// pairs are places on the whole globe, or less than spread metres apart.
func pairs(b testing.TB, n int, spread float64) [][2]orb.Point {
	r := newRandom(b, 8)
	ps := make([][2]orb.Point, n)
	for i := range ps {
		ps[i] = [2]orb.Point{r.point(), r.point()}
		if spread > 0 {
			ps[i][1] = r.near(ps[i][0], spread)
		}
	}
	return ps
}

func BenchmarkInverse(b *testing.B) {
	for _, c := range []struct {
		name   string
		spread float64
	}{{"globe", 0}, {"30m", 30}, {"10km", 10e3}, {"500km", 500e3}} {
		b.Run(c.name, func(b *testing.B) {
			ps := pairs(b, 1024, c.spread)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				p := &ps[i%1024]
				geodesic.Inverse(p[0], p[1])
			}
		})
	}
}

func BenchmarkDirect(b *testing.B) {
	ps := pairs(b, 1024, 0)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		p := &ps[i%1024]
		geodesic.Direct(p[0], geo.Bearing(p[1][0]), geo.Length(1e5*p[1][1]))
	}
}

func BenchmarkArea(b *testing.B) {
	ring := newRandom(b, 9).star(orb.Point{-80, 40}, 1000, 100)
	b.ReportAllocs()
	for b.Loop() {
		geodesic.Area(ring)
	}
}

func BenchmarkToSegment(b *testing.B) {
	r := newRandom(b, 10)
	p, q := orb.Point{-80, 40}, orb.Point{-80.001, 40.0005}
	near := r.near(p, 100)
	b.ReportAllocs()
	for b.Loop() {
		geodesic.ToSegment(near, p, q)
	}
}

func BenchmarkToLine10k(b *testing.B) {
	r := newRandom(b, 11)
	river := r.river(10000, 20)
	p := r.near(river[5000], 500)
	b.ReportAllocs()
	for b.Loop() {
		geodesic.ToLine(p, river)
	}
}

// BenchmarkGeodSolve times GeodSolve over a million lines of the kind
// BenchmarkInverse takes. Reading and writing the numbers, most of its time,
// is timed with lines of no length and taken off. It is processor time, which
// a busy machine changes least.
func BenchmarkGeodSolve(b *testing.B) {
	tool(b, "0 0 0 0\n", "GeodSolve", "-i")
	const n = 1000000
	ps := pairs(b, 1024, 0)
	var work, idle strings.Builder
	for i := range n {
		p := ps[i%1024]
		work.WriteString(plain(p[0][1], p[0][0], p[1][1], p[1][0]))
		idle.WriteString(plain(p[0][1], p[0][0], p[0][1], p[0][0]))
	}
	run := func(in string) time.Duration {
		cmd := exec.Command("GeodSolve", "-i")
		cmd.Stdin, cmd.Stdout = strings.NewReader(in), io.Discard
		require.NoError(b, cmd.Run())
		return cmd.ProcessState.UserTime()
	}
	for range b.N {
		b.ReportMetric(float64((run(work.String())-run(idle.String())).Nanoseconds())/n, "ns/line")
	}
}

func TestNoAllocations(t *testing.T) {
	a, b := orb.Point{-80, 40}, orb.Point{99.9, -40.1}
	assert.Zero(t, testing.AllocsPerRun(100, func() { geodesic.Inverse(a, b) }))
	assert.Zero(t, testing.AllocsPerRun(100, func() { geodesic.Direct(a, 33, 1e6) }))
	assert.Zero(t, testing.AllocsPerRun(100, func() { geodesic.Distance(a, b) }))
}
