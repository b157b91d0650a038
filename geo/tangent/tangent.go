// Package tangent works in metres around one place: on the plane that touches
// the WGS 84 ellipsoid there, x east and y north. It is for layouts of some
// tens of metres, where plane geometry is exact enough and some hundred times
// quicker than geodesics.
//
// Within 30 m of the place, lengths, bearings and positions agree with the
// geodesic to a micrometre, and a geodesic of a line far longer than that is
// straight.
package tangent

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

// XY is a place on a plane: metres east and north of its origin.
type XY struct{ X, Y float64 }

// Plus returns the place moved on by q.
func (p XY) Plus(q XY) XY { return XY{p.X + q.X, p.Y + q.Y} }

// To returns the length from p to q.
func (p XY) To(q XY) geo.Length { return geo.Length(math.Hypot(q.X-p.X, q.Y-p.Y)) }

// Bearing returns the direction from p to q; ok is false where they coincide.
func (p XY) Bearing(q XY) (b geo.Bearing, ok bool) {
	if p == q {
		return 0, false
	}
	return geo.NewBearing(math.Atan2(q.X-p.X, q.Y-p.Y) * 180 / math.Pi), true
}

// Along returns the place at a distance on a bearing from the origin.
func Along(b geo.Bearing, d geo.Length) XY {
	sin, cos := math.Sincos(b.Radians())
	return XY{sin * float64(d), cos * float64(d)}
}

// Plane touches the ellipsoid at its origin.
type Plane struct {
	origin   orb.Point
	sin, cos float64 // of the latitude
	normal   float64 // radius of curvature of the prime vertical, N, metres
	meridian float64 // radius of curvature of the meridian, M, metres
	growth   float64 // (dM/dφ)/2M: how the meridian flattens towards the pole
}

// At returns the plane that touches the ellipsoid at a longitude and latitude
// in degrees.
func At(origin orb.Point) Plane {
	e2 := geo.WGS84.E2()
	sin, cos := math.Sincos(origin.Lat() * math.Pi / 180)
	w2 := 1 - e2*sin*sin
	n := geo.WGS84.A / math.Sqrt(w2)
	return Plane{
		origin: origin, sin: sin, cos: cos, normal: n,
		meridian: n * (1 - e2) / w2,
		growth:   1.5 * e2 * sin * cos / w2,
	}
}

// Origin returns where the plane touches.
func (p *Plane) Origin() orb.Point { return p.origin }

// seriesLatitude and seriesReach bound where the short series of Position is
// good to a micrometre; beyond them it goes by geodesics.
const (
	seriesLatitude = 85   // degrees
	seriesReach    = 1000 // metres
)

// Position returns the longitude and latitude of a place on the plane: the
// foot of its perpendicular on the ellipsoid, to second order in its distance
// over the earth's radius.
func (p *Plane) Position(q XY) orb.Point {
	if q == (XY{}) {
		return p.origin
	}
	if math.Abs(p.origin.Lat()) > seriesLatitude || math.Abs(q.X)+math.Abs(q.Y) > seriesReach {
		b, _ := XY{}.Bearing(q)
		at, _ := geodesic.Direct(p.origin, b, XY{}.To(q))
		return at
	}
	axis := p.normal*p.cos - q.Y*p.sin // distance from the earth's axis, in the plane's meridian
	t := q.X / axis
	north := q.Y - q.X*t*p.sin/2 // parallels curve towards the pole
	u := north / p.meridian
	lon := p.origin.Lon() + (t-t*t*t/3)*180/math.Pi
	switch {
	case lon > 180:
		lon -= 360
	case lon < -180:
		lon += 360
	}
	return orb.Point{lon, p.origin.Lat() + u*(1-p.growth*u)*180/math.Pi}
}

// Project returns where the ray to a place on the ellipsoid meets the plane,
// cast from the origin's own centre of curvature. Geodesics past the origin
// become straight lines: one of 20 km within a tenth of a millimetre. ok is
// false a quarter of the way round the earth and beyond.
func (p *Plane) Project(at orb.Point) (q XY, ok bool) {
	e2 := geo.WGS84.E2()
	sin, cos := math.Sincos(at.Lat() * math.Pi / 180)
	n := geo.WGS84.A / math.Sqrt(1-e2*sin*sin)
	dsin, dcos := math.Sincos((at.Lon() - p.origin.Lon()) * math.Pi / 180)
	// From the earth's centre: out in the origin's meridian and along the axis;
	// then the same from the origin.
	out := n*cos*dcos - p.normal*p.cos
	axis := (n*sin - p.normal*p.sin) * (1 - e2)
	up := out*p.cos + axis*p.sin
	radius := math.Sqrt(p.normal * p.meridian)
	if !(radius+up > 1e-3*radius) {
		return XY{}, false
	}
	scale := radius / (radius + up)
	return XY{n * cos * dsin * scale, (axis*p.cos - out*p.sin) * scale}, true
}
