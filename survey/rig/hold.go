package rig

import (
	"fmt"
	"math"
	"slices"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/ground"
	"holdfast/survey/soil"
)

// Conditions is everything besides the pattern that bears on what a stake rig
// holds.
type Conditions struct {
	Ground    ground.Result
	Surveyed  survey.Moisture            // state of the ground when surveyed and, where not noted, tested
	Tonight   survey.Moisture            // state of the ground the figure is for
	Fall      survey.Opt[geo.Angle]      // slope of the ground falling away in front; 0 beyond the setback
	RopeAngle geo.Angle                  // above the ground
	Refusal   survey.Opt[geo.Length]     // depth at which a bar stops
	Setback   survey.Opt[geo.Length]     // from the front stake to the crest
	Tests     []survey.PullTest          // at this point
	Elsewhere map[string][]soil.PullTest // department's tests in this ground, by pattern
}

// NeededSetback returns the least distance from a stake to the crest: the
// policy's own, or its number of embedments where that is more.
func NeededSetback(p survey.Policy) geo.Length {
	return max(p.SetbackM.Value, geo.Length(p.SetbackEmbedments.Value)*p.Stake.EmbedmentM.Value)
}

// Refuse says why no stake figure may be given at all, or "".
func Refuse(c Conditions, p survey.Policy) string {
	if c.Ground.Unsuitable != "" {
		return c.Ground.Unsuitable
	}
	if d, ok := c.Refusal.Get(); ok && d < DrivenDepth(p) {
		return fmt.Sprintf("a bar stops at %.2f m; %.2f m is needed", d.Metres(), DrivenDepth(p).Metres())
	}
	if s, ok := c.Setback.Get(); ok && s < NeededSetback(p) {
		return fmt.Sprintf("the crest is %.1f m away; %.1f m is needed", s.Metres(), NeededSetback(p).Metres())
	}
	if a, ok := c.Fall.Get(); ok && a.Degrees() > p.FrontSlopeDeg.Value {
		return fmt.Sprintf("the ground in front falls %.0f°; no figure holds beyond %.0f°", a.Degrees(), p.FrontSlopeDeg.Value)
	}
	return ""
}

// DrivenDepth returns the vertical depth that a leaning stake reaches.
func DrivenDepth(p survey.Policy) geo.Length {
	return p.Stake.EmbedmentM.Value * geo.Length(math.Cos(geo.Degrees(p.Stake.LeanDeg.Value).Radians()))
}

// HeelToToe returns the lean of a stake whose foot stands at the heel of a
// boot and whose head is over its toe, before driving. With a 48 in stake and
// a 12 in boot it is near 15° (common practice, no source).
func HeelToToe(stake, boot geo.Length) geo.Angle {
	return geo.Angle(math.Asin(float64(min(max(boot/stake, 0), 1))))
}

// Stakes says what a rig of the pattern holds, with every figure and its
// evidence. The figure that governs is the tested one where tests apply,
// otherwise the lower of handbook and mechanics. An anchor whose HoldingN is
// not known has no figure that may be used; the evidence says why.
func Stakes(pattern survey.Pattern, c Conditions, p survey.Policy) (Anchor, error) {
	a := Anchor{Kind: survey.KindRig, Rig: pattern.String(), Count: 1}
	if Refuse(c, p) != "" {
		return a, nil
	}
	untested, err := a.estimate(pattern, c, p)
	if err != nil {
		return a, err
	}
	if untested, err = a.weaken(untested, c, p); err != nil {
		return a, err
	}
	a.tests(pattern, c, untested)
	return a, nil
}

