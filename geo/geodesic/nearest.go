package geodesic

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Foot is the point of a line that is nearest to a given point.
type Foot struct {
	Point    orb.Point
	Distance geo.Length // from the given point
	Segment  int        // index of the vertex before Point
	Along    geo.Length // along the line from its first vertex to Point
}

// ToLine returns the point of the line, a chain of geodesics, that is nearest
// to p. ok is false if the line has no vertex or a point is invalid.
func ToLine(p orb.Point, line orb.LineString) (f Foot, ok bool) {
	if !valid(p) || len(line) == 0 || !allValid(line) {
		return Foot{}, false
	}
	s := search{p: p, at: place(p), best: math.Inf(1)}
	s.chain(line, false)
	f = Foot{Point: s.foot, Distance: geo.Length(s.best), Segment: s.segment, Along: geo.Length(s.along)}
	for i := range s.segment {
		f.Along += Distance(line[i], line[i+1])
	}
	return f, true
}

// ToPolygon returns the point of the polygon nearest to p: p itself, at
// distance 0, if it lies inside and in no hole. Which side of a ring is inside
// is told as in Area. ok is false if the polygon has no vertex or a point is
// invalid.
func ToPolygon(p orb.Point, polygon orb.Polygon) (foot orb.Point, d geo.Length, ok bool) {
	if !valid(p) || len(polygon) == 0 || len(polygon[0]) == 0 {
		return orb.Point{}, 0, false
	}
	inside := true
	for i, ring := range polygon {
		if !allValid(ring) {
			return orb.Point{}, 0, false
		}
		inside = inside && contains(ring, p) == (i == 0)
	}
	if inside {
		return p, 0, true
	}
	s := search{p: p, at: place(p), best: math.Inf(1)}
	for _, ring := range polygon {
		s.chain(ring, true)
	}
	return s.foot, geo.Length(s.best), true
}

func allValid(line []orb.Point) bool {
	for _, p := range line {
		if !valid(p) {
			return false
		}
	}
	return true
}

// nearest returns the point nearest to p on the shortest geodesic from a to b,
// its distance, and how far it is from a. If a and b coincide the foot is a; an
// invalid point gives NaN.
//
// The foot is good to a micrometre, unless p is 9900 to 10150 km abeam of the
// geodesic: about a quarter of the way round the earth, where all of a line is
// nearly equally far. There d may be up to 0.3 % more than the least distance.
//
// The point of the line abeam of p is sought by going along it as far as the
// right-angled triangle on a sphere tells, again and again (the step of
// Karney 2013, sec. 8, with a spherical triangle in place of the plane one,
// which lets it start from far away). The error shrinks by about
// f (d/R)² each time.
func nearest(p, a, b orb.Point) (foot orb.Point, d geo.Length, along float64) {
	const (
		radius = 6371008.8 // m, mean radius of WGS 84
		near   = 1e-7      // m
	)
	span, az, _, ok := Inverse(a, b)
	if !ok {
		return a, Distance(a, p), 0
	}
	length := float64(span)
	line := NewLine(a, az)
	foot = a
	d, toP, _, ok := Inverse(foot, p)
	for i := 0; ok && i < 20; i++ {
		s, c := math.Sincos(float64(d) / radius)
		next := along + radius*math.Atan2(s*math.Cos(az.Off(toP).Radians()), c)
		next = max(0, min(length, next))
		if math.Abs(next-along) <= near {
			break
		}
		along = next
		foot, az = line.At(geo.Length(along))
		if along == length {
			foot = b
		}
		d, toP, _, ok = Inverse(foot, p)
	}
	// From far away the other end may be the nearer one, round the earth.
	if d > 5e6 {
		if e := Distance(a, p); e < d {
			foot, d, along = a, e, 0
		}
		if e := Distance(b, p); e < d {
			foot, d, along = b, e, length
		}
	}
	return foot, d, along
}

// search looks for the nearest of many segments.
type search struct {
	p       orb.Point
	at      vector
	best    float64 // m
	foot    orb.Point
	segment int
	along   float64 // m from the start of the segment
}

