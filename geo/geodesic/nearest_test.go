package geodesic_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

func TestToSegmentExamples(t *testing.T) {
	const a = 6378137 // m
	degree := math.Pi / 180
	for _, c := range []struct {
		name    string
		p, a, b orb.Point
		foot    orb.Point
		d       float64 // m, NaN if not given
		tol     float64 // m
	}{
		// source: C. F. F. Karney's worked example of the interception of
		// Istanbul-Washington from Reykjavik by the gnomonic projection
		// (Karney 2013, sec. 8): 54.92853149711691, -21.93729106604878.
		{"Istanbul-Washington from Reykjavik", orb.Point{-22, 64}, orb.Point{29, 42}, orb.Point{-77, 39}, orb.Point{-21.93729106604878, 54.92853149711691}, math.NaN(), 1e-6},
		// source: the equator is a geodesic and a circle of radius a; meridians
		// cross it at right angles.
		{"abeam of the equator", orb.Point{10, 3}, orb.Point{5, 0}, orb.Point{20, 0}, orb.Point{10, 0}, math.NaN(), 1e-7},
		{"abeam of a meridian", orb.Point{12, 0}, orb.Point{10, -5}, orb.Point{10, 5}, orb.Point{10, 0}, 2 * degree * a, 1e-6},
		{"across the antimeridian", orb.Point{-179.5, 0}, orb.Point{179.5, -5}, orb.Point{179.5, 5}, orb.Point{179.5, 0}, 1 * degree * a, 1e-6},
		{"short of the start", orb.Point{4, 0}, orb.Point{5, 0}, orb.Point{20, 0}, orb.Point{5, 0}, 1 * degree * a, 1e-8},
		{"past the end", orb.Point{21, 0}, orb.Point{5, 0}, orb.Point{20, 0}, orb.Point{20, 0}, 1 * degree * a, 1e-8},
		{"on it", orb.Point{7, 0}, orb.Point{5, 0}, orb.Point{20, 0}, orb.Point{7, 0}, 0, 1e-7},
		{"at its end", orb.Point{20, 0}, orb.Point{5, 0}, orb.Point{20, 0}, orb.Point{20, 0}, 0, 1e-8},
		{"no length", orb.Point{21, 0}, orb.Point{20, 0}, orb.Point{20, 0}, orb.Point{20, 0}, 1 * degree * a, 1e-8},
		{"behind the earth, nearer to the end", orb.Point{-150, 0}, orb.Point{0, 0}, orb.Point{100, 0}, orb.Point{100, 0}, 110 * degree * a, 1e-7},
		{"behind the earth, nearer to the start", orb.Point{-110, 0}, orb.Point{0, 0}, orb.Point{100, 0}, orb.Point{0, 0}, 110 * degree * a, 1e-7},
	} {
		t.Run(c.name, func(t *testing.T) {
			foot, d := geodesic.ToSegment(c.p, c.a, c.b)
			assert.InDelta(t, 0, apart(c.foot, foot), c.tol)
			if !math.IsNaN(c.d) {
				assert.InDelta(t, c.d, d.Metres(), c.tol)
			}
		})
	}
}