// weaken scales an estimate by the worst that a failed pull here shows: where
// a rig gave way at four fifths of its own estimate, no other rig's estimate
// is believed beyond four fifths either.
func (a *Anchor) weaken(e estimate, c Conditions, p survey.Policy) (estimate, error) {
	worst := 1.0
	var which survey.PullTest
	for _, t := range c.Tests {
		tested, err := survey.ParsePattern(t.Rig)
		if err != nil || t.Outcome == survey.Held {
			continue
		}
		var scratch Anchor
		was, err := scratch.estimate(tested, c, p)
		if err != nil {
			return e, err
		}
		if was.ok && float64(t.Force()/was.force) < worst {
			worst, which = float64(t.Force()/was.force), t
		}
	}
	if e.ok && worst < 1 {
		e.force *= survey.Force(worst)
		e.grade = survey.TestedHere
		a.Evidence = append(a.Evidence, Figure{
			Grade: survey.TestedHere, HoldingN: e.force.Newtons(), Source: "pull test here" + on(which),
			Note: fmt.Sprintf("a %s %s at %.0f %% of its estimate: every estimate here is scaled by that", which.Rig, which.Outcome, worst*100),
		})
	}
	return e, nil
}

type estimate struct {
	force survey.Force
	grade survey.Evidence
	ok    bool
}

// estimate gathers handbook and mechanics and returns the lower.
func (a *Anchor) estimate(pattern survey.Pattern, c Conditions, p survey.Policy) (estimate, error) {
	var low estimate
	take := func(f survey.Force, g survey.Evidence) {
		if !low.ok || f < low.force {
			low = estimate{f, g, true}
		}
	}
	factor, known := p.Factor(c.Ground.Factor)
	f, suitable := factor.Factor.Get()
	if r, ok := p.Rating(pattern.String()); ok && known && suitable {
		force := survey.Force(r.HoldingN * f)
		fig := Figure{Grade: survey.Handbook, HoldingN: force.Newtons(), Source: r.Source}
		fig.Note = fmt.Sprintf("%.0f lbf × %.2g for %s (%s)", survey.Force(r.HoldingN).Pounds(), f, factor.Ground, factor.Source)
		if h, ok := r.HighN.Get(); ok {
			fig.Note += fmt.Sprintf("; also quoted: %.0f lbf (%s), not used", survey.Force(h).Pounds(), r.HighSource)
		}
		if k, ok := factor.Kinder.Get(); ok {
			fig.Note += fmt.Sprintf("; a kinder factor of %.2g is published (%s), not used", k, factor.KinderS)
		}
		a.Evidence = append(a.Evidence, fig)
		take(force, survey.Handbook)
	}
	collapse, ok, err := mechanics(pattern, c, p)
	if err != nil || !ok {
		return low, err
	}
	cu, fromTests := cuHere(c, p)
	fig := Figure{Grade: survey.Mechanics, HoldingN: collapse.Credited.Newtons(), Source: "limit equilibrium of the rig after Matlock (1970) and Broms (1964)"}
	if fromTests {
		fig.Note = fmt.Sprintf("strength no more than %.0f kPa by the failed pull here", cu.Kilopascals())
	} else if v, ok := c.Ground.CuKPa.Get(); ok {
		fig.Note = fmt.Sprintf("shear strength %.0f kPa, %s", v, collapse.Governs)
	} else if v, ok := c.Ground.PhiDeg.Get(); ok {
		fig.Note = fmt.Sprintf("friction angle %.0f°, %s", v, collapse.Governs)
	}
	a.Evidence = append(a.Evidence, fig)
	a.YieldN = survey.Known(collapse.FirstYield.Newtons())
	a.Weakest = collapse.Governs.String()
	take(collapse.Credited, survey.Mechanics)
	return low, nil
}

