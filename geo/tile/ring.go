package tile

import (
	"cmp"
	"slices"

	"github.com/paulmach/orb"
)

// vertex is a place on the grid. All arithmetic on it is exact.
type vertex struct{ x, y int }

func (v vertex) times(k int) vertex { return vertex{k * v.x, k * v.y} }

// ring is an area's outline; it closes from the last vertex to the first.
type ring []vertex

// next is the vertex after number i.
func (r ring) next(i int) vertex { return r[(i+1)%len(r)] }

// cross is twice the area of the triangle a, b, c: positive when it turns
// clockwise as the tile is displayed.
func cross(a, b, c vertex) int { return (b.x-a.x)*(c.y-a.y) - (b.y-a.y)*(c.x-a.x) }

// area is twice the area, positive when the ring runs clockwise as displayed
// (the surveyor's formula of MVT 2.1 §4.3.4.4).
func (r ring) area() int {
	sum := 0
	for i, a := range r {
		b := r.next(i)
		sum += a.x*b.y - a.y*b.x
	}
	return sum
}

// tidy takes out vertices that repeat, lie on the line between their
// neighbours or are the tip of a spike without an area. It returns nil when no
// area is left.
func tidy(r ring) ring {
	var out ring
	for _, v := range r {
		for len(out) > 1 && cross(out[len(out)-2], out[len(out)-1], v) == 0 {
			out = out[:len(out)-1]
		}
		if len(out) == 0 || out[len(out)-1] != v {
			out = append(out, v)
		}
	}
	for len(out) > 2 {
		switch n := len(out); {
		case cross(out[n-2], out[n-1], out[0]) == 0:
			out = out[:n-1]
		case cross(out[n-1], out[0], out[1]) == 0:
			out = out[1:]
		default:
			return out
		}
	}
	return nil
}

// nest sorts rings into polygons: one that lies in an odd number of others is
// a hole of the smallest of them. The rings are simple and have no more than
// single vertices in common.
func nest(rings []ring) orb.MultiPolygon {
	slices.SortStableFunc(rings, func(a, b ring) int { return cmp.Compare(abs(b.area()), abs(a.area())) })
	polygon := make([]int, len(rings)) // of each outer ring
	var out orb.MultiPolygon
	for k, r := range rings {
		depth, parent := 0, 0
		for j := range k { // only larger rings can hold it
			if rings[j].holds(r) {
				depth++
				parent = j
			}
		}
		if depth%2 == 0 {
			polygon[k] = len(out)
			out = append(out, orb.Polygon{r.oriented(1)})
			continue
		}
		p := polygon[parent]
		out[p] = append(out[p], r.oriented(-1))
	}
	return out
}

// holds tells whether another ring lies within r, by the middle of its first
// edge, which cannot be on r.
func (r ring) holds(other ring) bool {
	mid := vertex{other[0].x + other[1].x, other[0].y + other[1].y} // doubled
	in := false
	for i := range r {
		a, b := r[i].times(2), r.next(i).times(2)
		if (a.y > mid.y) != (b.y > mid.y) && (cross(a, b, mid) > 0) == (b.y > a.y) {
			in = !in
		}
	}
	return in
}

// oriented returns the ring closed and clockwise as displayed for sign 1, the
// other way for -1.
func (r ring) oriented(sign int) orb.Ring {
	out := make(orb.Ring, 0, len(r)+1)
	for _, v := range r {
		out = append(out, orb.Point{float64(v.x), float64(v.y)})
	}
	if r.area()*sign < 0 {
		slices.Reverse(out)
	}
	return append(out, out[0])
}

func abs(v int) int { return max(v, -v) }
