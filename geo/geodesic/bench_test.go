package geodesic_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

func pairs(n int, spread float64) [][2]orb.Point {
	r := rand.New(rand.NewPCG(20130101, 1))
	ps := make([][2]orb.Point, n)
	for i := range ps {
		a := orb.Point{r.Float64()*360 - 180, math.Asin(2*r.Float64()-1) * 180 / math.Pi}
		b := orb.Point{r.Float64()*360 - 180, math.Asin(2*r.Float64()-1) * 180 / math.Pi}
		if spread > 0 {
			b, _ = geodesic.Direct(a, geo.NewBearing(r.Float64()*360), geo.Length(spread*r.Float64()))
		}
		ps[i] = [2]orb.Point{a, b}
	}
	return ps
}

func BenchmarkInverse(b *testing.B) {
	for _, c := range []struct {
		name   string
		spread float64
	}{{"global", 0}, {"30m", 30}, {"10km", 10e3}, {"500km", 500e3}} {
		b.Run(c.name, func(b *testing.B) {
			ps := pairs(1024, c.spread)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				p := &ps[i&1023]
				geodesic.Inverse(p[0], p[1])
			}
		})
	}
}

func BenchmarkDirect(b *testing.B) {
	ps := pairs(1024, 0)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		p := &ps[i&1023]
		geodesic.Direct(p[0], geo.Bearing(p[1][0]), 1e7)
	}
}