// Model is the mechanical model of the rig in this ground; ok is false when
// the ground gives no strength to work with.
func Model(pattern survey.Pattern, c Conditions, p survey.Policy) (soil.Rig, bool) {
	var earth soil.Ground
	if _, ok := c.Ground.CuKPa.Get(); ok {
		cu, _ := cuHere(c, p)
		earth = soil.ClayOf(cu)
	} else if phi, ok := c.Ground.PhiDeg.Get(); ok {
		earth = soil.SandOf(geo.Degrees(phi))
	} else {
		return soil.Rig{}, false
	}
	if v, ok := c.Ground.GammaKNM3.Get(); ok {
		earth.UnitWeight = soil.UnitWeight(v * 1000)
	}
	if fall, ok := c.Fall.Get(); ok {
		earth.Fall = fall
	}
	return soil.Rig{Geometry: geometry(c, p), Ground: earth, Rows: pattern}, true
}

// geometry is the policy's stake as the mechanics see it.
func geometry(c Conditions, p survey.Policy) soil.Geometry {
	g := soil.BaseGeometry()
	s := p.Stake
	g.Bar.Diameter = geo.Length(s.DiameterMM.Value) * geo.Millimetre
	g.Bar.Yield = survey.Pressure(s.YieldMPa.Value * 1e6)
	g.Length, g.Embedment = s.LengthM.Value, s.EmbedmentM.Value
	g.RopeHeight = s.RopeHeightM.Value
	g.LashBelowHead = s.LengthM.Value - s.EmbedmentM.Value - s.LashHeightM.Value
	g.Spacing, g.Lean = s.SpacingM.Value, geo.Degrees(s.LeanDeg.Value)
	g.RopeAngle = c.RopeAngle
	g.Lashing.Stiffness = s.LashKNPerM.Value * 1000
	g.Lashing.Slack = s.LashSlackM.Value
	return g
}

func mechanics(pattern survey.Pattern, c Conditions, p survey.Policy) (soil.Collapse, bool, error) {
	model, ok := Model(pattern, c, p)
	if !ok {
		return soil.Collapse{}, false, nil
	}
	col, err := soil.NewCollapse(model)
	if err != nil {
		return soil.Collapse{}, false, fmt.Errorf("work out the %s rig: %w", pattern, err)
	}
	return col, true, nil
}

// cuHere is the shear strength to use: the ground's own, lowered to what a
// failed pull of a single stake here shows. A held pull never raises it.
func cuHere(c Conditions, p survey.Policy) (cu survey.Pressure, fromTests bool) {
	v, _ := c.Ground.CuKPa.Get()
	cu = survey.Pressure(v) * survey.Kilopascal
	for _, t := range c.Tests {
		if t.Rig != "1" || t.Outcome == survey.Held {
			continue
		}
		// By the level-ground strength of the day: ground falling away in front
		// weakens the stake, so leaving it out reads the soil no stronger.
		single := soil.Rig{Geometry: geometry(c, p), Ground: soil.ClayOf(cu), Rows: []int{1}}
		if limit, err := soil.CuFromPull(single, t.Force()); err == nil && limit < cu {
			cu, fromTests = limit, true
		}
	}
	return cu, fromTests
}

