package soil

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
)

const (
	// MaxRows is the most rows a rig may have.
	MaxRows = 8
	// MaxAbreast is the most stakes that may stand in one row.
	MaxAbreast = 9
)

// Lashing is what ties the head of one row to the foot of the next.
type Lashing struct {
	Strength  survey.Force // of all its strands together; +Inf when it never governs
	Stiffness float64      // N/m, used by the springs only
	Slack     geo.Length   // travel before it pulls, used by the springs only
}

// Geometry is how stakes are made, driven and tied. All rows are alike.
type Geometry struct {
	Bar           Bar
	Length        geo.Length // of the whole stake
	Embedment     geo.Length // driven, along the stake
	RopeHeight    geo.Length // of the rope, and of the lashing on a rear row, above ground along the stake
	LashBelowHead geo.Length // of the lashing to the row behind, below the stake's head
	Spacing       geo.Length // between rows
	Lean          geo.Angle  // from the vertical, away from the pull; negative towards it
	RopeAngle     geo.Angle  // of the rope above the ground line, positive upwards
	Lashing       Lashing
}

// Rig is stakes in a ground: Rows holds the number side by side in each row,
// the front row, which takes the rope, first. 3-2-1 is {3, 2, 1}.
type Rig struct {
	Geometry
	Ground Ground
	Rows   []int
}

const (
	// LowRope is the height of a rope tied low, 2 in (assumed).
	LowRope = 2 * geo.Inch
	// UsualLean is the lean of 15° away from the pull (NAVEDTRA 14251, Steelworker).
	UsualLean = 15 * geo.Degree
)

// BaseGeometry returns the usual kit: mild-steel bars of 1 in × 48 in driven
// 36 in, one stake length apart (common practice, no source; the US&R
// Structures Specialist Field Operations Guide, 5th ed., rates the same pin),
// leaning 15° (NAVEDTRA 14251, which allows 3-6 ft between rows), rope 2 in
// above ground and lashing 2 in below the head (assumed), lashed with about six
// strands of 1-inch webbing: 400 kN/m and 5 mm of slack (estimates).
func BaseGeometry() Geometry {
	return Geometry{
		Bar:           Bar{Diameter: 1 * geo.Inch, Modulus: Steel, Yield: MildYield},
		Length:        48 * geo.Inch,
		Embedment:     36 * geo.Inch,
		RopeHeight:    LowRope,
		LashBelowHead: 2 * geo.Inch,
		Spacing:       48 * geo.Inch,
		Lean:          UsualLean,
		Lashing: Lashing{
			Strength:  survey.Force(math.Inf(1)),
			Stiffness: 400e3,
			Slack:     5 * geo.Millimetre,
		},
	}
}

// LashHeight returns the height above ground, along the stake, at which a
// lashing holds the head of the row in front of it.
func (g *Geometry) LashHeight() geo.Length { return g.Length - g.Embedment - g.LashBelowHead }

// lever returns the length of stake between rope and head lashing.
func (g *Geometry) lever() float64 { return float64(g.LashHeight() - g.RopeHeight) }

// LashAngle returns how far the lashing rises above the ground line from the
// foot of one row to the head of the row in front. Where it exceeds the lean,
// the lashings draw the rear rows out of the ground instead of pressing them
// in, which the recursion does not count.
func (g *Geometry) LashAngle() geo.Angle {
	sin, cos := math.Sincos(float64(g.Lean))
	return geo.Angle(math.Atan2(g.lever()*cos, float64(g.Spacing)-g.lever()*sin))
}

// RopeFactor returns the share of the pull that acts across the front stake,
// cos(rope angle - lean).
func (g *Geometry) RopeFactor() float64 { return math.Cos(float64(g.RopeAngle - g.Lean)) }

// LashFactor returns the share of a lashing's force that acts across a stake.
func (g *Geometry) LashFactor() float64 {
	// cos(angle - lean), with the angle's tangent written out.
	sin, cos := math.Sincos(float64(g.Lean))
	s, l := float64(g.Spacing), g.lever()
	return s * cos / math.Sqrt(s*s-2*s*l*sin+l*l)
}

func (g *Geometry) validate(rows int) error {
	if err := g.Bar.validate(); err != nil {
		return err
	}
	switch {
	case !within(float64(g.Embedment), 0.01, 100):
		return fmt.Errorf("embedment %v: want 0.01 m to 100 m", g.Embedment)
	case !within(float64(g.Length), float64(g.Embedment), 200):
		return fmt.Errorf("stake length %v: shorter than its embedment %v", g.Length, g.Embedment)
	case !within(float64(g.RopeHeight), 0, float64(g.Length-g.Embedment)+1e-9):
		return fmt.Errorf("rope height %v: want 0 m up to the stake's head", g.RopeHeight)
	case !within(g.Lean.Degrees(), -45, 45):
		return fmt.Errorf("lean %v: want 45° at most", g.Lean)
	case !within(g.RopeAngle.Degrees(), -30, 80):
		return fmt.Errorf("rope angle %v above ground: want -30° to 80°", g.RopeAngle)
	case g.RopeAngle-g.Lean > 90*geo.Degree:
		return fmt.Errorf("rope angle %v above ground: more than square to a stake leaning %v", g.RopeAngle, g.Lean)
	}
	if rows < 2 {
		return nil
	}
	switch {
	case !within(float64(g.LashBelowHead), 0, float64(g.Length-g.Embedment)):
		return fmt.Errorf("lashing %v below the head: want 0 m up to the ground", g.LashBelowHead)
	case g.lever() < -1e-9:
		return fmt.Errorf("head lashing at %v above ground: below the rope at %v", g.LashHeight(), g.RopeHeight)
	case !within(float64(g.Spacing), 0.05, 100):
		return fmt.Errorf("row spacing %v: want 0.05 m to 100 m", g.Spacing)
	case !within(float64(g.Lashing.Strength), 1e-3, math.Inf(1)):
		return fmt.Errorf("lashing strength %g N: want more than 0, or +Inf", float64(g.Lashing.Strength))
	case g.LashFactor() < 0.1:
		return fmt.Errorf("lashing rises %v: rows too close for this stick-out and lean", g.LashAngle())
	}
	return nil
}

func (r *Rig) validate() error {
	if len(r.Rows) < 1 || len(r.Rows) > MaxRows {
		return fmt.Errorf("%d rows of stakes: want 1 to %d", len(r.Rows), MaxRows)
	}
	for i, n := range r.Rows {
		if n < 1 || n > MaxAbreast {
			return fmt.Errorf("row %d: %d stakes abreast: want 1 to %d", i+1, n, MaxAbreast)
		}
	}
	if err := r.Geometry.validate(len(r.Rows)); err != nil {
		return err
	}
	if err := r.Ground.validate(); err != nil {
		return err
	}
	if r.Ground.DeadTop >= r.Embedment {
		return fmt.Errorf("loose top layer %v: reaches the stake's toe at %v", r.Ground.DeadTop, r.Embedment)
	}
	return nil
}
