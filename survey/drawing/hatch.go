package drawing

import (
	"math"
	"slices"
)

// hatch fills areas with parallel lines, deg anticlockwise from level. The
// lines of all hatches of one angle and spacing lie on one set, so that
// overlapping areas read as one. The rings are taken even-odd.
func hatch(rings [][]Pt, deg, spacing float64, pen Pen) Path {
	s, c := math.Sincos(deg * math.Pi / 180)
	along, across := Pt{c, -s}, Pt{s, c}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, r := range rings {
		for _, p := range r {
			v := p.X*across.X + p.Y*across.Y
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	path := Path{Pen: pen}
	if !(hi-lo < 1e5) { // nothing, or not of this paper
		return path
	}
	for k := math.Ceil(lo / spacing); k*spacing <= hi; k++ {
		v := k * spacing
		var cuts []float64
		for _, r := range rings {
			for i := range r {
				p, q := r[i], r[(i+1)%len(r)]
				a, b := p.X*across.X+p.Y*across.Y-v, q.X*across.X+q.Y*across.Y-v
				if (a < 0) == (b < 0) {
					continue
				}
				x := p.toward(q, a/(a-b))
				cuts = append(cuts, x.X*along.X+x.Y*along.Y)
			}
		}
		slices.Sort(cuts)
		for i := 0; i+1 < len(cuts); i += 2 {
			from := along.times(cuts[i]).add(across.times(v))
			to := along.times(cuts[i+1]).add(across.times(v))
			path.Lines = append(path.Lines, []Pt{from, to})
		}
	}
	return path
}

// arc returns points on a circle from one compass heading clockwise to
// another, both in degrees from the top of the paper, close enough together
// to look round.
func arc(at Pt, r, from, to float64) []Pt {
	for to < from {
		to += 360
	}
	n := max(2, int(math.Ceil((to-from)/180*math.Pi*math.Sqrt(r/0.04))))
	pts := make([]Pt, n+1)
	for i := range pts {
		pts[i] = at.add(heading(from + (to-from)*float64(i)/float64(n)).times(r))
	}
	return pts
}

// clipLine returns the parts of a line inside a box.
func clipLine(line []Pt, b Box) (parts [][]Pt) {
	var part []Pt
	for i := 0; i+1 < len(line); i++ {
		p, q, ok := clipSegment(line[i], line[i+1], b)
		if !ok {
			continue
		}
		if len(part) == 0 || part[len(part)-1] != p {
			if len(part) > 1 {
				parts = append(parts, part)
			}
			part = []Pt{p}
		}
		part = append(part, q)
	}
	if len(part) > 1 {
		parts = append(parts, part)
	}
	return parts
}

// clipSegment cuts a segment to a box (Liang and Barsky, 1984).
func clipSegment(p, q Pt, b Box) (Pt, Pt, bool) {
	t0, t1 := 0.0, 1.0
	d := q.sub(p)
	for _, e := range [4][2]float64{{-d.X, p.X - b.X0}, {d.X, b.X1 - p.X}, {-d.Y, p.Y - b.Y0}, {d.Y, b.Y1 - p.Y}} {
		switch {
		case e[0] == 0 && e[1] < 0, math.IsNaN(e[0]), math.IsNaN(e[1]):
			return p, q, false
		case e[0] < 0:
			t0 = max(t0, e[1]/e[0])
		case e[0] > 0:
			t1 = min(t1, e[1]/e[0])
		}
	}
	if t0 > t1 {
		return p, q, false
	}
	from, to := p, q
	if t0 > 0 {
		from = p.toward(q, t0)
	}
	if t1 < 1 {
		to = p.toward(q, t1)
	}
	return from, to, true
}

// clipArea cuts a ring to a box (Sutherland and Hodgman, 1974).
func clipArea(ring []Pt, b Box) []Pt {
	edges := []func(Pt) float64{
		func(p Pt) float64 { return p.X - b.X0 }, func(p Pt) float64 { return b.X1 - p.X },
		func(p Pt) float64 { return p.Y - b.Y0 }, func(p Pt) float64 { return b.Y1 - p.Y },
	}
	for _, inside := range edges {
		var out []Pt
		for i, p := range ring {
			q := ring[(i+1)%len(ring)]
			a, c := inside(p), inside(q)
			if a >= 0 {
				out = append(out, p)
			}
			if (a >= 0) != (c >= 0) {
				out = append(out, p.toward(q, a/(a-c)))
			}
		}
		ring = out
	}
	return ring
}
