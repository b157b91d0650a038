package surround

import (
	"cmp"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/tangent"
	"holdfast/survey"
)

// Reach is how far round a point the layers are read. A bank further away is
// not the bank of that point.
const Reach = 150 * geo.Metre

// Read looks the features near a point over. roles names every role that has
// a layer in the atlas, so that "no layer" is told from "nothing near".
func Read(at orb.Point, near []survey.LayerFeature, roles map[survey.Role]bool) Around {
	a := Around{Roles: roles}
	plane := tangent.At(at)
	for _, f := range near {
		n, ok := look(at, f)
		if !ok || n.Distance > Reach {
			continue
		}
		if n.Distance < shapeReach {
			n.shape = shapeOf(f.Geometry, &plane)
		}
		n.attributes(f.Properties)
		n.dated = n.Dated()
		a.Near = append(a.Near, n)
	}
	slices.SortStableFunc(a.Near, func(x, y Near) int { return cmp.Compare(x.Distance, y.Distance) })
	a.readBearings(at)
	a.readSetback()
	return a
}

// look measures from the point to one feature.
func look(at orb.Point, f survey.LayerFeature) (Near, bool) {
	foot, d, ok := Nearest(at, f.Geometry)
	if !ok {
		return Near{}, false
	}
	n := Near{Role: f.Role, Layer: f.Layer, ID: f.ID, Distance: d, AsOf: f.AsOf, Feature: f}
	if _, az, _, ok := geodesic.Inverse(at, foot); ok {
		n.Bearing = survey.Known(az)
	}
	return n, true
}

// Nearest returns the point of a geometry nearest to p and its distance; 0
// inside a polygon. ok is false for an empty geometry.
func Nearest(p orb.Point, g orb.Geometry) (foot orb.Point, d geo.Length, ok bool) {
	best := geo.Length(math.Inf(1))
	take := func(q orb.Point, dq geo.Length, okq bool) {
		if okq && dq < best {
			foot, best, ok = q, dq, true
		}
	}
	switch g := g.(type) {
	case orb.Point:
		take(g, geodesic.Distance(p, g), true)
	case orb.MultiPoint:
		for _, q := range g {
			take(q, geodesic.Distance(p, q), true)
		}
	case orb.LineString:
		f, okf := geodesic.ToLine(p, g)
		take(f.Point, f.Distance, okf)
	case orb.MultiLineString:
		for _, l := range g {
			f, okf := geodesic.ToLine(p, l)
			take(f.Point, f.Distance, okf)
		}
	case orb.Polygon:
		q, dq, okq := geodesic.ToPolygon(p, g)
		take(q, dq, okq)
	case orb.MultiPolygon:
		for _, poly := range g {
			q, dq, okq := geodesic.ToPolygon(p, poly)
			take(q, dq, okq)
		}
	case orb.Collection:
		for _, part := range g {
			take(Nearest(p, part))
		}
	}
	return foot, best, ok
}
