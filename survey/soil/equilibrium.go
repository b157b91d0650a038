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

// ShaftFriction is the friction along a stake in sand as a share of the weight
// of the soil above: about (1 - sin φ) tan(2φ/3) for any φ from 25° to 45°, the
// earth pressure at rest of Jaky on a smooth shaft (our choice).
const ShaftFriction = 0.17

// Collapse is the strength of a rig by limit equilibrium: an ultimate value,
// without any safety factor. Arrays run from the front; entries past Rows are 0.
type Collapse struct {
	// Pull is the greatest force along the rope, exactly by the equations.
	Pull survey.Force
	// Credited is Pull without what the equations promise on uncertain
	// grounds: a rope tied higher than 2 in, a lean beyond 15° and a rope that
	// dips below the ground line or rises above the lean never count as strength.
	Credited survey.Force
	// FirstYield is the greatest pull under which every bar can be elastic: the
	// same equilibrium with the yield moment in place of the plastic one. Where
	// the soil gives way with every bar elastic it equals Pull. A front stake
	// seen to be bent has passed it. On springs, which share the load less
	// evenly, the first bar yields up to a tenth earlier (a quarter in rigs of
	// several stakes abreast in very hard clay): see NewLoadCurve.
	FirstYield survey.Force
	Governs    Reason
	Rows       int
	Ties       [MaxRows - 1]survey.Force // the most that each gap's lashing is asked for
	Modes      [MaxRows]Mode
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
	var (
		m recursion
		c = Collapse{Rows: len(r.Rows)}
	)
	m.set(&r)
	full := m.solve(float64(r.Bar.PlasticMoment()), &c)
	c.Pull = survey.Force(full.pull)
	c.FirstYield = min(c.Pull, survey.Force(m.solve(float64(r.Bar.YieldMoment()), nil).pull))
	switch {
	case full.lashed:
		c.Governs = LashingLimits
	case full.bent || c.Modes[0] == Hinge:
		c.Governs = BarBends
	default:
		c.Governs = SoilYields
	}
	c.compare(r)
	return c, nil
}

// compare sets Credited, and names the rope or the slope as the reason where
// putting it right would give back the most.
func (c *Collapse) compare(r Rig) {
	c.Credited = c.Pull
	most := c.Pull * telling / (1 - telling) // the least gain that tells
	low := r.Geometry
	low.Lean = min(low.Lean, UsualLean)
	low.RopeAngle = max(0, min(low.RopeAngle, low.Lean))
	if low != r.Geometry && low.RopeHeight > LowRope {
		c.Credited = min(c.Pull, r.with(low).pull())
	}
	low.RopeHeight = min(low.RopeHeight, LowRope)
	if low != r.Geometry {
		p := r.with(low).pull()
		c.Credited = min(c.Credited, p)
		if gain := p - c.Pull; gain >= most {
			c.Governs, most = RopeHigh, gain
		}
	}
	if r.Ground.Fall > 0 {
		r.Ground.Fall = 0
		if gain := r.pull() - c.Pull; gain >= most {
			c.Governs = GroundFalls
		}
	}
}

// with returns the rig with another geometry.
func (r Rig) with(g Geometry) Rig {
	r.Geometry = g
	return r
}

// pull returns the strength of a valid rig alone.
func (r Rig) pull() survey.Force {
	var m recursion
	m.set(&r)
	return survey.Force(m.solve(float64(r.Bar.PlasticMoment()), nil).pull)
}

// recursion is a rig prepared for the recursion.
type recursion struct {
	rows                        int
	row                         [MaxRows]station
	rope, lash, lever, strength float64
	along, uplift               float64 // sine of rope over lean, strength of one stake along its axis
}

func (c *recursion) set(r *Rig) {
	c.rows = len(r.Rows)
	for i, n := range r.Rows {
		if i > 0 && n == r.Rows[i-1] {
			c.row[i] = c.row[i-1]
		} else {
			c.row[i].set(r, n)
		}
	}
	c.rope = r.RopeFactor()
	if r.RopeAngle > r.Lean {
		c.along, c.uplift = math.Sin(float64(r.RopeAngle-r.Lean)), r.uplift()
	}
	if c.rows > 1 {
		c.lash, c.lever, c.strength = r.LashFactor(), max(0, r.lever()), float64(r.Lashing.Strength)
	}
}

