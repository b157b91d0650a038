package surround

import (
	"cmp"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/tangent"
)

// shapeReach is how near a feature must come for stakes to be measured from
// it; all of it that lies further off is left out of its shape.
const shapeReach = 75 * geo.Metre

var farAway = geo.Length(math.Inf(1))

// shape is what of a feature lies within shapeReach of a point, on the plane
// there: enough for the distance from anything that stands round the point.
type shape struct {
	parts []part
}

// part is a line, a place (a segment of no length) or an area.
type part struct {
	segments []segment // the nearest to the point first
	area     bool
	inside   bool // of an area: the point itself lies in it
}

// segment is a straight piece and how far off the point it is, metres.
type segment struct {
	a, b tangent.XY
	away float64
}

// shapeOf returns the shape of a geometry about the point where the plane
// touches.
func shapeOf(g orb.Geometry, plane *tangent.Plane) *shape {
	var s shape
	s.add(g, plane)
	for i := range s.parts {
		slices.SortFunc(s.parts[i].segments, func(x, y segment) int { return cmp.Compare(x.away, y.away) })
	}
	return &s
}

func (s *shape) add(g orb.Geometry, plane *tangent.Plane) {
	switch g := g.(type) {
	case orb.Point:
		s.line(orb.LineString{g, g}, plane)
	case orb.MultiPoint:
		for _, p := range g {
			s.add(p, plane)
		}
	case orb.LineString:
		s.line(g, plane)
	case orb.MultiLineString:
		for _, l := range g {
			s.line(l, plane)
		}
	case orb.Ring:
		s.add(orb.Polygon{g}, plane)
	case orb.Polygon:
		_, d, ok := geodesic.ToPolygon(plane.Origin(), g)
		p := part{area: true, inside: ok && d == 0}
		for _, r := range g {
			p.trace(r, plane)
			if len(r) > 0 {
				p.trace([]orb.Point{r[len(r)-1], r[0]}, plane) // of no length in a ring that is closed
			}
		}
		s.parts = append(s.parts, p)
	case orb.MultiPolygon:
		for _, p := range g {
			s.add(p, plane)
		}
	case orb.Collection:
		for _, p := range g {
			s.add(p, plane)
		}
	}
}

func (s *shape) line(l orb.LineString, plane *tangent.Plane) {
	if len(l) == 1 {
		l = orb.LineString{l[0], l[0]}
	}
	var p part
	p.trace(l, plane)
	s.parts = append(s.parts, p)
}

// trace adds the segments of a chain that come within reach.
func (p *part) trace(chain []orb.Point, plane *tangent.Plane) {
	var a tangent.XY
	okA := false
	for i, v := range chain {
		b, okB := plane.Project(v)
		if i > 0 && okA && okB {
			if away := (tangent.XY{}).To(nearestOf(tangent.XY{}, a, b)); away <= shapeReach {
				p.segments = append(p.segments, segment{a, b, float64(away)})
			}
		}
		a, okA = b, okB
	}
}

// nearestOf returns the place of the segment from a to b that is nearest to p.
func nearestOf(p, a, b tangent.XY) tangent.XY {
	dx, dy := b.X-a.X, b.Y-a.Y
	l := dx*dx + dy*dy
	if l == 0 {
		return a
	}
	t := min(max(((p.X-a.X)*dx+(p.Y-a.Y)*dy)/l, 0), 1)
	return tangent.XY{X: a.X + t*dx, Y: a.Y + t*dy}
}

// from returns the distance from a place to the shape.
func (s *shape) from(p tangent.XY) geo.Length {
	best := math.Inf(1) // squared
	out := math.Hypot(p.X, p.Y)
	for i := range s.parts {
		q := &s.parts[i]
		if q.area && q.contains(p) {
			return 0
		}
		for k := range q.segments {
			g := &q.segments[k]
			if least := g.away - out - 1e-6; least > 0 && least*least > best {
				break // no nearer than the way back to the point leaves it, nor are the rest
			}
			f := nearestOf(p, g.a, g.b)
			best = min(best, (f.X-p.X)*(f.X-p.X)+(f.Y-p.Y)*(f.Y-p.Y))
		}
	}
	return geo.Length(math.Sqrt(best))
}

// contains tells whether a place lies in the area: each edge crossed on the way
// from the point changes the side.
func (q *part) contains(p tangent.XY) bool { return q.inside != (q.crossings(p)%2 == 1) }

// crossings counts the segments that the way from the point to p crosses.
func (q *part) crossings(p tangent.XY) int {
	n := 0
	for k := range q.segments {
		a, b := q.segments[k].a, q.segments[k].b
		sideA, sideB := p.X*a.Y-p.Y*a.X, p.X*b.Y-p.Y*b.X
		if (sideA > 0) == (sideB > 0) {
			continue
		}
		// The segment meets the line through the point and p at a share t of the way to p.
		f := sideA / (sideA - sideB)
		x, y := a.X+f*(b.X-a.X), a.Y+f*(b.Y-a.Y)
		if t := (x*p.X + y*p.Y) / (p.X*p.X + p.Y*p.Y); t > 0 && t <= 1 {
			n++
		}
	}
	return n
}

// crosses tells whether the way from the point to p crosses a line.
func (s *shape) crosses(p tangent.XY) bool {
	for i := range s.parts {
		if s.parts[i].crossings(p) > 0 {
			return true
		}
	}
	return false
}
