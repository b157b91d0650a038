package shp

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo/vector"
)

// maxWork bounds the comparisons of rings and positions that sorting out one
// polygon may take, some seconds' worth.
const maxWork = 400_000_000

var errIntricate = errors.New("it has too many holes in too many areas to sort out")

// ring is a ring while it is sorted out.
type ring struct {
	span
	points []orb.Point
	box    orb.Bound
	area   float64 // twice, positive when it runs counter-clockwise
	hole   bool
}

// groups are the polygons that rings make: of each the outer ring, then its
// holes.
type groups struct {
	of       [][]span
	reversed bool // rings run counter-clockwise where the format wants clockwise
	astray   int  // rings that run like holes but lie in no outer ring
}

// groupRings puts a polygon's rings together, outer rings in their order. A
// hole goes to the smallest outer ring that holds it; one that lies in none
// becomes a polygon of its own.
func groupRings(points []orb.Point, spans []span) (groups, error) {
	rings := make([]ring, len(spans))
	for i, s := range spans {
		ps := s.of(points)
		rings[i] = ring{span: s, points: ps, area: vector.TwiceArea(ps)}
		rings[i].box, _ = vector.Extent(orb.LineString(ps))
	}
	work := 0
	owner, astray, err := owners(rings, 1, &work)
	if err != nil {
		return groups{}, err
	}
	reversed := false
	if astray > 0 { // perhaps all rings run the other way
		other, left, err := owners(rings, -1, &work)
		if err != nil {
			return groups{}, err
		}
		if reversed = left == 0; reversed {
			owner, astray = other, 0
		}
	}
	g := groups{astray: astray, reversed: reversed && len(rings) > 1}
	at := make([]int, len(rings)) // the group of an outer ring
	for i, r := range rings {
		if owner[i] < 0 {
			at[i] = len(g.of)
			g.of = append(g.of, []span{r.span})
		}
	}
	for i, r := range rings {
		if owner[i] >= 0 {
			g.of[at[owner[i]]] = append(g.of[at[owner[i]]], r.span)
		}
	}
	return g, nil
}

// owners returns for each hole the outer ring that it belongs to, -1 for outer
// rings and for the holes in none, which are astray. Holes are the rings whose
// area has the given sign. work counts comparisons.
func owners(rings []ring, sign float64, work *int) (owner []int, astray int, err error) {
	owner = make([]int, len(rings))
	var outer []int
	for i := range rings {
		owner[i] = -1
		if rings[i].hole = rings[i].area*sign > 0; !rings[i].hole {
			outer = append(outer, i)
		}
	}
	// The first outer ring that holds a hole is then the smallest.
	slices.SortStableFunc(outer, func(a, b int) int {
		return cmp.Compare(math.Abs(rings[a].area), math.Abs(rings[b].area))
	})
	for i := range rings {
		if !rings[i].hole {
			continue
		}
		for _, o := range outer {
			if *work++; *work > maxWork {
				return nil, 0, errIntricate
			}
			if holds(rings[o].box, rings[i].box) && (len(outer) == 1 || inside(&rings[i], &rings[o], work)) {
				owner[i] = o
				break
			}
		}
		if owner[i] < 0 {
			astray++
		}
	}
	return owner, astray, nil
}

func holds(a, b orb.Bound) bool {
	return a.Min[0] <= b.Min[0] && a.Min[1] <= b.Min[1] && a.Max[0] >= b.Max[0] && a.Max[1] >= b.Max[1]
}

// inside tells whether the hole lies in the outer ring: its first position that
// is not on the outer ring decides. work counts what it took.
func inside(hole, outer *ring, work *int) bool {
	for _, p := range hole.points {
		if *work += len(outer.points); *work > maxWork {
			return false // the caller gives up at its next step
		}
		switch side(p, outer.points) {
		case 1:
			return true
		case -1:
			return false
		}
	}
	return true
}

// side is 1 for a position inside the ring, -1 outside and 0 on it.
func side(p orb.Point, ring []orb.Point) int {
	in := false
	for i := 1; i < len(ring); i++ {
		a, b := ring[i-1], ring[i]
		if (a[1] > p[1]) == (b[1] > p[1]) {
			if a[1] == p[1] && b[1] == p[1] && min(a[0], b[0]) <= p[0] && p[0] <= max(a[0], b[0]) || a == p || b == p {
				return 0
			}
			continue
		}
		cross := (b[0]-a[0])*(p[1]-a[1]) - (p[0]-a[0])*(b[1]-a[1])
		if cross == 0 {
			return 0
		}
		if (cross > 0) == (b[1] > a[1]) {
			in = !in
		}
	}
	if in {
		return 1
	}
	return -1
}
