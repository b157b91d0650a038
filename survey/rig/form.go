package rig

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/geo/tangent"
	"holdfast/survey"
)

// Spot is the foot of one stake of a form.
type Spot struct {
	Rig, Row, Place int     // counted from 1; the front row first, from the left looking along the pull
	Right, Behind   float64 // metres from the middle of the front
}

// Form is the plan of equal rigs side by side before it is set on the ground.
type Form struct {
	Pattern   survey.Pattern
	Count     int
	Spots     []Spot
	Lashings  []Lashing
	HalfWidth float64 // metres, from the middle to the outermost stake
	Depth     float64 // metres, from the front row to the rear one
	Pieces    int     // of webbing
	WebbingM  geo.Length
}

// NewForm lays count equal rigs of a pattern out: front stakes on a line square
// to the pull, rows behind them one spacing apart, stakes of one row side by
// side as a bundle. Sharing rigs stand the policy's spacing apart.
func NewForm(pattern survey.Pattern, count int, p survey.Policy) Form {
	f := Form{Pattern: pattern, Count: count}
	spacing, pitch := float64(p.Stake.SpacingM.Value), bundlePitch(p)
	for n := range count {
		aside := (float64(n) - float64(count-1)/2) * float64(p.SharingSpacingM.Value)
		for row, stakes := range pattern {
			behind := float64(row) * spacing
			f.Depth = max(f.Depth, behind)
			for k := range stakes {
				right := aside + (float64(k)-float64(stakes-1)/2)*pitch
				f.HalfWidth = max(f.HalfWidth, math.Abs(right))
				f.Spots = append(f.Spots, Spot{Rig: n + 1, Row: row + 1, Place: k + 1, Right: right, Behind: behind})
			}
		}
		f.Lashings = append(f.Lashings, lashings(n+1, pattern, p)...)
	}
	for _, l := range f.Lashings {
		f.Pieces += l.Pieces
		f.WebbingM += l.WebbingM
	}
	return f
}

// Stakes returns the number of stakes.
func (f *Form) Stakes() int { return len(f.Spots) }

// bundlePitch is the distance between stakes of one row, driven touching, metres.
func bundlePitch(p survey.Policy) float64 { return p.Stake.DiameterMM.Value / 1000 }

// Width returns the breadth of the form across the pull, without the working room.
func (f *Form) Width(p *survey.Policy) geo.Length {
	return geo.Length(2*f.HalfWidth + p.Stake.DiameterMM.Value/1000)
}

// CollectorReach returns how far ahead of count sharing rigs their collector
// must meet the rope for the outer legs to stay within the policy's interior
// angle; 0 for a single rig.
func CollectorReach(count int, p *survey.Policy) geo.Length {
	if count < 2 {
		return 0
	}
	half := geo.Degrees(p.SharingAngleDeg.Value / 2).Radians()
	return geo.Length(float64(count-1)/2) * p.SharingSpacingM.Value / geo.Length(math.Tan(half))
}

// Stand is where and which way an anchor is set: the middle of its front, on
// the plane round the surveyed point, and its pull.
type Stand struct {
	Pull     geo.Bearing
	Front    tangent.XY
	sin, cos float64
}

// StandAt returns a stand.
func StandAt(pull geo.Bearing, front tangent.XY) Stand {
	sin, cos := math.Sincos(pull.Radians())
	return Stand{Pull: pull, Front: front, sin: sin, cos: cos}
}

// Beside returns the place so far to the right of the surveyed point and behind
// it, looking along the pull; negative distances are to the left and ahead.
func Beside(pull geo.Bearing, right, behind geo.Length) tangent.XY {
	at := StandAt(pull, tangent.XY{})
	return at.XY(float64(right), float64(behind))
}

// XY returns the place that lies right of the front's middle and behind it,
// looking along the pull, metres.
func (s *Stand) XY(right, behind float64) tangent.XY {
	return tangent.XY{X: s.Front.X + right*s.cos - behind*s.sin, Y: s.Front.Y - right*s.sin - behind*s.cos}
}

// lashings lists the ties of one rig: from the head of each row to the foot
// of the next, round all stakes of a row, and one foot tie through all the
// feet, which catches the rig if the front stake is lost. The collector that
// the rope is clipped to goes round the front row at rope height and comes
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

// Boot is the boot of the heel-to-toe field check, 12 in (common practice, no source).
const Boot = 12 * geo.Inch

// HeelToToe returns the lean of a stake whose foot stands at the heel of a
// boot and whose head is over its toe, before driving. With a 48 in stake and
// a 12 in boot it is near 15° (common practice, no source).
func HeelToToe(stake, boot geo.Length) geo.Angle {
	return geo.Angle(math.Asin(float64(min(max(boot/stake, 0), 1))))
}
