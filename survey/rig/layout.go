package rig

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/tangent"
	"holdfast/survey"
)

// clearance is kept free round the stakes for the people driving them, metres.
const clearance = 0.6

// The positions of a footprint and of a sector, which is drawn in sectorSteps.
const (
	box         = 5
	sectorSteps = 8
	wedge       = sectorSteps + 3
)

// sectorRadius is how far the working sector is drawn, metres.
const sectorRadius = 12

// Room is memory for the layouts of one answer, so that they need few
// allocations. Its zero value is ready; it is for one goroutine.
type Room struct {
	stakes []Stake
	points []orb.Point
}

// Reserve makes room for so many layouts with so many stakes in all.
func (r *Room) Reserve(layouts, stakes int) {
	r.stakes = make([]Stake, 0, stakes)
	r.points = make([]orb.Point, 0, layouts*(box+wedge))
}

// carve takes n zero elements off a slab, or off a new one.
func carve[T any](slab *[]T, n, fresh int) []T {
	if cap(*slab)-len(*slab) < n {
		*slab = make([]T, 0, max(n, fresh))
	}
	from := len(*slab)
	*slab = (*slab)[:from+n]
	return (*slab)[from : from+n : from+n]
}

// Place sets a form on the ground round the surveyed point, which is the
// plane's origin and the mark for setting out. The layout shares the form's
// lashings.
func (r *Room) Place(f *Form, plane *tangent.Plane, at Stand, p *survey.Policy) Layout {
	l := Layout{
		Stakes: carve(&r.stakes, len(f.Spots), 64), Lashings: f.Lashings,
		CollectorM: CollectorReach(f.Count, p),
		LeanCheck:  math.Round(HeelToToe(p.Stake.LengthM.Value, Boot).Degrees()*10) / 10,
	}
	l.fromMark(at.Front, at.Pull)
	back := at.Pull.Back()
	for i, s := range f.Spots {
		xy := at.XY(s.Right, s.Behind)
		pos := plane.Position(xy)
		st := Stake{Rig: s.Rig, Row: s.Row, Place: s.Place, Lon: pos.Lon(), Lat: pos.Lat(), LeanDeg: p.Stake.LeanDeg.Value, LeanTowardDeg: back}
		if d := (tangent.XY{}).To(xy); d > geo.Millimetre {
			b, _ := tangent.XY{}.Bearing(xy)
			st.MarkBearingDeg, st.MarkDistanceM = survey.Known(b), d
		}
		l.Stakes[i] = st
	}
	r.surround(&l, plane, at, f.HalfWidth+clearance, f.Depth+clearance, p)
	return l
}

// Found lays out an anchor found at a place on the plane: nothing is driven,
// the rope leaves from the anchor itself.
func (r *Room) Found(at tangent.XY, pull geo.Bearing, plane *tangent.Plane, p *survey.Policy) Layout {
	l := Layout{Stakes: []Stake{}}
	l.fromMark(at, pull)
	local := tangent.At(plane.Position(at))
	r.surround(&l, &local, StandAt(pull, tangent.XY{}), clearance, clearance, p)
	return l
}

// fromMark says where the anchor stands from the surveyed point.
func (l *Layout) fromMark(at tangent.XY, pull geo.Bearing) {
	if d := (tangent.XY{}).To(at); d > geo.Millimetre {
		b, _ := tangent.XY{}.Bearing(at)
		l.MarkBearingDeg, l.MarkDistanceM = survey.Known(b), d
		l.BehindM = -d * geo.Length(math.Cos(pull.Off(b).Radians()))
	}
}

// surround adds the anchor's position, its footprint and its working sector.
func (r *Room) surround(l *Layout, plane *tangent.Plane, at Stand, half, behind float64, p *survey.Policy) {
	limit := geo.Degrees(p.SectorDeg.Value)
	l.SectorDeg = [2]geo.Bearing{at.Pull.Turn(-limit), at.Pull.Turn(limit)}
	front := plane.Position(at.XY(0, 0))
	l.Anchor = Place(front)

	foot := carve(&r.points, box, 8*(box+wedge))
	for i, c := range [4][2]float64{{-half, -clearance}, {-half, behind}, {half, behind}, {half, -clearance}} {
		foot[i] = plane.Position(at.XY(c[0], c[1]))
	}
	foot[4] = foot[0]

	// Anticlockwise, as RFC 7946 wants outer rings.
	fan := carve(&r.points, wedge, 8*(box+wedge))
	fan[0], fan[wedge-1] = front, front
	for i := range sectorSteps + 1 {
		sin, cos := math.Sincos(limit.Radians() * (1 - 2*float64(i)/sectorSteps))
		fan[i+1] = plane.Position(at.XY(sectorRadius*sin, -sectorRadius*cos))
	}
	l.Footprint, l.Sector = foot, fan
}
