package soil

import (
	"fmt"
	"math"

	"holdfast/survey"
)

// Mode is how a row of stakes gives way.
type Mode uint8

const (
	// Rigid stakes turn in the soil without bending.
	Rigid Mode = iota + 1
	// Hinge stakes bend below ground before the soil has given all.
	Hinge
)

func (m Mode) String() string {
	switch m {
	case Rigid:
		return "rigid"
	case Hinge:
		return "hinge"
	}
	return "unknown"
}

// Reason is what limits a rig.
type Reason uint8

const (
	SoilYields Reason = iota + 1
	BarBends
	LashingLimits
	RopeHigh
	GroundFalls
)

// String returns the reason in plain words.
func (r Reason) String() string {
	switch r {
	case SoilYields:
		return "soil yields first"
	case BarBends:
		return "front bar bends first"
	case LashingLimits:
		return "lashing limits"
	case RopeHigh:
		return "rope high"
	case GroundFalls:
		return "ground falls away"
	}
	return "unknown"
}

// telling is the share of strength that a rope's height or steepness, or the
// fall of the ground, must cost before it is named as the reason.
const telling = 0.10

// Adhesion is the share of a clay's strength that holds a stake against being
// drawn out, after the gap that side load opens (assumed).
const Adhesion = 0.3

// Collapse is the strength of a rig by limit equilibrium: an ultimate value,
// without any safety factor. Arrays run from the front; entries past Rows are 0.
type Collapse struct {
	// Pull is the greatest force along the rope, exactly by the equations.
	Pull survey.Force
	// Credited is Pull without what the equations promise on uncertain
	// grounds: a rope tied higher than 2 in, a lean beyond 15° and a rope that
	// dips below the ground line never count as strength.
	Credited survey.Force
	// FirstYield is the pull at which the outermost fibre of a bar has yielded:
	// the same equilibrium with the yield moment in place of the plastic one.
	// Where the soil gives way with every bar still elastic it equals Pull.
	FirstYield survey.Force
	Governs    Reason
	Rows       int
	Ties       [MaxRows - 1]survey.Force // in the lashing of each gap
	Modes      [MaxRows]Mode
	Shares     [MaxRows]float64 // of the pull, by the soil before each row; they sum to 1
}

// NewCollapse solves the limit equilibrium of a rig from the rear row forwards:
// each lashing carries the least of what the row behind it holds, what bends
// the front stakes back over the rope, what turns them back in the soil, and
// its own strength. The soil's limiting pressure is that of Matlock (1970) in
// clay and Broms (1964) in sand. n bars side by side count as one of n times
// the width and moment. An error names the input that is out of range.
func NewCollapse(r Rig) (Collapse, error) {
	if err := r.validate(); err != nil {
		return Collapse{}, fmt.Errorf("solve rig: %w", err)
	}
	var c Collapse
	c.solve(&r)
	return c, nil
}

func (c *Collapse) solve(r *Rig) {
	plastic := float64(r.Bar.PlasticMoment())
	ch := r.chain(plastic, c)
	c.Pull = survey.Force(ch.pull)
	c.Rows = len(r.Rows)
	c.share()
	c.FirstYield = min(c.Pull, survey.Force(r.chain(float64(r.Bar.YieldMoment()), nil).pull))

	c.Credited = c.Pull
	c.Governs = SoilYields
	switch {
	case ch.lashed:
		c.Governs = LashingLimits
	case ch.bent || c.Modes[0] == Hinge:
		c.Governs = BarBends
	}
	most := telling * float64(c.Pull) / (1 - telling) // least gain that tells
	if low, ok := r.lowered(); ok {
		p := low.chain(plastic, nil).pull
		c.Credited = min(c.Credited, survey.Force(p))
	}
	if low, ok := r.lowRope(); ok {
		if gain := low.chain(plastic, nil).pull - ch.pull; gain >= most {
			c.Governs, most = RopeHigh, gain
		}
	}
	if r.Ground.Fall > 0 {
		level := *r
		level.Ground.Fall = 0
		if gain := level.chain(plastic, nil).pull - ch.pull; gain >= most {
			c.Governs = GroundFalls
		}
	}
}

// lowered returns the rig with rope height, lean and rope angle held to what
// may be credited; ok is false when nothing changes.
func (r *Rig) lowered() (low Rig, ok bool) {
	low = *r
	low.RopeHeight = min(r.RopeHeight, LowRope)
	low.Lean = min(r.Lean, UsualLean)
	low.RopeAngle = max(r.RopeAngle, 0)
	return low, low.RopeHeight != r.RopeHeight || low.Lean != r.Lean || low.RopeAngle != r.RopeAngle
}

// lowRope returns the rig with the rope tied low and along the ground.
func (r *Rig) lowRope() (low Rig, ok bool) {
	low = *r
	low.RopeHeight = min(r.RopeHeight, LowRope)
	low.RopeAngle = min(r.RopeAngle, max(0, r.Lean))
	return low, low.RopeHeight != r.RopeHeight || low.RopeAngle != r.RopeAngle
}

