package surround

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/tangent"
	"holdfast/survey"
)

// crestChord is how far along the crest, each way from its point nearest to the
// surveyed one, its direction is taken: lines traced off imagery zigzag.
const crestChord = 5 * geo.Metre

// mostAlong is how far the way to the toe or water may turn off square to the
// crest and still tell which side is down.
const mostAlong = 75 * geo.Degree

// readBearings finds the way the bank falls. With a crest line it is square
// to the crest, on the side where the toe or the water lies; then it is
// towards the nearest point of the toe, and of the water.
func (a *Around) readBearings(at orb.Point) {
	toe, water := a.nearest(survey.RoleToe), a.nearest(survey.RoleWater)
	if crest, low := a.nearest(survey.RoleCrest), a.low(); crest != nil && low != nil {
		if az, ok := squareTo(at, crest, low); ok {
			a.Bearings = append(a.Bearings, Bearing{
				Deg: az, Layer: crest.Layer, Low: low,
				How: fmt.Sprintf("square to the bank crest in %s towards %s", crest.Dated(), low.called()),
			})
		}
	}
	towards := func(n *Near, what string) {
		if n == nil {
			return
		}
		if az, ok := n.Bearing.Get(); ok {
			a.Bearings = append(a.Bearings, Bearing{Deg: az, Layer: n.Layer, Low: n, How: fmt.Sprintf("towards the nearest point of %s in %s", what, n.called())})
		}
	}
	towards(toe, "the bank toe")
	towards(water, "the water's edge")
}

// Far is how far round a point with no bank on file nearer than Reach the toe
// and the water are looked for.
const Far = 2 * geo.Kilometre

// LooksFar tells whether the toe and the water further off are to be asked
// which way the ground falls: neither the surveyor nor a layer near by says so.
func (a *Around) LooksFar(p survey.Point) bool {
	written := p.Pull.BearingDeg.Known() || p.Terrain.FallLineDeg.Known()
	return !written && len(a.Bearings) == 0 && (a.Roles[survey.RoleToe] || a.Roles[survey.RoleWater])
}

// ReadFar adds the way to the nearest toe, else the nearest water, that lies
// beyond Reach, for a point of which nothing nearer tells the fall. It says how
// far that is: so far away it may be another bank.
func (a *Around) ReadFar(at orb.Point, far []survey.LayerFeature) {
	for _, role := range []survey.Role{survey.RoleToe, survey.RoleWater} {
		best := Near{Distance: Far}
		for _, f := range far {
			if f.Role != role {
				continue
			}
			if n, ok := look(at, f); ok && n.Distance < best.Distance {
				best = n
			}
		}
		if az, ok := best.Bearing.Get(); ok {
			a.Bearings = append(a.Bearings, Bearing{
				Deg: az, Layer: best.Layer,
				How: fmt.Sprintf("towards the nearest %s in %s", role, best.Dated()), Away: best.Distance,
			})
			return
		}
	}
}

// called names a feature with its layer and its date.
func (n *Near) called() string {
	if n.Name == "" {
		return n.Dated()
	}
	return n.Dated() + " (" + n.Name + ")"
}

// Toward returns the nearest feature of a role on the side of a bearing, and the
// nearest on the other side; nil where there is none.
func (a *Around) Toward(b geo.Bearing, role survey.Role) (ahead, behind *Near) {
	for i := range a.Near {
		n := &a.Near[i]
		at, ok := n.Bearing.Get()
		switch {
		case n.Role != role || !ok:
		case math.Abs(b.Off(at).Degrees()) <= 90:
			if ahead == nil {
				ahead = n
			}
		case behind == nil:
			behind = n
		}
	}
	return ahead, behind
}

// low is what lies at the foot of the bank: the toe, or else the water.
func (a *Around) low() *Near {
	if toe := a.nearest(survey.RoleToe); toe != nil {
		return toe
	}
	return a.nearest(survey.RoleWater)
}

// readSetback measures the distance to the crest. A point that has its crest
// behind it, with no crest between it and the low ground, stands on the slope.
func (a *Around) readSetback() {
	crest, low := a.nearest(survey.RoleCrest), a.low()
	if crest == nil {
		return
	}
	a.Setback = survey.Known(crest.Distance)
	if low == nil {
		return
	}
	up, okUp := crest.Bearing.Get()
	down, okDown := low.Bearing.Get()
	if !okUp || !okDown || math.Abs(up.Off(down).Degrees()) <= 90 {
		return
	}
	foot := tangent.Along(down, low.Distance)
	for i := range a.Near {
		if n := &a.Near[i]; n.Role == survey.RoleCrest && n.Between(foot) {
			return
		}
	}
	if crest.shape != nil {
		a.PastCrest, a.Setback = true, survey.Known(geo.Length(0))
	}
}

// squareTo returns the direction square to the crest where it is nearest to
// the point, towards the side on which the low line lies. A crest alone does
// not say which side is down.
func squareTo(at orb.Point, crest, low *Near) (geo.Bearing, bool) {
	toLow, ok := low.Bearing.Get()
	if !ok {
		return 0, false
	}
	var along geo.Bearing
	best, found := farAway, false
	each(crest.Feature.Geometry, func(l orb.LineString) {
		f, ok := geodesic.ToLine(at, l)
		if !ok || f.Distance >= best {
			return
		}
		from, to := walk(l, f, -crestChord), walk(l, f, crestChord)
		if _, az, _, ok := geodesic.Inverse(from, to); ok {
			best, along, found = f.Distance, az, true
		}
	})
	if !found {
		return 0, false
	}
	square := along.Turn(90 * geo.Degree)
	if math.Abs(float64(square.Off(toLow))) > float64(90*geo.Degree) {
		square = square.Back()
	}
	return square, math.Abs(float64(square.Off(toLow))) <= float64(mostAlong)
}

// walk returns the place reached by going along a line from its foot, back
// when by is negative, and no further than its end.
func walk(l orb.LineString, f geodesic.Foot, by geo.Length) orb.Point {
	at, i, step := f.Point, min(f.Segment, len(l)-2), 1
	if by < 0 {
		by, step = -by, -1
	} else {
		i++
	}
	for ; i >= 0 && i < len(l); i += step {
		d, az, _, ok := geodesic.Inverse(at, l[i])
		if ok && d >= by {
			at, _ = geodesic.Direct(at, az, by)
			return at
		}
		at, by = l[i], by-d
	}
	return at
}

// each visits the lines of a geometry, rings among them.
func each(g orb.Geometry, visit func(orb.LineString)) {
	switch g := g.(type) {
	case orb.LineString:
		visit(g)
	case orb.MultiLineString:
		for _, l := range g {
			visit(l)
		}
	case orb.Polygon:
		for _, r := range g {
			visit(orb.LineString(r))
		}
	case orb.MultiPolygon:
		for _, p := range g {
			each(p, visit)
		}
	}
}

// Dated names the feature's layer with the date of its data, for messages.
func (n *Near) Dated() string {
	if n.dated != "" {
		return n.dated
	}
	if at, ok := n.AsOf.Get(); ok {
		return fmt.Sprintf("%q as of %s", n.Layer, at.Format("2006-01-02"))
	}
	return fmt.Sprintf("%q of unstated date", n.Layer)
}
