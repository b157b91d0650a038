package geodesic_test

import (
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

// halfMeridian is the distance between the poles, 20003931.458625 m by
// GeodSolve 2.1.2, which no two points exceed.
const halfMeridian = 20003931.4587

func isPlace(p orb.Point) bool {
	return math.Abs(p[1]) <= 90 && !math.IsNaN(p[0]) && !math.IsInf(p[0], 0)
}

func isBearing(b geo.Bearing) bool { return b >= 0 && b < 360 }

// FuzzInverse feeds any numbers: a place gives a length and bearings within
// their ranges and the way back, anything else NaN, and nothing hangs.
func FuzzInverse(f *testing.F) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, seed := range [][4]float64{
		{0, 0, 0, 0},
		{0, 0, 180, 0},
		{0, 90, 0, -90},
		{-80, 40, -80, 40.00001},
		{0, 5e-324, 180, -5e-324},
		{1e300, 45, -1e300, -45},
		{0, 0, 179.5, 1e-300},
		{nan, 0, 0, 0},
		{0, inf, 0, 0},
		{0, 91, 0, 0},
		{0, 45, 179.572719, -45},
		{0, -89.99999999999999, 180, 89.99999999999999},
		{5e-324, 0, 0, 0},
		{0, 0, 179.39654, 0},
		{180, 1, -180, -1},
	} {
		f.Add(seed[0], seed[1], seed[2], seed[3])
	}
	f.Fuzz(func(t *testing.T, lon1, lat1, lon2, lat2 float64) {
		a, b := orb.Point{lon1, lat1}, orb.Point{lon2, lat2}
		s, az1, az2, ok := geodesic.Inverse(a, b)
		if !isPlace(a) || !isPlace(b) {
			assert.True(t, math.IsNaN(s.Metres()))
			assert.False(t, ok)
			return
		}
		assert.True(t, s >= 0 && s <= halfMeridian, "%v", s.Metres())
		assert.Equal(t, s > 0, ok)
		if !ok {
			return
		}
		assert.True(t, isBearing(az1) && isBearing(az2), "%v %v", az1.Degrees(), az2.Degrees())
		there, az := geodesic.Direct(a, az1, s)
		assert.InDelta(t, 0, apart(b, there), 1e-7)
		assert.True(t, isBearing(az))
	})
}

func FuzzDirect(f *testing.F) {
	for _, seed := range [][4]float64{
		{0, 0, 90, 1},
		{0, 90, 0, 1},
		{180, -90, 45, -1e7},
		{0, 0, 1e300, 1e300},
		{0, 45, math.NaN(), 1},
		{math.Inf(1), 0, 0, 1},
		{0, 0, 5e-324, 5e-324},
	} {
		f.Add(seed[0], seed[1], seed[2], seed[3])
	}
	f.Fuzz(func(t *testing.T, lon, lat, az, s float64) {
		p, b := geodesic.Direct(orb.Point{lon, lat}, geo.Bearing(az), geo.Length(s))
		if !isPlace(orb.Point{lon, lat}) || math.IsNaN(az-az) || math.IsNaN(s-s) {
			assert.True(t, math.IsNaN(p[0]) && math.IsNaN(p[1]) && math.IsNaN(b.Degrees()))
			return
		}
		assert.True(t, math.Abs(p[0]) <= 180 && math.Abs(p[1]) <= 90 && isBearing(b), "%v %v", p, b.Degrees())
	})
}

// FuzzToPolygon takes a triangle and its search for the nearest point.
func FuzzToPolygon(f *testing.F) {
	f.Add(0.0, 0.0, 1.0, 1.0, 2.0, -1.0, 0.5, 0.5)
	f.Add(0.0, 89.0, 120.0, 89.0, 240.0, 89.0, 7.0, 90.0)
	f.Add(179.0, 1.0, -179.0, 1.0, 180.0, -1.0, -180.0, 0.0)
	f.Add(0.0, 0.0, 180.0, 0.0, 0.0, 90.0, 0.0, -90.0)
	f.Fuzz(func(t *testing.T, x1, y1, x2, y2, x3, y3, x, y float64) {
		p := orb.Point{x, y}
		ring := orb.Ring{{x1, y1}, {x2, y2}, {x3, y3}}
		foot, d, ok := geodesic.ToPolygon(p, orb.Polygon{ring})
		valid := isPlace(p) && isPlace(ring[0]) && isPlace(ring[1]) && isPlace(ring[2])
		assert.Equal(t, valid, ok)
		if !ok {
			return
		}
		assert.True(t, isPlace(foot), "%v", foot)
		assert.InDelta(t, d.Metres(), geodesic.Distance(p, foot).Metres(), 1e-6)
		for _, v := range ring {
			assert.LessOrEqual(t, d.Metres(), geodesic.Distance(p, v).Metres()+1e-6, "no farther than a corner")
		}
	})
}
