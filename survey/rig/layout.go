package rig

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/geojson"
	"holdfast/survey"
)

// clearance is kept free round the stakes for the people driving them.
const clearance = 0.6 * geo.Metre

// sectorRadius is how far the working sector is drawn.
const sectorRadius = 12 * geo.Metre

// Place lays out count equal rigs of a pattern: the front stakes on a line
// through front square to the pull, rows behind them along the back-bearing,
// stakes of one row side by side as a bundle. Sharing rigs stand the policy's
// spacing apart, centred on front.
func Place(pattern survey.Pattern, count int, front orb.Point, pull geo.Bearing, p survey.Policy) Layout {
	s := p.Stake
	back := pull.Back()
	l := Layout{SectorDeg: sector(pull, p), Anchor: geojson.Geometry{Geometry: front}}
	var width, depth geo.Length
	for n := range count {
		aside := geo.Length(float64(n)-float64(count-1)/2) * SharingSpacing(p)
		for row, stakes := range pattern {
			behind := geo.Length(row) * s.SpacingM.Value
			depth = max(depth, behind)
			for k := range stakes {
				across := aside + geo.Length(float64(k)-float64(stakes-1)/2)*bundlePitch(p)
				width = max(width, geo.Length(math.Abs(float64(across))))
				at := offset(front, pull, across, behind)
				st := Stake{
					Rig: n + 1, Row: row + 1, Place: k + 1, Lon: at.Lon(), Lat: at.Lat(),
					LeanDeg: s.LeanDeg.Value, LeanTowardDeg: back,
				}
				if d, az, _, ok := geodesic.Inverse(front, at); ok && d > geo.Millimetre {
					st.MarkBearingDeg, st.MarkDistanceM = survey.Known(az), d
				}
				l.Stakes = append(l.Stakes, st)
			}
		}
		l.Lashings = append(l.Lashings, lashings(n+1, pattern, p)...)
	}
	l.Footprint = box(front, pull, width+clearance, clearance, depth+clearance)
	l.Sector = wedge(front, l.SectorDeg)
	return l
}

// Found lays out an anchor found at the point: nothing is driven, the rope
// leaves from the anchor itself.
func Found(at orb.Point, pull geo.Bearing, p survey.Policy) Layout {
	l := Layout{SectorDeg: sector(pull, p), Anchor: geojson.Geometry{Geometry: at}}
	l.Footprint = box(at, pull, clearance, clearance, clearance)
	l.Sector = wedge(at, l.SectorDeg)
	return l
}

// SharingSpacing is how far apart equal rigs that share a load stand.
func SharingSpacing(p survey.Policy) geo.Length { return p.SharingSpacingM.Value }

// Width returns the breadth of a layout of count rigs across the pull, without
// the working room.
func Width(pattern survey.Pattern, count int, p survey.Policy) geo.Length {
	most := 0
	for _, n := range pattern {
		most = max(most, n)
	}
	return geo.Length(count-1)*SharingSpacing(p) + geo.Length(most)*bundlePitch(p)
}

// CollectorReach returns how far ahead of count sharing rigs their collector
// must meet the rope for the outer legs to stay within the policy's interior
// angle; 0 for a single rig.
func CollectorReach(count int, p survey.Policy) geo.Length {
	if count < 2 {
		return 0
	}
	half := geo.Degrees(p.SharingAngleDeg.Value / 2).Radians()
	return geo.Length(float64(count-1)/2) * SharingSpacing(p) / geo.Length(math.Tan(half))
}

// bundlePitch is the distance between stakes of one row, driven touching.
func bundlePitch(p survey.Policy) geo.Length {
	return geo.Length(p.Stake.DiameterMM.Value) * geo.Millimetre
}

func sector(pull geo.Bearing, p survey.Policy) [2]geo.Bearing {
	half := geo.Degrees(p.SectorDeg.Value)
	return [2]geo.Bearing{pull.Turn(-half), pull.Turn(half)}
}

// offset returns the point that lies across (to the right, looking along the
// pull) and behind a mark.
func offset(mark orb.Point, pull geo.Bearing, across, behind geo.Length) orb.Point {
	d := geo.Length(math.Hypot(float64(across), float64(behind)))
	if d == 0 {
		return mark
	}
	az := pull.Turn(geo.Angle(math.Atan2(float64(across), float64(-behind))))
	at, _ := geodesic.Direct(mark, az, d)
	return at
}

// Beside returns the point a distance to the right of a mark, looking along
// the pull; a negative distance is to the left.
func Beside(mark orb.Point, pull geo.Bearing, right geo.Length) orb.Point {
	return offset(mark, pull, right, 0)
}

func box(front orb.Point, pull geo.Bearing, half, ahead, behind geo.Length) geojson.Geometry {
	ring := orb.Ring{
		offset(front, pull, -half, -ahead), offset(front, pull, -half, behind),
		offset(front, pull, half, behind), offset(front, pull, half, -ahead),
	}
	return geojson.Geometry{Geometry: orb.Polygon{append(ring, ring[0])}}
}

func wedge(front orb.Point, limits [2]geo.Bearing) geojson.Geometry {
	const steps = 8
	ring := orb.Ring{front}
	turn := limits[0].Off(limits[1])
	for i := steps; i >= 0; i-- { // anticlockwise, as RFC 7946 wants outer rings
		at, _ := geodesic.Direct(front, limits[0].Turn(turn*geo.Angle(i)/steps), sectorRadius)
		ring = append(ring, at)
	}
	return geojson.Geometry{Geometry: orb.Polygon{append(ring, front)}}
}

// lashings lists the ties of one rig: from the head of each row to the foot
// of the next, and one foot tie through all the feet, which catches the rig if
// the front stake is lost. The collector that the rope is clipped to comes
// from the rigging, not from the lashing webbing.
func lashings(n int, pattern survey.Pattern, p survey.Policy) []Lashing {
	s := p.Stake
	piece := float64(s.WebbingPiece.Value)
	tie := func(what string, run geo.Length, turns float64) Lashing {
		long := run*geo.Length(2*turns) + s.LashKnotsM.Value
		return Lashing{Rig: n, What: what, WebbingM: long, Pieces: int(math.Ceil(float64(long)/piece - 1e-9))}
	}
	var out []Lashing
	for row := 1; row < len(pattern); row++ {
		out = append(out, tie(fmt.Sprintf("head of row %d to foot of row %d", row, row+1), lashRun(p), s.LashTurns.Value))
	}
	if len(pattern) > 1 {
		out = append(out, tie("foot tie through all rows", geo.Length(len(pattern)-1)*s.SpacingM.Value, 1))
	}
	return out
}

// lashRun is the distance from the head of one stake to the foot of the next,
// both leaning back: the head has moved towards the stake behind.
func lashRun(p survey.Policy) geo.Length {
	s := p.Stake
	sin, cos := math.Sincos(geo.Degrees(s.LeanDeg.Value).Radians())
	rise := float64(s.LashHeightM.Value - s.RopeHeightM.Value)
	return geo.Length(math.Hypot(float64(s.SpacingM.Value)-rise*sin, rise*cos))
}