// tests lets pull tests govern: a held pull here is a lower bound, three or
// more department tests in this ground replace the estimate, and a failed pull
// here caps everything.
func (a *Anchor) tests(pattern survey.Pattern, c Conditions, low estimate) {
	best := low
	if pulls := c.Elsewhere[pattern.String()]; len(pulls) > 0 {
		fig := Figure{Grade: survey.TestedGround, Source: "department's pull tests, EN 1990:2002 Annex D7, 5 % fractile, log-normal"}
		if len(pulls) < 3 {
			fig.Note = fmt.Sprintf("%d tests: shown, not used; three are needed", len(pulls))
			fig.HoldingN = weakest(pulls).Newtons()
			a.Evidence = append(a.Evidence, fig)
		} else if ch, err := soil.NewCharacteristic(pulls); err == nil {
			fig.HoldingN = ch.Value.Newtons()
			fig.Note = fmt.Sprintf("%d tests", len(pulls))
			a.Evidence = append(a.Evidence, fig)
			best = estimate{ch.Value, survey.TestedGround, true}
		}
	}
	var limit survey.Opt[survey.Force]
	for _, t := range c.Tests {
		tested, err := survey.ParsePattern(t.Rig)
		if err != nil {
			continue
		}
		fig := Figure{Grade: survey.TestedHere, HoldingN: t.Force().Newtons(), Source: "pull test here" + on(t)}
		switch {
		case t.Outcome == survey.Held && contains(pattern, tested):
			fig.Note = "held: a lower bound"
			if wetter(c, t) {
				fig.Note = "held, but in drier ground than this: shown, not used"
			} else if !best.ok || t.Force() > best.force {
				best = estimate{t.Force(), survey.TestedHere, true}
			}
		case t.Outcome != survey.Held && contains(tested, pattern):
			fig.Note = string(t.Outcome) + ": caps every figure"
			if f, ok := limit.Get(); !ok || t.Force() < f {
				limit = survey.Known(t.Force())
			}
		default:
			continue
		}
		if !tested.Equal(pattern) {
			fig.Note += ", pulled on a " + tested.String()
		}
		a.Evidence = append(a.Evidence, fig)
	}
	if f, ok := limit.Get(); ok && best.ok && f < best.force {
		best = estimate{f, survey.TestedHere, true}
	}
	a.govern(best)
}

// govern records the figure that is used and marks it among the evidence.
func (a *Anchor) govern(best estimate) {
	if !best.ok {
		return
	}
	a.HoldingN = survey.Known(best.force.Newtons())
	a.Governs = best.grade
	for i := range a.Evidence {
		e := &a.Evidence[i]
		e.Used = e.Grade == best.grade && e.HoldingN == best.force.Newtons()
	}
	slices.SortStableFunc(a.Evidence, func(x, y Figure) int {
		return slices.Index(survey.Evidences, x.Grade) - slices.Index(survey.Evidences, y.Grade)
	})
}

func weakest(pulls []soil.PullTest) survey.Force {
	f := pulls[0].Force
	for _, t := range pulls {
		f = min(f, t.Force)
	}
	return f
}

func on(t survey.PullTest) string {
	if at, ok := t.At.Get(); ok {
		return " on " + at.Format("2006-01-02")
	}
	return ", date not recorded"
}

// contains tells whether rig p has at least the stakes of q, row by row from
// the front, so that what q held p holds too.
func contains(p, q survey.Pattern) bool {
	if len(p) < len(q) {
		return false
	}
	for i, n := range q {
		if p[i] < n {
			return false
		}
	}
	return true
}

// wetter tells whether the ground the figure is for is wetter than the ground
// that was tested, or could be.
func wetter(c Conditions, t survey.PullTest) bool {
	tested := t.Moisture
	if tested == "" {
		tested = c.Surveyed
	}
	now := c.Tonight
	if now == "" {
		now = c.Surveyed
	}
	if tested == "" || now == "" {
		return tested != now
	}
	if now == survey.Frozen || tested == survey.Frozen {
		return now != tested
	}
	return slices.Index(survey.Moistures, now) > slices.Index(survey.Moistures, tested)
}

// Times returns n equal rigs sharing the load equally.
func (a Anchor) Times(n int) Anchor {
	if n == 1 {
		return a
	}
	k := float64(n)
	scale := func(o survey.Opt[float64]) survey.Opt[float64] {
		if v, ok := o.Get(); ok {
			return survey.Known(v * k)
		}
		return o
	}
	b := a
	b.Count = n
	b.HoldingN, b.YieldN = scale(a.HoldingN), scale(a.YieldN)
	b.Evidence = slices.Clone(a.Evidence)
	for i := range b.Evidence {
		e := &b.Evidence[i]
		e.HoldingN *= k
		e.LowN, e.HighN = scale(e.LowN), scale(e.HighN)
		e.Note += fmt.Sprintf("; × %d sharing", n)
	}
	return b
}
