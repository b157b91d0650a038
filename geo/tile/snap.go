package tile

import (
	"cmp"
	"errors"
	"slices"

	"github.com/paulmach/orb"
	"github.com/peterstace/simplefeatures/rtree"
)

// A polygon with more edges, or with outlines that cross each other more often,
// is simplified further, to bound the work.
const (
	mostEdges     = 20_000
	mostCrossings = 50_000
)

// edge is a line between two vertices, the lesser first.
type edge struct{ a, b vertex }

func newEdge(a, b vertex) edge {
	if b.x < a.x || b.x == a.x && b.y < a.y {
		a, b = b, a
	}
	return edge{a, b}
}

func (e edge) box(margin float64) rtree.Box {
	return rtree.Box{
		MinX: float64(e.a.x) - margin, MaxX: float64(e.b.x) + margin,
		MinY: float64(min(e.a.y, e.b.y)) - margin, MaxY: float64(max(e.a.y, e.b.y)) + margin,
	}
}

// assemble makes valid polygons of rings that enclose an area by the even-odd
// rule. Outlines that putting them on the grid has made touch or cross are cut
// there. It is false when that is too much work.
func assemble(rings []ring) (orb.MultiPolygon, bool) {
	var edges []edge
	for _, r := range rings {
		for i, v := range r {
			edges = append(edges, newEdge(v, r.next(i)))
		}
	}
	if len(edges) > mostEdges {
		return nil, false
	}
	hot, ok := meetings(edges)
	switch {
	case !ok:
		return nil, false
	case len(hot) == 0:
		return nest(rings), true
	}
	for _, e := range edges {
		hot = append(hot, e.a, e.b)
	}
	return nest(trace(odd(snap(edges, hot)))), true
}

var errEnough = errors.New("enough")

// meetings returns the vertices nearest to where edges meet other than end to
// end; false when there are too many.
func meetings(edges []edge) ([]vertex, bool) {
	items := make([]rtree.BulkItem, len(edges))
	for i, e := range edges {
		items[i] = rtree.BulkItem{Box: e.box(0), RecordID: i}
	}
	tree := rtree.BulkLoad(items)
	degree := make(map[vertex]int, len(edges))
	var out []vertex
	for i, e := range edges {
		degree[e.a]++
		degree[e.b]++
		err := tree.RangeSearch(e.box(0), func(j int) error {
			if j <= i {
				return nil
			}
			if at, ok := meeting(e, edges[j]); ok {
				if out = append(out, at); len(out) > mostCrossings {
					return errEnough
				}
			}
			return nil
		})
		if err != nil {
			return nil, false
		}
	}
	for v, n := range degree {
		if n > 2 { // outlines touch end to end
			out = append(out, v)
		}
	}
	return out, true
}

// meeting returns the vertex nearest to where two edges meet, but not when
// both end there. Of edges that overlap it is an end of one within the other.
func meeting(e, f edge) (vertex, bool) {
	s1, s2 := sign(cross(e.a, e.b, f.a)), sign(cross(e.a, e.b, f.b))
	s3, s4 := sign(cross(f.a, f.b, e.a)), sign(cross(f.a, f.b, e.b))
	switch {
	case s1 == 0 && s2 == 0: // on one line
		if e == f {
			return e.a, true
		}
		for _, at := range []vertex{e.a, e.b, f.a, f.b} {
			if e.within(at) && f.within(at) && (at == e.a || at == e.b) != (at == f.a || at == f.b) {
				return at, true
			}
		}
		return vertex{}, false
	case s1*s2 > 0 || s3*s4 > 0:
		return vertex{}, false
	case (s1 == 0 || s2 == 0) && (s3 == 0 || s4 == 0): // end to end
		return vertex{}, false
	}
	// f crosses e at a + (b - a)·t, t = num/den
	num, den := cross(f.a, f.b, e.a), cross(f.a, f.b, e.a)-cross(f.a, f.b, e.b)
	return vertex{
		e.a.x + nearest((e.b.x-e.a.x)*num, den),
		e.a.y + nearest((e.b.y-e.a.y)*num, den),
	}, true
}

// within tells whether a vertex on the line of the edge is on the edge.
func (e edge) within(v vertex) bool {
	return e.a.x <= v.x && v.x <= e.b.x && min(e.a.y, e.b.y) <= v.y && v.y <= max(e.a.y, e.b.y)
}

func sign(v int) int { return cmp.Compare(v, 0) }

// nearest is num/den to the nearest whole number, halves up.
func nearest(num, den int) int {
	if den < 0 {
		num, den = -num, -den
	}
	num, den = 2*num+den, 2*den
	if num < 0 {
		num -= den - 1
	}
	return num / den
}

// snap leads every edge through the hot vertices near it: those in whose unit
// square it comes. Edges then meet only end to end (snap rounding: Hobby,
// Computational Geometry 13, 1999).
func snap(edges []edge, hot []vertex) []edge {
	slices.SortFunc(hot, func(a, b vertex) int { return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.y, b.y)) })
	hot = slices.Compact(hot)
	items := make([]rtree.BulkItem, len(hot))
	for i, v := range hot {
		items[i] = rtree.BulkItem{Box: edge{v, v}.box(0), RecordID: i}
	}
	tree := rtree.BulkLoad(items)
	var out []edge
	for _, e := range edges {
		var through []vertex
		_ = tree.RangeSearch(e.box(1), func(i int) error {
			if e.passes(hot[i]) {
				through = append(through, hot[i])
			}
			return nil
		})
		along := func(v vertex) int { return (v.x-e.a.x)*(e.b.x-e.a.x) + (v.y-e.a.y)*(e.b.y-e.a.y) }
		slices.SortFunc(through, func(p, q vertex) int { return cmp.Compare(along(p), along(q)) })
		for i := 1; i < len(through); i++ {
			out = append(out, newEdge(through[i-1], through[i]))
		}
	}
	return out
}

// passes tells whether the edge comes into the unit square round a vertex,
// left and lower sides included. With coordinates in 65536ths the excluded
// sides can be moved inward by one part: no line between two vertices of a
// tile comes closer to a corner without going through it.
func (e edge) passes(v vertex) bool {
	const fine = 1 << 16
	a, b, c := e.a.times(fine), e.b.times(fine), v.times(fine)
	low, high := vertex{c.x - fine/2, c.y - fine/2}, vertex{c.x + fine/2 - 1, c.y + fine/2 - 1}
	if b.x < low.x || a.x > high.x || max(a.y, b.y) < low.y || min(a.y, b.y) > high.y {
		return false
	}
	s1, s2 := sign(cross(a, b, low)), sign(cross(a, b, vertex{high.x, low.y}))
	s3, s4 := sign(cross(a, b, vertex{low.x, high.y})), sign(cross(a, b, high))
	return abs(s1+s2+s3+s4) < 4
}

// odd returns the edges that occur an odd number of times, which are those
// with the area on one side only.
func odd(edges []edge) []edge {
	slices.SortFunc(edges, func(e, f edge) int {
		return cmp.Or(cmp.Compare(e.a.x, f.a.x), cmp.Compare(e.a.y, f.a.y), cmp.Compare(e.b.x, f.b.x), cmp.Compare(e.b.y, f.b.y))
	})
	var out []edge
	for i := 0; i < len(edges); {
		n := i
		for n < len(edges) && edges[n] == edges[i] {
			n++
		}
		if (n-i)%2 == 1 {
			out = append(out, edges[i])
		}
		i = n
	}
	return out
}