// Whether a point is the foot can be asked of GeodSolve: it lies on the
// segment, at the distance given, and the line from it to p either makes a
// right angle with the segment or, at an end, leads no way along it.
func TestToSegmentAgainstGeodSolve(t *testing.T) {
	for _, c := range []struct {
		name            string
		length, spread  float64 // m
		onLine, squared float64 // m
	}{
		{"site", 50, 80, 10e-9, 0.2e-6},
		{"reach", 5e3, 3e3, 10e-9, 0.2e-6},
		{"100 km", 100e3, 80e3, 20e-9, 0.5e-6},
		{"2000 km", 2000e3, 2000e3, 50e-9, 1e-6},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRandom(t, 6)
			type task struct{ p, a, b, foot orb.Point }
			tasks := make([]task, 1500)
			distances := make([]geo.Length, len(tasks))
			var in strings.Builder
			for i := range tasks {
				a := r.point()
				if i%5 == 0 {
					a[0] = 180 + r.small()
				}
				b, _ := geodesic.Direct(a, r.bearing(), geo.Length(r.between(0.2, 1)*c.length))
				k := task{p: r.near(a, c.spread), a: a, b: b}
				k.foot, distances[i] = geodesic.ToSegment(k.p, a, b)
				tasks[i] = k
				for _, pair := range [][2]orb.Point{{a, b}, {a, k.foot}, {k.foot, b}, {k.foot, k.p}} {
					in.WriteString(plain(pair[0][1], pair[0][0], pair[1][1], pair[1][0]))
				}
			}
			out := tool(t, in.String(), "GeodSolve", "-i", "-p", "10") // azi1 azi2 s12
			require.Len(t, out, 4*len(tasks))
			interior := 0
			for i, k := range tasks {
				ab, af, fb, fp := out[4*i], out[4*i+1], out[4*i+2], out[4*i+3]
				require.InDelta(t, fp[2], distances[i].Metres(), 20e-9, "%v", k)
				require.InDelta(t, ab[2], af[2]+fb[2], c.onLine, "between the ends: %v", k)
				require.Less(t, math.Sin(turned(ab[0], af[0]))*af[2], c.onLine+1e-9, "on the line: %v", k)
				switch {
				case k.foot == k.a:
					require.LessOrEqual(t, math.Cos(turned(fp[0], ab[0]))*fp[2], c.squared, "%v", k)
				case k.foot == k.b:
					require.GreaterOrEqual(t, math.Cos(turned(fp[0], ab[1]))*fp[2], -c.squared, "%v", k)
				default:
					interior++
					ahead := fb[0]
					if fb[2] < af[2] { // the longer part has the sharper azimuth
						ahead = af[1]
					}
					require.InDelta(t, 0, math.Cos(turned(fp[0], ahead))*fp[2], c.squared, "%v", k)
				}
			}
			assert.Greater(t, interior, 300)
		})
	}
}

// river is a line that wanders, of n segments of about the given length.
func (r random) river(n int, step float64) (line orb.LineString) {
	p, az := r.point(), r.bearing()
	for range n + 1 {
		line = append(line, p)
		az = az.Turn(geo.Degrees(r.between(-60, 60)))
		p, _ = geodesic.Direct(p, az, geo.Length(step*r.between(0.1, 1)))
	}
	return line
}

// The search that passes over segments by a bound finds what trying every
// segment finds.
func TestToLineIsTheLeastOfItsSegments(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := random{newRand(rapid.Uint64().Draw(t, "seed"))}
		step := math.Pow(10, rapid.Float64Range(0, 6.8).Draw(t, "log step"))
		line := r.river(1+r.IntN(40), step)
		p := r.near(line[r.IntN(len(line))], step*r.between(0, 20))
		f, ok := geodesic.ToLine(p, line)
		require.True(t, ok)

		least, along := math.Inf(1), geo.Length(0)
		for i := range len(line) - 1 {
			_, d := geodesic.ToSegment(p, line[i], line[i+1])
			least = min(least, d.Metres())
			if i < f.Segment {
				along += geodesic.Distance(line[i], line[i+1])
			}
		}
		assert.InDelta(t, least, f.Distance.Metres(), 1e-7)
		assert.InDelta(t, f.Distance.Metres(), geodesic.Distance(p, f.Point).Metres(), 1e-7)
		along += geodesic.Distance(line[f.Segment], f.Point)
		assert.InDelta(t, along.Metres(), f.Along.Metres(), 1e-6*max(1, along.Metres()/1e6))
		assert.Less(t, f.Segment, len(line)-1)
	})
}

