package geodesic_test

import (
	"flag"
	"math"
	"os"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

// TestMain fixes the seed of the property tests; -rapid.seed chooses another.
func TestMain(m *testing.M) {
	if err := flag.Set("rapid.seed", "20130101"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

func drawPoint(t *rapid.T, label string) orb.Point {
	return orb.Point{
		rapid.Float64Range(-180, 180).Draw(t, label+" lon"),
		rapid.Float64Range(-90, 90).Draw(t, label+" lat"),
	}
}

// Laws of geodesics; what they say follows from the definitions.

func TestDirectUndoesInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawPoint(t, "a"), drawPoint(t, "b")
		s, az1, az2, ok := geodesic.Inverse(a, b)
		if !ok {
			assert.InDelta(t, 0, apart(a, b), 1e-8)
			return
		}
		there, got2 := geodesic.Direct(a, az1, s)
		assert.InDelta(t, 0, apart(b, there), 20e-9, "there")
		back, got1 := geodesic.Direct(b, az2, -s)
		assert.InDelta(t, 0, apart(a, back), 20e-9, "back")
		if math.Abs(a[1]) < 89.9 && math.Abs(b[1]) < 89.9 && s > 1 && s < 19.9e6 {
			assert.InDelta(t, 0, turned(az2.Degrees(), got2.Degrees())*min(s.Metres(), 1e6), 1e-6)
			assert.InDelta(t, 0, turned(az1.Degrees(), got1.Degrees())*min(s.Metres(), 1e6), 1e-6)
		}
	})
}

func TestInverseSymmetries(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawPoint(t, "a"), drawPoint(t, "b")
		s, az1, az2, ok := geodesic.Inverse(a, b)
		const tol = 25e-9 // the last bit of 360° is 6 nm
		same := func(what string, p, q orb.Point, want1, want2 float64) {
			got, got1, got2, gotOK := geodesic.Inverse(p, q)
			assert.InDelta(t, s.Metres(), got.Metres(), tol, what)
			// Nearer than 10 nm a turn's rounding may move the points together;
			// near the antipodes more than one geodesic may be shortest.
			if s < 10e-9 || s > 19.9e6 {
				return
			}
			assert.Equal(t, ok, gotOK, what)
			arm := math.Sin(s.Metres()/6.371e6) * 6.4e6
			assert.InDelta(t, 0, turned(want1, got1.Degrees())*arm, tol, what)
			assert.InDelta(t, 0, turned(want2, got2.Degrees())*arm, tol, what)
		}
		one, two := az1.Degrees(), az2.Degrees()
		same("the other way", b, a, two+180, one+180)
		same("north for south", orb.Point{a[0], -a[1]}, orb.Point{b[0], -b[1]}, 180-one, 180-two)
		if math.Abs(math.Remainder(b[0]-a[0], 360)) != 180 { // else west is drawn as east
			same("east for west", orb.Point{-a[0], a[1]}, orb.Point{-b[0], b[1]}, -one, -two)
		}
		same("a turn further", orb.Point{a[0] + 360, a[1]}, orb.Point{b[0] - 720, b[1]}, one, two)
	})
}

func TestTurnedAboutTheAxis(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Multiples of 2^-40 degree stay exact when turned.
		exact := func(x float64) float64 { return math.Round(x*0x1p40) / 0x1p40 }
		a, b := drawPoint(t, "a"), drawPoint(t, "b")
		a[0], b[0] = exact(a[0]), exact(b[0])
		by := exact(rapid.Float64Range(-180, 180).Draw(t, "by"))
		s1, az1, az2, _ := geodesic.Inverse(a, b)
		s2, bz1, bz2, _ := geodesic.Inverse(orb.Point{a[0] + by, a[1]}, orb.Point{b[0] + by, b[1]})
		assert.Equal(t, s1, s2)
		if math.Abs(math.Remainder(b[0]-a[0], 360)) != 180 {
			assert.Equal(t, [2]geo.Bearing{az1, az2}, [2]geo.Bearing{bz1, bz2})
		}
	})
}

func TestTriangleInequality(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := drawPoint(t, "a"), drawPoint(t, "b"), drawPoint(t, "c")
		ab, bc, ac := geodesic.Distance(a, b), geodesic.Distance(b, c), geodesic.Distance(a, c)
		assert.LessOrEqual(t, ac.Metres(), ab.Metres()+bc.Metres()+20e-9)
	})
}

func TestLineParts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawPoint(t, "a"), drawPoint(t, "b")
		s, az, _, ok := geodesic.Inverse(a, b)
		if !ok {
			return
		}
		line := geodesic.NewLine(a, az)
		mid, _ := line.At(s * geo.Length(rapid.Float64Range(0, 1).Draw(t, "part")))
		sum := geodesic.Distance(a, mid) + geodesic.Distance(mid, b)
		assert.InDelta(t, s.Metres(), sum.Metres(), 30e-9, "the parts of a shortest line add up")
		end, _ := line.At(s)
		assert.InDelta(t, 0, apart(b, end), 20e-9)
	})
}

func TestAreaLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := random{newRand(rapid.Uint64().Draw(t, "seed"))}
		centre := drawPoint(t, "centre")
		radius := math.Pow(10, rapid.Float64Range(0, 6).Draw(t, "log radius"))
		ring := r.star(centre, radius, 3+r.IntN(9))
		area, perimeter := geodesic.Area(ring)
		tol := 0.1 * float64(len(ring))
		assert.Greater(t, area, -tol, "counter-clockwise is positive")
		assert.Less(t, area, math.Pi*radius*radius*1.001+tol, "inside its circle")

		back := ring.Clone()
		back.Reverse()
		reversed, p2 := geodesic.Area(back)
		assert.InDelta(t, -area, reversed, tol)
		assert.InDelta(t, perimeter.Metres(), p2.Metres(), 1e-6)

		// The triangles of a fan about the centre make up the whole.
		sum := 0.0
		for i, p := range ring {
			part, _ := geodesic.Area(orb.Ring{centre, p, ring[(i+1)%len(ring)]})
			sum += part
		}
		assert.InDelta(t, area, sum, 2*tol)
	})
}

func TestSmallAreaIsPlane(t *testing.T) {
	// source: the area of a right-angled triangle; the curvature of the earth
	// changes one of 30 m sides by less than 1e-8 m².
	rapid.Check(t, func(t *rapid.T) {
		a := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-89, 89).Draw(t, "lat")}
		az := geo.Bearing(rapid.Float64Range(0, 359).Draw(t, "az"))
		x := rapid.Float64Range(1, 30).Draw(t, "x")
		y := rapid.Float64Range(1, 30).Draw(t, "y")
		b, _ := geodesic.Direct(a, az, geo.Length(x))
		c, _ := geodesic.Direct(a, az.Turn(-90*geo.Degree), geo.Length(y))
		area, _ := geodesic.Area(orb.Ring{a, b, c})
		assert.InDelta(t, x*y/2, area, 2e-4)
	})
}
