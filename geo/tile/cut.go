package tile

import (
	"cmp"
	"slices"

	"github.com/paulmach/orb"
)

// cut returns the parts of a ring within the window, as closed rings. Together
// they enclose what the ring encloses there. Unlike clipping along the four
// sides in the manner of Sutherland and Hodgman, it does not join separate
// parts by a double edge along the side.
func cut(r orb.Ring) []orb.Ring {
	if len(r) > 1 && r[0] == r[len(r)-1] {
		r = r[:len(r)-1]
	}
	rings := []orb.Ring{r}
	for axis := range 2 {
		rings = side(rings, axis, window.Min[axis], 1)
		rings = side(rings, axis, window.Max[axis], -1)
	}
	for i, r := range rings {
		rings[i] = append(r, r[0])
	}
	return rings
}

// side keeps what lies on one side of a line: above the limit on the axis for
// sign 1, below it for -1.
func side(rings []orb.Ring, axis int, limit, sign float64) []orb.Ring {
	inside := func(p orb.Point) bool { return (p[axis]-limit)*sign >= 0 }
	var out []orb.Ring
	var chains []orb.LineString // the parts inside, from where they enter to where they leave
	for _, r := range rings {
		first := slices.IndexFunc(r, func(p orb.Point) bool { return !inside(p) })
		switch {
		case len(r) < 3:
			continue
		case first < 0:
			out = append(out, r)
			continue
		}
		var chain orb.LineString
		for i := range r {
			a, b := r[(first+i)%len(r)], r[(first+i+1)%len(r)]
			switch in, stays := inside(a), inside(b); {
			case !in && stays:
				chain = orb.LineString{crossing(a, b, axis, limit), b}
			case in && stays:
				chain = append(chain, b)
			case in && !stays:
				chains = append(chains, append(chain, crossing(a, b, axis, limit)))
			}
		}
	}
	return append(out, link(chains, 1-axis)...)
}

// crossing returns where an edge crosses the line. It is computed from the
// lesser end, so that the same edge in the other direction crosses at the same
// place.
func crossing(a, b orb.Point, axis int, limit float64) orb.Point {
	if a[axis] > b[axis] {
		a, b = b, a
	}
	f := (limit - a[axis]) / (b[axis] - a[axis])
	var p orb.Point
	p[axis] = limit
	p[1-axis] = a[1-axis] + f*(b[1-axis]-a[1-axis])
	return p
}

// link closes chains along the line that their ends lie on. Going along it,
// one is inside after every odd end, so each pair of neighbouring ends is
// joined.
func link(chains []orb.LineString, along int) []orb.Ring {
	type end struct {
		chain int
		last  bool
		at    float64
	}
	var ends []end
	for i, c := range chains {
		ends = append(ends, end{i, false, c[0][along]}, end{i, true, c[len(c)-1][along]})
	}
	slices.SortStableFunc(ends, func(a, b end) int { return cmp.Compare(a.at, b.at) })
	partner := make(map[[2]int]end, len(ends))
	key := func(e end) [2]int {
		if e.last {
			return [2]int{e.chain, 1}
		}
		return [2]int{e.chain, 0}
	}
	for i := 0; i+1 < len(ends); i += 2 {
		partner[key(ends[i])], partner[key(ends[i+1])] = ends[i+1], ends[i]
	}
	used := make([]bool, len(chains))
	var out []orb.Ring
	for i := range chains {
		var r orb.Ring
		for at := (end{chain: i}); !used[at.chain]; {
			used[at.chain] = true
			c := chains[at.chain]
			if at.last { // entered at its end: walk it backwards
				c = slices.Clone(c)
				slices.Reverse(c)
			}
			r = append(r, c...)
			at.last = !at.last
			at = partner[key(at)]
		}
		if len(r) > 2 {
			out = append(out, r)
		}
	}
	return out
}
