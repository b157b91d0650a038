package cql2

import (
	"github.com/paulmach/orb"
)

// Transform returns an expression with every position of its geometry
// literals replaced, to read them in another coordinate system. A bounding
// box becomes a polygon, whose edges are divided so that they bend as they
// would on the map; it cannot cross the 180° meridian.
func Transform(e Expr, to func(orb.Point) (orb.Point, error)) (Expr, error) {
	var err error
	switch e := e.(type) {
	case Geometry:
		g, err := move(e.Geometry, to)
		if err != nil {
			return nil, problem(e.place, "%s", err)
		}
		return Geometry{g, e.place}, nil
	case Box:
		if err := checkBox(e); err != nil {
			return nil, err
		}
		west, east := e.longitudes()
		south, north := e.latitudes()
		if west > east {
			return nil, problem(e.place, "expected a bounding box that does not cross the 180° meridian")
		}
		return Transform(Geometry{divided(rectangle(west, south, east, north)), e.place}, to)
	case Call:
		e.Args, err = each(e.Args, func(a Expr) (Expr, error) { return Transform(a, to) })
		return e, err
	case Array:
		e.Items, err = each(e.Items, func(a Expr) (Expr, error) { return Transform(a, to) })
		return e, err
	}
	return e, nil
}

func each[T any](list []T, change func(T) (T, error)) ([]T, error) {
	out := make([]T, len(list))
	for i, v := range list {
		var err error
		if out[i], err = change(v); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func move(g orb.Geometry, to func(orb.Point) (orb.Point, error)) (moved orb.Geometry, err error) {
	line := func(l orb.LineString) (orb.LineString, error) { return each(l, to) }
	ring := func(r orb.Ring) (orb.Ring, error) { return each(r, to) }
	polygon := func(p orb.Polygon) (orb.Polygon, error) { return each(p, ring) }
	switch g := g.(type) {
	case orb.Point:
		return to(g)
	case orb.MultiPoint:
		g, err = each(g, to)
		return g, err
	case orb.LineString:
		return line(g)
	case orb.MultiLineString:
		g, err = each(g, line)
		return g, err
	case orb.Polygon:
		return polygon(g)
	case orb.MultiPolygon:
		g, err = each(g, polygon)
		return g, err
	case orb.Collection:
		g, err = each(g, func(g orb.Geometry) (orb.Geometry, error) { return move(g, to) })
		return g, err
	}
	return g, nil
}

// divided cuts the edges of a rectangle into 16 each.
func divided(g orb.Geometry) orb.Geometry {
	p, ok := g.(orb.Polygon)
	if !ok {
		return g
	}
	const parts = 16
	var r orb.Ring
	for i, a := range p[0][:len(p[0])-1] {
		b := p[0][i+1]
		for k := range parts {
			f := float64(k) / parts
			r = append(r, orb.Point{a[0] + f*(b[0]-a[0]), a[1] + f*(b[1]-a[1])})
		}
	}
	return orb.Polygon{append(r, r[0])}
}
