package geodesic

import (
	"github.com/paulmach/orb"

	"holdfast/geo"
)

// The package computes on WGS 84 only. On a flatter ellipsoid the high powers
// of the flattening weigh enough to be seen, so tests look there too.

func InverseOn(el geo.Ellipsoid, a, b orb.Point) (s, az1, az2 float64) {
	s, sa1, ca1, sa2, ca2 := newSpheroid(el).inverse(a, b)
	return s, float64(bearing(sa1, ca1)), float64(bearing(sa2, ca2))
}

func DirectOn(el geo.Ellipsoid, a orb.Point, az geo.Bearing, s geo.Length) (orb.Point, geo.Bearing) {
	l := newSpheroid(el).line(a, az)
	return l.At(s)
}

// Bound is the least distance in metres that a segment may have.
func Bound(p, a, b orb.Point) float64 { return bound(place(p), place(a), place(b)) }

func AreaOn(el geo.Ellipsoid, ring orb.Ring) float64 {
	return newSpheroid(el).enclosed(ring).area
}

// ToSegment returns the point nearest to p on the shortest geodesic from a to
// b, and its distance. If a and b coincide the foot is a; an invalid point
// gives NaN.
func ToSegment(p, a, b orb.Point) (foot orb.Point, d geo.Length) {
	foot, d, _ = nearest(p, a, b)
	return foot, d
}
