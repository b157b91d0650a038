package load

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// Work works out the force on the anchor of a load case on a bank of the
// given slope; of an unknown slope the worst is taken. perPerson and
// efficiency are the sustained pull of one person and the efficiency of one
// pulley, both from policy; units are those that doubts are written in.
func Work(c survey.LoadCase, slope survey.Opt[geo.Angle], perPerson survey.Force, efficiency float64, units survey.Units) (Result, error) {
	w := survey.Force(c.LoadN)
	r := Result{ID: c.ID, Title: c.Title}
	r.step("load", w, c.Source, "%s", c.Title)

	statics := "statics of a block on a slope"
	if c.Friction == 0 && !c.EdgeEfficiency.Known() {
		statics += "; the load case counts no friction and no loss at the edge"
	}
	holding, raising := w, w
	if a, ok := slope.Get(); ok {
		holding, raising = OnSlope(w, a, c.Friction)
		r.step("held still on the slope", holding, statics, "W·max(0, sin %.0f° − %.2f·cos %.0f°)", a.Degrees(), c.Friction, a.Degrees())
		r.step("raised on the slope", raising, statics, "W·(sin %.0f° + %.2f·cos %.0f°)", a.Degrees(), c.Friction, a.Degrees())
	} else {
		r.Doubts = append(r.Doubts, "the slope is not known: the load is taken as hanging free")
		if c.Friction > 0 {
			// W (sin a + μ cos a) is greatest where tan a = 1/μ.
			raising = w * survey.Force(math.Hypot(1, c.Friction))
			r.step("raised on the worst slope", raising, statics, "W·√(1 + %.2f²)", c.Friction)
		}
	}
	if e, ok := c.EdgeEfficiency.Get(); ok && e < 1 {
		raising /= survey.Force(e)
		r.step("raised over the edge", raising, "edge efficiency of the load case", "tension / %.2f", e)
	}
	r.HoldingN, r.RaisingN = holding.Newtons(), raising.Newtons()
	force := r.basis(c, w, holding, raising)
	if c.Haul != "" {
		if err := r.haul(c, raising, &force, perPerson, efficiency, units); err != nil {
			return Result{}, err
		}
	} else if angle, ok := c.RedirectDeg.Get(); ok {
		r.redirect(force, angle, "the main line", units)
	}
	if raising > w {
		r.Doubts = append(r.Doubts, "friction and edge make the raising tension greater than the load itself")
	}
	r.ForceOnAnchorN = force.Newtons()
	return r, nil
}

func (r *Result) step(what string, f survey.Force, source, how string, args ...any) {
	r.Steps = append(r.Steps, Step{What: what, How: fmt.Sprintf(how, args...), ForceN: f.Newtons(), Source: source})
}

// basis takes the force that the policy asks the anchor to serve. Ground so
// flat that it holds the load by itself asks nothing; the anchor is then still
// asked for the weight, since a ratio to nothing says nothing.
func (r *Result) basis(c survey.LoadCase, w, holding, raising survey.Force) survey.Force {
	force := max(w, raising)
	switch c.Basis {
	case survey.BasisHanging:
		force = w
		r.step("force on the anchor", force, "policy: hanging load", "W")
	case survey.BasisRaising:
		force = max(raising, holding)
		if !(force > 0) {
			force = w
			r.Doubts = append(r.Doubts, "level ground asks no tension: the load's weight is taken instead")
		}
		r.step("force on the anchor", force, "policy: tension while raising", "the raising tension")
	default:
		r.step("force on the anchor", force, "policy: the greater of hanging and raising", "max(W, raising tension)")
	}
	return force
}

func (r *Result) haul(c survey.LoadCase, raising survey.Force, force *survey.Force, perPerson survey.Force, efficiency float64, units survey.Units) error {
	sys, err := ParseHaul(c.Haul)
	if err != nil {
		return err
	}
	h := sys.Work(raising, efficiency)
	const method = "tension method, each pulley passes on the stated share"
	r.step("pull on the haul rope", h.Hand, method, "raising tension / %.2f (%s, pulleys at %.0f %%)", sys.Advantage(efficiency), c.Haul, efficiency*100)
	r.step("haul system on its anchor", h.Anchor, method, "raising tension − tension leaving the system")
	r.HaulForceN, r.HaulAnchorN = survey.Known(h.Hand.Newtons()), survey.Known(h.Anchor.Newtons())
	r.HaulPeople = survey.Known(math.Ceil(float64(h.Hand/perPerson) - 1e-9))
	*force = max(*force, h.Anchor)
	angle, stated := c.RedirectDeg.Get()
	switch {
	case sys.Redirected: // one of no stated angle folds the rope right back
		r.redirect(h.Hand, angle, "the haul rope", units)
	case stated:
		r.redirect(*force, angle, "the main line", units)
	}
	return nil
}

