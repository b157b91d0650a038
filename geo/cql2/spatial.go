package cql2

import (
	"fmt"

	"github.com/paulmach/orb"
	"github.com/peterstace/simplefeatures/geom"
)

// shaped is a geometry as the predicates take it, with its bounds at hand.
type shaped struct {
	geom.Geometry
	bounds geom.Envelope
}

func newShaped(g geom.Geometry) shaped { return shaped{g, g.Envelope()} }

// place returns the geometry of the feature; false when it has none.
func (r *row) place() (shaped, bool) {
	if !r.shaped {
		r.shaped = true
		if r.Geometry != nil {
			r.shape = newShaped(toGeom(r.Geometry))
		}
	}
	return r.shape, r.Geometry != nil && !r.shape.IsEmpty()
}

// geometry compiles an argument of a spatial function.
func (c compiler) geometry(e Expr) (func(*row) (shaped, bool), error) {
	switch e := e.(type) {
	case Property:
		t, err := c.typeOf(e)
		if err == nil && t != GeometryType {
			err = problem(e.place, "expected a geometry; the property %q is %s", shorten(e.Name), t)
		}
		return (*row).place, err
	case Geometry, Box:
		g, err := literalGeometry(e)
		if err != nil {
			return nil, err
		}
		s := newShaped(toGeom(g))
		if err := s.Validate(); err != nil {
			return nil, problem(e.where(), "expected a valid geometry: %s", err)
		}
		return func(*row) (shaped, bool) { return s, true }, nil
	}
	return nil, problem(e.where(), "expected a geometry, a bounding box or a property, found %s", shorten(Text(e)))
}

func literalGeometry(e Expr) (orb.Geometry, error) {
	if g, ok := e.(Geometry); ok {
		if g.Geometry == nil {
			return nil, problem(g.place, "expected a geometry")
		}
		if err := complete(g.Geometry, false); err != nil {
			return nil, problem(g.place, "%s", err)
		}
		return g.Geometry, nil
	}
	return e.(Box).geometry()
}

// geometry returns what a box covers: one rectangle, or two where it crosses
// the 180° meridian. A rectangle without an area is a line or a point.
func (b Box) geometry() (orb.Geometry, error) {
	if err := checkBox(b); err != nil {
		return nil, err
	}
	west, east := b.longitudes()
	south, north := b.latitudes()
	if west <= east {
		return rectangle(west, south, east, north), nil
	}
	if west > 180 || east < -180 {
		return nil, problem(b.place, "expected longitudes within ±180 in a box across the 180° meridian, found %g and %g", west, east)
	}
	left, right := rectangle(west, south, 180, north), rectangle(-180, south, east, north)
	if l, ok := left.(orb.Polygon); ok {
		if r, ok := right.(orb.Polygon); ok {
			return orb.MultiPolygon{l, r}, nil
		}
	}
	return orb.Collection{left, right}, nil
}

func rectangle(west, south, east, north float64) orb.Geometry {
	b := orb.Bound{Min: orb.Point{west, south}, Max: orb.Point{east, north}}
	switch {
	case b.Min == b.Max:
		return b.Min
	case west == east || south == north:
		return orb.LineString{b.Min, b.Max}
	}
	return b.ToPolygon()
}

func (c compiler) spatial(e Call) (test, error) {
	a, err := c.geometry(e.Args[0])
	if err != nil {
		return nil, err
	}
	b, err := c.geometry(e.Args[1])
	if err != nil {
		return nil, err
	}
	return func(r *row) truth {
		x, ok1 := a(r)
		y, ok2 := b(r)
		if !ok1 || !ok2 {
			return unknown
		}
		return relate(e.Op, x, y)
	}, nil
}

// relate answers a spatial function as OGC 06-103r4 §6.1.15 defines it. Where
// the geometry of a feature is so broken that there is no answer, it is
// unknown.
func relate(op Op, a, b shaped) (t truth) {
	if !a.bounds.Intersects(b.bounds) { // then only one of them holds
		return truly(op == SDisjoint)
	}
	// The predicates panic on what they take for impossible; one stored
	// feature must not stop the program.
	defer func() {
		if recover() != nil {
			t = unknown
		}
	}()
	var holds bool
	var err error
	switch op {
	case SIntersects:
		holds = geom.Intersects(a.Geometry, b.Geometry)
	case SDisjoint:
		holds = !geom.Intersects(a.Geometry, b.Geometry)
	case SContains:
		holds, err = geom.Contains(a.Geometry, b.Geometry)
	case SWithin:
		holds, err = geom.Within(a.Geometry, b.Geometry)
	case SCrosses:
		holds, err = geom.Crosses(a.Geometry, b.Geometry)
	case SEquals:
		holds, err = geom.Equals(a.Geometry, b.Geometry)
	case SOverlaps:
		holds, err = geom.Overlaps(a.Geometry, b.Geometry)
	case STouches:
		holds, err = geom.Touches(a.Geometry, b.Geometry)
	default:
		err = fmt.Errorf("no spatial function %s", op)
	}
	if err != nil {
		return unknown
	}
	return truly(holds)
}

// toGeom converts a geometry without judging it.
func toGeom(g orb.Geometry) geom.Geometry {
	switch g := g.(type) {
	case orb.Point:
		return toPoint(g).AsGeometry()
	case orb.MultiPoint:
		return geom.NewMultiPoint(convert(g, toPoint)).AsGeometry()
	case orb.LineString:
		return toLine(g).AsGeometry()
	case orb.MultiLineString:
		return geom.NewMultiLineString(convert(g, toLine)).AsGeometry()
	case orb.Ring:
		return toGeom(orb.Polygon{g})
	case orb.Polygon:
		return toPolygon(g).AsGeometry()
	case orb.MultiPolygon:
		return geom.NewMultiPolygon(convert(g, toPolygon)).AsGeometry()
	case orb.Collection:
		return geom.NewGeometryCollection(convert(g, toGeom)).AsGeometry()
	case orb.Bound:
		return toGeom(g.ToPolygon())
	}
	return geom.Geometry{}
}

func convert[A, B any](list []A, one func(A) B) []B {
	out := make([]B, len(list))
	for i, v := range list {
		out[i] = one(v)
	}
	return out
}

func toPoint(p orb.Point) geom.Point { return geom.XY{X: p[0], Y: p[1]}.AsPoint() }

func toSequence[P ~[]orb.Point](ps P) geom.Sequence {
	flat := make([]float64, 0, 2*len(ps))
	for _, p := range ps {
		flat = append(flat, p[0], p[1])
	}
	return geom.NewSequence(flat, geom.DimXY)
}

func toLine(l orb.LineString) geom.LineString { return geom.NewLineString(toSequence(l)) }

func toPolygon(p orb.Polygon) geom.Polygon {
	return geom.NewPolygon(convert(p, func(r orb.Ring) geom.LineString { return geom.NewLineString(toSequence(r)) }))
}