// chain takes in the segments of a line, and if closed the one that closes it.
// It tries the segment with the least bound first, so that few others need
// the exact way.
func (s *search) chain(line []orb.Point, closed bool) {
	n := len(line)
	if n == 0 {
		return
	}
	last := n - 1
	if closed || n == 1 {
		last = n
	}
	first, least := 0, math.Inf(1)
	from := place(line[0])
	for i := range last {
		to := place(line[(i+1)%n])
		if lb := bound(s.at, from, to); lb < least {
			first, least = i, lb
		}
		from = to
	}
	s.try(first, line[first], line[(first+1)%n])
	from = place(line[0])
	for i := range last {
		to := place(line[(i+1)%n])
		if i != first && bound(s.at, from, to) <= s.best {
			s.try(i, line[i], line[(i+1)%n])
		}
		from = to
	}
}

func (s *search) try(i int, a, b orb.Point) {
	foot, d, along := nearest(s.p, a, b)
	if x := float64(d); x < s.best || x == s.best && i < s.segment {
		s.best, s.foot, s.segment, s.along = x, foot, i, along
	}
}

// vector is a place in geocentric coordinates, m.
type vector [3]float64

func place(p orb.Point) vector {
	s, c := sincosd(p[1], 0)
	sl, cl := sincosd(p[0], 0)
	n := wgs84.a / math.Sqrt(1-wgs84.e2*s*s)
	return vector{n * c * cl, n * c * sl, n * (1 - wgs84.e2) * s}
}

// bound returns a length in m that the distance from p to the geodesic from a
// to b is not less than.
//
// A geodesic bends no more than a circle of radius R = a(1-e²), the least
// radius of curvature. By Schur's theorem its length L over a chord c is then
// at most 2R asin(c/2R), and it keeps within √(L²-c²)/2 < 0.17 c²/R of the
// chord as long as c < R. The straight distance from p to the chord, less
// that, is the bound; a micrometre is taken off for round-off.
func bound(p, a, b vector) float64 {
	var ab, ap, c2, dot float64
	for i := range p {
		ab = b[i] - a[i]
		ap = p[i] - a[i]
		c2 += ab * ab
		dot += ab * ap
	}
	r := wgs84.a * (1 - wgs84.e2)
	if c2 >= r*r {
		return 0
	}
	t := 0.0
	if c2 > 0 {
		t = max(0, min(1, dot/c2))
	}
	var d2 float64
	for i := range p {
		x := p[i] - (a[i] + t*(b[i]-a[i]))
		d2 += x * x
	}
	return math.Sqrt(d2) - 0.17*c2/r - 1e-6
}

// contains tells whether p is inside the ring. The meridian from p to the
// north pole is followed: each side of the ring that crosses it north of p
// changes between inside and outside. At a point of the ring itself the
// answer may be either.
func contains(ring orb.Ring, p orb.Point) bool {
	inside := holdsNorthPole(ring)
	if len(ring) == 0 {
		return false
	}
	a := ring[len(ring)-1]
	da, _ := angDiff(p[0], a[0])
	for _, b := range ring {
		db, _ := angDiff(p[0], b[0])
		if (da < 0) != (db < 0) {
			d, _ := angDiff(a[0], b[0])
			// Else it is the far half of the meridian that is crossed.
			if (d > 0) == (da < 0) && northOf(a, b, p, d > 0) {
				inside = !inside
			}
		}
		a, da = b, db
	}
	return inside
}

// northOf tells whether the geodesic from a to b, which crosses the meridian
// of p on its way east or west, does so north of p.
func northOf(a, b, p orb.Point, east bool) bool {
	_, sb, cb, _, _ := wgs84.inverse(a, b)
	_, sp, cp, _, _ := wgs84.inverse(a, p)
	right := sp*cb-cp*sb > 0
	return right == east
}

// holdsNorthPole tells whether the north pole is inside the ring. Only a ring
// that spans more than half a turn of longitude need be looked at closely.
func holdsNorthPole(ring orb.Ring) bool {
	if len(ring) == 0 {
		return false
	}
	var turn, west, east float64
	a := ring[len(ring)-1]
	for _, b := range ring {
		d, _ := angDiff(a[0], b[0])
		turn += d
		west, east = min(west, turn), max(east, turn)
		a = b
	}
	return east-west > 179 && wgs84.enclosed(ring).northIn
}