// The bound that lets a segment be passed over is never more than its distance.
func TestBound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := random{newRand(rapid.Uint64().Draw(t, "seed"))}
		length := math.Pow(10, rapid.Float64Range(0, 7.2).Draw(t, "log length"))
		a := r.point()
		az := r.bearing()
		b, _ := geodesic.Direct(a, az, geo.Length(length))
		on, turned := geodesic.Direct(a, az, geo.Length(length*r.Float64()))
		p, _ := geodesic.Direct(on, turned.Turn(90*geo.Degree), geo.Length(length*math.Pow(10, r.between(-9, 0))))
		_, d := geodesic.ToSegment(p, a, b)
		bound := geodesic.Bound(p, a, b)
		assert.LessOrEqual(t, bound, d.Metres())
		if length < 1e4 && d > 1 { // and close enough to be of use
			assert.Greater(t, bound, d.Metres()*0.99-length/1000)
		}
	})
}

func TestToLineDegenerate(t *testing.T) {
	// source: the contract of ToLine and the radius of the equator.
	d := math.Pi / 180 * 6378137
	_, ok := geodesic.ToLine(orb.Point{0, 0}, nil)
	assert.False(t, ok)
	f, ok := geodesic.ToLine(orb.Point{0, 0}, orb.LineString{{1, 0}})
	assert.True(t, ok)
	assert.Equal(t, orb.Point{1, 0}, f.Point)
	assert.InDelta(t, d, f.Distance.Metres(), 1e-8)
	f, ok = geodesic.ToLine(orb.Point{3, 0}, orb.LineString{{1, 0}, {1, 0}, {2, 0}, {2, 0}})
	assert.True(t, ok)
	assert.Equal(t, orb.Point{2, 0}, f.Point)
	assert.InDelta(t, d, f.Distance.Metres(), 1e-8)
	assert.InDelta(t, d, f.Along.Metres(), 1e-8)
}

func TestToPolygonExamples(t *testing.T) {
	d := math.Pi / 180 * 6378137 // a degree of the equator, m
	square := orb.Ring{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}, {-1, -1}}
	hole := orb.Ring{{-0.5, -0.5}, {0.5, -0.5}, {0.5, 0.5}, {-0.5, 0.5}, {-0.5, -0.5}}
	cap89 := orb.Ring{{0, 89}, {120, 89}, {240, 89}}
	cap60 := orb.Ring{{0, 60}, {90, 60}, {180, 60}, {-90, 60}}
	antarctic := orb.Ring{{0, -70}, {-90, -70}, {180, -70}, {90, -70}}
	fiji := orb.Ring{{179, -18}, {-179, -18}, {-179, -16}, {179, -16}}
	// Twice a latitude of 85°, all but 20° of longitude: more than half the
	// earth, so that its inside is the rest, with both poles.
	frame := orb.Ring{{-170, -85}, {-90, -85}, {0, -85}, {90, -85}, {170, -85}, {170, 85}, {90, 85}, {0, 85}, {-90, 85}, {-170, 85}}
	octant := orb.Ring{{0, 0}, {90, 0}, {90, 90}}
	// The answers follow from symmetry, or plainly from where the points lie.
	for _, c := range []struct {
		name    string
		p       orb.Point
		polygon orb.Polygon
		want    float64 // m, NaN: just not 0
	}{
		{"inside", orb.Point{0.2, 0.3}, orb.Polygon{square}, 0},
		{"east of it", orb.Point{2, 0}, orb.Polygon{square}, d},
		{"a turn further", orb.Point{362, 0}, orb.Polygon{square}, d},
		{"in the ring round the hole", orb.Point{0.7, 0}, orb.Polygon{square, hole}, 0},
		{"in the hole", orb.Point{0.25, 0}, orb.Polygon{square, hole}, 0.25 * d},
		{"under the bulge of a side", orb.Point{0, 1.00001}, orb.Polygon{square}, 0},
		{"the north pole in a cap", orb.Point{50, 90}, orb.Polygon{cap89}, 0},
		{"in a cap", orb.Point{100, 89.9}, orb.Polygon{cap89}, 0},
		{"the south pole is not", orb.Point{0, -90}, orb.Polygon{cap89}, math.NaN()},
		{"the equator is not", orb.Point{10, 0}, orb.Polygon{cap89}, math.NaN()},
		{"north of the sides of a wide cap", orb.Point{45, 70}, orb.Polygon{cap60}, 0},
		{"south of the bulge of a wide cap", orb.Point{45, 65}, orb.Polygon{cap60}, math.NaN()},
		{"the south pole", orb.Point{0, -90}, orb.Polygon{antarctic}, 0},
		{"north of it", orb.Point{0, -60}, orb.Polygon{antarctic}, math.NaN()},
		{"across the antimeridian, west half", orb.Point{179.5, -17}, orb.Polygon{fiji}, 0},
		{"across the antimeridian, east half", orb.Point{-179.5, -17}, orb.Polygon{fiji}, 0},
		{"on the antimeridian", orb.Point{180, -17}, orb.Polygon{fiji}, 0},
		{"on it, the other way", orb.Point{-180, -17}, orb.Polygon{fiji}, 0},
		{"far from it", orb.Point{0, -17}, orb.Polygon{fiji}, math.NaN()},
		{"the rest of the earth", orb.Point{180, 0}, orb.Polygon{frame}, 0},
		{"the north pole in the rest", orb.Point{0, 90}, orb.Polygon{frame}, 0},
		{"the south pole in the rest", orb.Point{0, -90}, orb.Polygon{frame}, 0},
		{"not in the rest", orb.Point{0, 0}, orb.Polygon{frame}, math.NaN()},
		{"with a corner at the pole", orb.Point{45, 45}, orb.Polygon{octant}, 0},
		{"near that pole, outside", orb.Point{-135, 89}, orb.Polygon{octant}, math.NaN()},
		{"near that pole, inside", orb.Point{45, 89}, orb.Polygon{octant}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			foot, got, ok := geodesic.ToPolygon(c.p, c.polygon)
			require.True(t, ok)
			if math.IsNaN(c.want) {
				assert.Greater(t, got.Metres(), 1.0)
			} else {
				assert.InDelta(t, c.want, got.Metres(), 1e-6)
			}
			if c.want == 0 {
				assert.Equal(t, c.p, foot)
			}
			back := c.polygon.Clone()
			for _, ring := range back {
				ring.Reverse()
			}
			_, again, _ := geodesic.ToPolygon(c.p, back)
			assert.InDelta(t, got.Metres(), again.Metres(), 1e-6, "the way the rings run does not matter")
		})
	}
	_, _, ok := geodesic.ToPolygon(orb.Point{0, 0}, nil)
	assert.False(t, ok)
	_, _, ok = geodesic.ToPolygon(orb.Point{0, 0}, orb.Polygon{nil})
	assert.False(t, ok)
}