// solved is the outcome of one pass over the rows.
type solved struct {
	pull   float64
	lashed bool // a lashing's own strength limits
	bent   bool // the front lashing bends the front stakes back
}

// solve runs the recursion with moment m per bar; into, if not nil, receives
// ties and modes.
func (c *recursion) solve(m float64, into *Collapse) solved {
	var out solved
	behind := 0.0
	for i := c.rows - 1; i >= 0; i-- {
		st := &c.row[i]
		moment, tie := st.n*m, 0.0
		if i < c.rows-1 {
			tie = behind / c.lash
			out.bent = false
			back := min(moment, st.turn) / (c.lever * c.lash)
			if back < tie {
				tie, out.lashed, out.bent = back, false, moment <= st.turn
			}
			if c.strength < tie {
				tie, out.lashed, out.bent = c.strength, true, false
			}
		}
		var mode Mode
		behind, mode = st.hold(moment, tie*c.lash, c.lever)
		if into != nil {
			into.Modes[i] = mode
			if i < c.rows-1 {
				into.Ties[i] = survey.Force(tie)
			}
		}
	}
	out.pull = behind / c.rope
	if c.along > 0 && behind > 0 {
		// A rope steeper than the lean also draws the stakes out; the two
		// strengths interact as an ellipse (form after Meyerhof and Yalcin 1984).
		out.pull = 1 / math.Hypot(c.rope/behind, c.along/(c.row[0].n*c.uplift))
	}
	return out
}

// uplift returns the force that draws one stake out along its axis.
func (r *Rig) uplift() float64 {
	g := &r.Ground
	l, d := float64(r.Embedment), float64(g.DeadTop)
	round := math.Pi * float64(r.Bar.Diameter)
	if g.Kind == Clay {
		return Adhesion * float64(g.Cu) * round * (l - d)
	}
	return ShaftFriction * float64(g.UnitWeight) * round * (l*l - d*d) / 2
}

// station is one row of n bars in its soil.
type station struct {
	profile
	n    float64
	e, l float64 // rope height, embedment
	sl   float64 // S at the toe
	turn float64 // F at the toe: the moment about the rope of all the soil
	fc   float64 // F where the deep limit takes over, if within the soil
}

func (s *station) set(r *Rig, n int) {
	s.n = float64(n)
	s.profile = r.Ground.profile(s.n * float64(r.Bar.Diameter))
	s.e, s.l = float64(r.RopeHeight), float64(r.Embedment)
	sl, ql := s.integrals(s.l)
	s.sl, s.turn = sl, s.e*sl+ql
	s.fc = math.Inf(1)
	if s.clay && s.xc < s.l {
		sc, qc := s.integrals(max(s.xc, s.dead))
		s.fc = s.e*sc + qc
	}
}

// hold returns the force across the stakes at rope height that they bear with
// plastic moment m, helped by tie across their head at lever above the rope.
func (s *station) hold(m, tie, lever float64) (float64, Mode) {
	// Rigid: the soil pushes back above zr and forward below it,
	// 2 F(zr) = F(L) + T lever and P = T + 2 S(zr) - S(L).
	_, sz := s.depth((s.turn + tie*lever) / 2)
	p := tie + 2*sz - s.sl
	// Hinge: the stakes bend where the shear is zero, F(zh) = m + T lever.
	if f := m + tie*lever; f < s.turn {
		if _, sh := s.depth(f); tie+sh < p {
			return tie + sh, Hinge
		}
	}
	return max(p, 0), Rigid
}

// depth returns z, at most the toe, with F(z) = e S(z) + Q(z) = f, and S(z).
func (s *station) depth(f float64) (z, sz float64) {
	if f >= s.turn {
		return s.l, s.sl
	}
	if f >= s.fc {
		// F is quadratic below the wedge: 9 cu D [e (z-x) + (z²-x²)/2].
		x := max(s.xc, s.dead)
		z = x + quadratic(0.5, s.e+x, (f-s.fc)/(9*s.cd))
		sz, _ = s.integrals(z)
		return z, sz
	}
	// F is convex, so Newton's steps come down on z without passing it.
	z = s.l
	if s.clay {
		z = min(z, s.xc)
	}
	for range 100 {
		var qz float64
		sz, qz = s.integrals(z)
		step := (s.e*sz + qz - f) / ((s.e + z) * s.at(z))
		if next := z - step; next > s.dead && step > 1e-12*z {
			z = next
			continue
		}
		break
	}
	return z, sz
}
