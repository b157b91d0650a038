package tile

import (
	"cmp"
	"slices"
)

// turn is a way through a vertex: from one neighbour to the next.
type turn struct{ from, at vertex }

// trace follows edges, which meet only end to end, round the areas they
// enclose by the even-odd rule. The rings are simple; they have no more than
// vertices in common and do not cross there.
func trace(edges []edge) []ring {
	neighbours := make(map[vertex][]vertex, len(edges))
	for _, e := range edges {
		neighbours[e.a] = append(neighbours[e.a], e.b)
		neighbours[e.b] = append(neighbours[e.b], e.a)
	}
	to := make(map[turn]vertex, 2*len(edges))
	join := func(at, p, q vertex) {
		to[turn{p, at}] = q
		to[turn{q, at}] = p
	}
	for at, around := range neighbours {
		if len(around) == 2 {
			join(at, around[0], around[1])
			continue
		}
		// Areas that meet at this vertex are kept apart: neighbours are
		// joined across the area between them.
		slices.SortFunc(around, func(p, q vertex) int { return byAngle(at, p, q) })
		first := 0
		if inside(edges, at) {
			first = 1
		}
		for i := first; i < len(around)+first; i += 2 {
			join(at, around[i%len(around)], around[(i+1)%len(around)])
		}
	}
	used := make(map[edge]bool, len(edges))
	var out []ring
	for _, e := range edges {
		var walk ring
		for from, at := e.a, e.b; !used[newEdge(from, at)]; {
			used[newEdge(from, at)] = true
			walk = append(walk, at)
			from, at = at, to[turn{from, at}]
		}
		out = append(out, simple(walk)...)
	}
	return out
}

// byAngle orders neighbours of a vertex as they are met when turning from +y
// by way of -x; one in direction +y itself comes last.
func byAngle(at, p, q vertex) int {
	late := func(v vertex) bool { return v.x > at.x || v.x == at.x && v.y > at.y }
	if a, b := late(p), late(q); a != b {
		if a {
			return 1
		}
		return -1
	}
	return cmp.Compare(0, cross(at, p, q))
}

// inside tells whether the place beside a vertex in direction +y, a trifle to
// -x, is in the area: whether the line from there along -x crosses an odd
// number of edges.
func inside(edges []edge, v vertex) bool {
	in := false
	for _, e := range edges {
		low, high := e.a, e.b
		if low.y > high.y {
			low, high = high, low
		}
		if low.y <= v.y && v.y < high.y {
			side := cross(low, high, v)
			if low == v {
				side = high.x - low.x
			}
			if side < 0 {
				in = !in
			}
		}
	}
	return in
}

// simple cuts a closed walk into rings that come to each vertex once.
func simple(walk ring) []ring {
	var out []ring
	var path ring
	number := make(map[vertex]int, len(walk))
	for _, v := range walk {
		if i, ok := number[v]; ok {
			out = append(out, slices.Clone(path[i:]))
			for _, u := range path[i:] {
				delete(number, u)
			}
			path = path[:i]
		}
		number[v] = len(path)
		path = append(path, v)
	}
	if len(path) > 0 {
		out = append(out, path)
	}
	return out
}