// In the gnomonic projection about p, which GeodesicProj computes on the
// ellipsoid, geodesics through p are straight and all others nearly so; a
// plane test of p in the projected ring then tells inside from outside.
func TestToPolygonAgainstGnomonic(t *testing.T) {
	r := newRandom(t, 7)
	inside := 0
	for i := range 40 {
		centre := r.point()
		if i%4 == 0 {
			centre[0] = 180 + r.small()
		}
		if i%4 == 1 {
			centre[1] = math.Copysign(90-math.Abs(r.small()), centre[1])
		}
		radius := math.Pow(10, r.between(1, 5.3))
		ring := r.star(centre, radius, 3+r.IntN(12))
		p := r.near(centre, radius)
		var in strings.Builder
		for _, v := range ring {
			in.WriteString(plain(v[1], v[0]))
		}
		out := tool(t, in.String(), "GeodesicProj", "-g", fmt.Sprintf("%.17f", p[1]), fmt.Sprintf("%.17f", p[0]), "-p", "6")
		turns := 0.0
		for j := range out {
			from, to := out[j], out[(j+1)%len(out)] // x y azi rk
			turns += math.Remainder(math.Atan2(to[1], to[0])-math.Atan2(from[1], from[0]), 2*math.Pi)
		}
		want := math.Abs(turns) > math.Pi
		_, d, ok := geodesic.ToPolygon(p, orb.Polygon{ring})
		require.True(t, ok)
		assert.Equal(t, want, d == 0, "%v %v", p, ring)
		if want {
			inside++
		}
	}
	assert.True(t, inside > 5 && inside < 35, "both cases tried: %d inside", inside)
}