func (c *Collapse) share() {
	if c.Pull <= 0 {
		return
	}
	taken := c.Pull
	for i := range c.Rows {
		var passed survey.Force
		if i < c.Rows-1 {
			passed = min(c.Ties[i], taken)
		}
		c.Shares[i] = float64((taken - passed) / c.Pull)
		taken = passed
	}
}

// chained is the outcome of one pass over the rows.
type chained struct {
	pull   float64
	lashed bool // a lashing's own strength limits
	bent   bool // the front gap's lashing bends the front stakes back
}

// chain runs the recursion with moment m per bar; into, if not nil, receives
// ties and modes.
func (r *Rig) chain(m float64, into *Collapse) chained {
	var out chained
	rope, lash, strength := r.RopeFactor(), 1.0, math.Inf(1)
	lever := 0.0
	if len(r.Rows) > 1 {
		lash, lever, strength = r.LashFactor(), max(0, r.lever()), float64(r.Lashing.Strength)
	}
	var st station
	behind, width := 0.0, 0
	for i := len(r.Rows) - 1; i >= 0; i-- {
		n := r.Rows[i]
		if n != width {
			st.set(r, n)
			width = n
		}
		moment := float64(n) * m
		tie := 0.0
		if i < len(r.Rows)-1 {
			back := min(moment, st.turn) // what the stakes bear bent, or turned, back over the rope
			tie = behind / lash
			out.bent = false
			if t := back / (lever * lash); t < tie {
				tie, out.bent = t, moment <= st.turn
				out.lashed = false
			}
			if strength < tie {
				tie, out.lashed, out.bent = strength, true, false
			}
		}
		var mode Mode
		behind, mode = st.hold(moment, tie*lash, lever)
		if into != nil {
			into.Modes[i] = mode
			if i < len(r.Rows)-1 {
				into.Ties[i] = survey.Force(tie)
			}
		}
	}
	out.pull = r.along(behind, rope, r.Rows[0])
	return out
}

// along turns the force that the front stakes bear across their axis into the
// pull that brings it about. A rope steeper than the lean also draws them out;
// the two strengths then interact as an ellipse (form after Meyerhof and
// Yalcin 1984).
func (r *Rig) along(across, rope float64, n int) float64 {
	if r.RopeAngle <= r.Lean || across <= 0 {
		return across / rope
	}
	a := rope / across
	b := math.Sin(float64(r.RopeAngle-r.Lean)) / (float64(n) * r.uplift())
	return 1 / math.Sqrt(a*a+b*b)
}

// uplift returns the force that draws one stake out along its axis: Adhesion
// on the shaft in clay; in sand friction at two thirds of φ under the earth
// pressure at rest of Jaky, 1 - sin φ (our choice, no source for stakes).
func (r *Rig) uplift() float64 {
	g := &r.Ground
	l, d := float64(r.Embedment), float64(g.DeadTop)
	round := math.Pi * float64(r.Bar.Diameter)
	if g.Kind == Clay {
		return Adhesion * float64(g.Cu) * round * (l - d)
	}
	phi := float64(g.Phi)
	return (1 - math.Sin(phi)) * math.Tan(2*phi/3) * float64(g.UnitWeight) * round * (l*l - d*d) / 2
}

// station is one row in its soil.
type station struct {
	profile
	e, l float64 // rope height, embedment
	sl   float64 // S at the toe
	turn float64 // F at the toe: the moment about the rope of all the soil
}

func (s *station) set(r *Rig, n int) {
	s.profile = r.Ground.profile(float64(n) * float64(r.Bar.Diameter))
	s.e, s.l = float64(r.RopeHeight), float64(r.Embedment)
	sl, ql := s.integrals(s.l)
	s.sl, s.turn = sl, s.e*sl+ql
}

// hold returns the force across the stakes at rope height that they bear with
// plastic moment m, helped by tie across their head at lever above the rope.
func (s *station) hold(m, tie, lever float64) (float64, Mode) {
	// Rigid: the soil pushes back above zr and forward below it,
	// 2 F(zr) = F(L) + T lever and P = T + 2 S(zr) - S(L).
	z := s.depth((s.turn + tie*lever) / 2)
	sz, _ := s.integrals(z)
	p := tie + 2*sz - s.sl
	// Hinge: the stakes bend where the shear is zero, F(zh) = m + T lever.
	if f := m + tie*lever; f < s.turn {
		zh := s.depth(f)
		if sh, _ := s.integrals(zh); tie+sh < p {
			return tie + sh, Hinge
		}
	}
	return max(p, 0), Rigid
}

// depth returns z with F(z) = e S(z) + Q(z) = f, at most the toe. F is convex,
// so Newton's steps from the toe come down on z without passing it.
func (s *station) depth(f float64) float64 {
	z := s.l
	if f >= s.turn {
		return z
	}
	for range 100 {
		sz, qz := s.integrals(z)
		step := (s.e*sz + qz - f) / ((s.e + z) * s.at(z))
		next := z - step
		if !(next > s.dead) || step <= 1e-13*z {
			break
		}
		z = next
	}
	return z
}
