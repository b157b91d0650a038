package main

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

// xy is a place in metres east and north of the middle of the district.
type xy struct{ x, y float64 }

func (a xy) add(b xy) xy          { return xy{a.x + b.x, a.y + b.y} }
func (a xy) scale(k float64) xy   { return xy{a.x * k, a.y * k} }
func (a xy) bearing() geo.Bearing { return geo.NewBearing(math.Atan2(a.x, a.y) * 180 / math.Pi) }
func unit(deg float64) xy         { s, c := math.Sincos(deg * math.Pi / 180); return xy{s, c} }

var middle = orb.Point{-91.2, 44.65}

// place turns a place in metres into longitude and latitude, rounded to a
// centimetre so that the files read well.
func place(p xy) orb.Point {
	d := math.Hypot(p.x, p.y)
	if d == 0 {
		return middle
	}
	q, _ := geodesic.Direct(middle, p.bearing(), geo.Length(d))
	return orb.Point{math.Round(q[0]*1e7) / 1e7, math.Round(q[1]*1e7) / 1e7}
}

func line(ps []xy) orb.LineString {
	out := make(orb.LineString, len(ps))
	for i, p := range ps {
		out[i] = place(p)
	}
	return out
}

// polygon closes a ring and turns it anticlockwise.
func polygon(ps []xy) orb.Polygon {
	r := orb.Ring(line(ps))
	r = append(r, r[0])
	if r.Orientation() == orb.CW {
		r.Reverse()
	}
	return orb.Polygon{r}
}

// river is the middle of the Quillet River and creek that of Brask Creek, both
// by distance along their own axis.
func river(t float64) xy {
	return xy{t, 420*math.Sin(t/1150) + 130*math.Sin(t/390+1)}
}

func creek(t float64) xy {
	return xy{620 + 60*math.Sin(t/210), 300 + t}
}

// side returns the point that lies aside of a curve: positive is left of its
// direction of travel.
func side(curve func(float64) xy, t, aside float64) xy {
	n := normal(curve, t)
	return curve(t).add(n.scale(aside))
}

// normal is the unit direction to the left of the curve.
func normal(curve func(float64) xy, t float64) xy {
	a, b := curve(t-1), curve(t+1)
	d := math.Hypot(b.x-a.x, b.y-a.y)
	return xy{-(b.y - a.y) / d, (b.x - a.x) / d}
}

// run samples a line aside of a curve.
func run(curve func(float64) xy, from, to, aside float64) []xy {
	const step = 20
	var out []xy
	for t := from; t < to; t += step {
		out = append(out, side(curve, t, aside))
	}
	return append(out, side(curve, to, aside))
}

func reversed(ps []xy) []xy {
	out := make([]xy, len(ps))
	for i, p := range ps {
		out[len(ps)-1-i] = p
	}
	return out
}

// straight is a curve that runs from a point on a bearing.
func straight(from xy, deg float64) func(float64) xy {
	u := unit(deg)
	return func(t float64) xy { return from.add(u.scale(t)) }
}

// The two embankments, the levee and the quarry.
var (
	roadNine = straight(xy{-1500, -900}, 68)
	spur     = straight(xy{-600, -1500}, 101)
	levee    = func(t float64) xy { return side(river, t, -130) }
	quarry   = xy{1750, 1250}
)

// ring is the quarry's edge at a distance out from its crest.
func ring(out float64) []xy {
	var ps []xy
	for deg := 0.0; deg < 360; deg += 12 {
		r := 150 + 22*math.Sin(deg*math.Pi/60) + out
		ps = append(ps, quarry.add(unit(deg).scale(r)))
	}
	return ps
}
