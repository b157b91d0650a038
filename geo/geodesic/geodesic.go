// Package geodesic computes shortest lines, distances, bearings and areas on
// the WGS 84 ellipsoid, after C. F. F. Karney, "Algorithms for geodesics",
// J. Geodesy 87, 43-55 (2013), with its series to sixth order.
//
// Points are longitude, latitude in degrees; any finite longitude is taken,
// a latitude must lie in [-90, 90]. Distances and positions are good to 15 nm
// anywhere on the globe, nearly antipodal points and poles included. Heights
// play no part: lengths are those on the ellipsoid.
package geodesic

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

var wgs84 = newSpheroid(geo.WGS84)

// Inverse returns the length of the shortest geodesic from a to b, its
// bearing at a and its bearing at b (forward, away from a).
//
// Where two geodesics are equally short, as between points on opposite
// parallels near half a turn apart, one of them is returned. At a pole the
// bearing is that which the meridian of the given longitude makes with the
// line. ok is false if there is no bearing: for coincident points, length 0,
// and for an invalid point, length NaN.
func Inverse(a, b orb.Point) (s geo.Length, az1, az2 geo.Bearing, ok bool) {
	length, sa1, ca1, sa2, ca2 := wgs84.inverse(a, b)
	if !(length > 0) {
		return geo.Length(length), 0, 0, false
	}
	return geo.Length(length), bearing(sa1, ca1), bearing(sa2, ca2), true
}

// Distance returns the length of the shortest geodesic from a to b: 0 for
// coincident points, NaN for an invalid one.
func Distance(a, b orb.Point) geo.Length {
	s, _, _, _, _ := wgs84.inverse(a, b)
	return geo.Length(s)
}

// Direct returns the point at distance s from a on bearing az, and the
// bearing of the line there. A negative s goes the opposite way, with the
// bearings still those of the line. The longitude is in [-180, 180]. An
// invalid point, or a bearing or length that is not finite, gives NaN.
func Direct(a orb.Point, az geo.Bearing, s geo.Length) (b orb.Point, az2 geo.Bearing) {
	l := NewLine(a, az)
	return l.At(s)
}

// inverse returns the length in metres and the sines and cosines of the
// azimuths.
func (w *spheroid) inverse(a, b orb.Point) (s, sa1, ca1, sa2, ca2 float64) {
	if !valid(a) || !valid(b) {
		nan := math.NaN()
		return nan, nan, nan, nan, nan
	}
	p := w.arrange(a[0], a[1], b[0], b[1])
	c := w.solve(&p)
	sa1, ca1, sa2, ca2 = p.restore(&c)
	return c.s12, sa1, ca1, sa2, ca2
}

// bearing returns the direction with the given sine and cosine.
func bearing(s, c float64) geo.Bearing {
	d := atan2d(s, c)
	switch {
	case d < 0:
		d += 360
		if d == 360 { // rounded up from a hair west of north
			d = 0
		}
	case d == 0: // no minus zero
		d = 0
	}
	return geo.Bearing(d)
}

// valid tells whether p is a place: latitude in [-90, 90], longitude finite.
func valid(p orb.Point) bool {
	return math.Abs(p[1]) <= 90 && p[0]-p[0] == 0
}