// redirect adds the force on the anchor of a redirect.
func (r *Result) redirect(t survey.Force, angleDeg float64, of string, units survey.Units) {
	on := Redirect(t, geo.Degrees(angleDeg))
	r.RedirectN = survey.Known(on.Newtons())
	r.step("redirect of "+of+" on its own anchor", on, "two equal tensions at the interior angle", "2T·cos(%.0f°/2)", angleDeg)
	r.Doubts = append(r.Doubts, fmt.Sprintf("the redirect of %s needs an anchor of its own, good for %s", of, wording.Demand(units, on)))
}

// OnSlope returns the rope tension that holds and that raises a weight on a
// slope at angle a above the horizontal with ground friction coefficient mu:
// W·max(0, sin a − mu·cos a) and W·(sin a + mu·cos a).
func OnSlope(w survey.Force, a geo.Angle, mu float64) (holding, raising survey.Force) {
	sin, cos := math.Sincos(a.Radians())
	return w * survey.Force(max(0, sin-mu*cos)), w * survey.Force(sin+mu*cos)
}

// Redirect returns the force on the anchor of a redirect that carries tension
// t through an interior angle: 2t·cos(angle/2); 2t when the rope folds right
// back (0°), none when it runs straight on (180°).
func Redirect(t survey.Force, angle geo.Angle) survey.Force {
	return 2 * t * survey.Force(math.Cos(angle.Radians()/2))
}

// Limits of the interior angle of a two-leg anchor: above the first the legs
// gain fast, above the second each carries more than the load.
const (
	WarnLegs   = 90 * geo.Degree
	RefuseLegs = 120 * geo.Degree
)

// Leg returns the force in each leg of a two-leg anchor at an interior angle:
// t/(2·cos(angle/2)). It refuses angles above 120°, where a leg would carry
// more than t, and warns above 90°.
func Leg(t survey.Force, angle geo.Angle) (leg survey.Force, warn string, err error) {
	if angle < 0 || angle > RefuseLegs+1e-9 || math.IsNaN(float64(angle)) {
		return 0, "", fmt.Errorf("an anchor with legs %.0f° apart loads each leg with more than the whole: bring them within 120°: %w", angle.Degrees(), survey.ErrInvalid)
	}
	if angle > WarnLegs+1e-9 {
		warn = fmt.Sprintf("legs %.0f° apart: bring them within 90°", angle.Degrees())
	}
	return t / survey.Force(2*math.Cos(angle.Radians()/2)), warn, nil
}

// Haul is a haul system: simple n:1, or two simple ones in line.
type Haul struct {
	Stages     []int // mechanical advantage of each simple system, load side first
	Redirected bool  // the rope leaves through one more pulley on an anchor
}

// ParseHaul reads "1:1" to "5:1" (simple), "6:1" (a 2:1 on a 3:1) and "9:1"
// (a 3:1 on a 3:1), each with " cd" for a change of direction.
func ParseHaul(s string) (Haul, error) {
	ratio, redirected := strings.CutSuffix(strings.ToLower(strings.TrimSpace(s)), " cd")
	h := Haul{Redirected: redirected}
	switch ratio {
	case "6:1":
		h.Stages = []int{3, 2}
	case "9:1":
		h.Stages = []int{3, 3}
	default:
		n, err := strconv.Atoi(strings.TrimSuffix(ratio, ":1"))
		if err != nil || n < 1 || n > 5 || !strings.HasSuffix(ratio, ":1") {
			return Haul{}, fmt.Errorf("%q is no haul system: known are 1:1 to 5:1, 6:1 and 9:1, with \" cd\" for a change of direction: %w", s, survey.ErrInvalid)
		}
		h.Stages = []int{n}
	}
	return h, nil
}

// Hauled is the forces in a haul system.
type Hauled struct {
	Hand   survey.Force // pull of the haul team
	Anchor survey.Force // of the system on its anchor, redirect apart
}

// Advantage returns the real mechanical advantage at a pulley efficiency,
// redirect included: a simple n:1 gives 1 + e + … + e^(n−1).
func (h Haul) Advantage(efficiency float64) float64 {
	total := 1.0
	for _, n := range h.Stages {
		sum, e := 0.0, 1.0
		for range n {
			sum += e
			e *= efficiency
		}
		total *= sum
	}
	if h.Redirected {
		total *= efficiency
	}
	return total
}

// Work returns the forces while the system raises with tension t on the load.
// The anchor of the haul system resists t less what the rope that leaves it
// takes; the redirect's anchor is apart.
func (h Haul) Work(t survey.Force, efficiency float64) Hauled {
	hand := t / survey.Force(h.Advantage(efficiency))
	leaving := hand
	if h.Redirected {
		leaving = hand * survey.Force(efficiency)
	}
	return Hauled{Hand: hand, Anchor: t - leaving}
}
