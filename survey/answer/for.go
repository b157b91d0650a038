package answer

import (
	"fmt"
	"time"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/ground"
	"holdfast/survey/load"
	"holdfast/survey/rig"
	"holdfast/survey/soil"
	"holdfast/survey/surround"
)

// Input is everything an answer depends on.
type Input struct {
	Point    survey.Point
	Site     survey.Site
	Around   surround.Around
	Policy   survey.Policy
	LoadID   string              // a load case of the policy, or an own load such as "280 kg"; "" is the first case
	Required survey.Opt[float64] // replaces the policy's required ratio
	AsOf     time.Time           // the day the answer is for
	Tonight  survey.Moisture     // "" is as surveyed
	Tests    []DepartmentTest    // the department's pull tests elsewhere
}

// DepartmentTest is a pull test made at another point, with the ground it was
// made in.
type DepartmentTest struct {
	survey.PullTest
	Point    string // id of the point it was made at
	Class    survey.GroundClass
	Cohesive survey.Answer
	Ground   survey.Moisture // of the ground as surveyed there
}

// Cautions are carried by every answer.
var Cautions = []string{
	"Planning aid: it does not certify an anchor. The people on the ground decide; local codes, the department's own procedures and a licensed engineer's judgement come first.",
	"Never drive a stake until buried utilities are located and marked; look up for overhead lines.",
	"Soil tonight may be wetter, frozen, undercut or newly dug. Re-check it and pull-test before a life hangs on it.",
	"A figure without a test at this point is an estimate, and says so beside the figure.",
}

// For answers one point. Errors are of the input: an unknown load case, a
// ratio that is no ratio, a policy whose kit makes no sense.
func For(in Input) (Answer, error) {
	c, err := load.Find(in.Policy, in.LoadID)
	if err != nil {
		return Answer{}, err
	}
	required := in.Policy.Required(in.Required)
	if !(required >= 1 && required <= 100) {
		return Answer{}, survey.Invalid("", "a required ratio of %g is outside 1 to 100", required)
	}
	demand, err := load.Work(c, slopeOf(in.Point), survey.Force(in.Policy.HaulPerPersonN.Value), in.Policy.PulleyEfficiency.Value)
	if err != nil {
		return Answer{}, err
	}
	w := working{
		in: in, loadCase: c, required: required,
		a: Answer{
			Point: in.Point.ID, AsOf: in.AsOf.UTC(), Policy: in.Policy.Version, RequiredRatio: required,
			LoadCase: demand, Ground: ground.Tonight(in.Point.Ground, in.Tonight), Cautions: Cautions,
		},
	}
	w.readPull()
	if err := w.options(); err != nil {
		return Answer{}, err
	}
	w.settle()
	w.say()
	return w.a, nil
}

func slopeOf(p survey.Point) survey.Opt[geo.Angle] {
	if a, ok := p.Terrain.Slope(); ok {
		return survey.Known(a)
	}
	return survey.Opt[geo.Angle]{}
}

// working is an answer under way.
type working struct {
	in       Input
	loadCase survey.LoadCase
	required float64
	a        Answer
}

// conditions gathers what bears on a stake rig at the point.
func (w *working) conditions() rig.Conditions {
	p := w.in.Point
	c := rig.Conditions{
		Ground: w.a.Ground, Surveyed: p.Ground.Moisture, Tonight: w.in.Tonight,
		RopeAngle: geo.Degrees(w.loadCase.RopeAngleDeg), Refusal: p.Ground.DepthToRefusalM,
		Tests: p.PullTests, Elsewhere: w.testsInThisGround(),
	}
	setback, how := w.setback()
	if how != "" {
		c.Setback = survey.Known(setback)
		if setback >= rig.NeededSetback(w.in.Policy) {
			c.Fall = survey.Known(geo.Angle(0)) // the bank begins beyond the ground that resists
			return c
		}
	}
	if a, ok := p.Terrain.Slope(); ok {
		c.Fall = survey.Known(a)
	}
	return c
}

// setback is the distance to the crest: as surveyed, or by a crest layer. how
// is "" when neither is known.
func (w *working) setback() (d geo.Length, how string) {
	if s, ok := w.in.Point.Terrain.SetbackM.Get(); ok {
		return s, "surveyed"
	}
	if s, ok := w.in.Around.Setback.Get(); ok {
		return s, "by the bank crest layer"
	}
	return 0, ""
}

// testsInThisGround picks the department's tests made in ground of the same
// class and kind, no drier than this ground is.
func (w *working) testsInThisGround() map[string][]soil.PullTest {
	out := map[string][]soil.PullTest{}
	for _, t := range w.in.Tests {
		if t.Point != "" && t.Point == w.in.Point.ID {
			continue // counted as tested here
		}
		if t.Class != w.a.Ground.Class || t.Cohesive != w.a.Ground.Cohesive || w.drier(t) {
			continue
		}
		out[t.Rig] = append(out[t.Rig], soil.PullTest{Force: t.Force(), Stopped: t.Outcome == survey.Held})
	}
	return out
}

func (w *working) drier(t DepartmentTest) bool {
	tested := t.Moisture
	if tested == "" {
		tested = t.Ground
	}
	now := w.in.Tonight
	if now == "" {
		now = w.in.Point.Ground.Moisture
	}
	return tested == "" || now == "" || rank(survey.Moistures, now) > rank(survey.Moistures, tested)
}

func rank[T comparable](list []T, v T) int {
	for i, x := range list {
		if x == v {
			return i
		}
	}
	return len(list)
}

// settle lists what would settle an unknown or short verdict, most useful
// first: what blocks a verdict, then the ground, then a pull test.
func (w *working) settle() {
	seen := map[string]bool{}
	add := func(s string) {
		if s != "" && !seen[s] {
			seen[s] = true
			w.a.Settles = append(w.a.Settles, s)
		}
	}
	if !w.a.Pull.TrueDeg.Known() {
		add("take the pull bearing on the ground, or load a bank crest, toe or water layer")
	}
	if best, ok := w.a.Best(); ok {
		for _, c := range best.Main.Checks {
			if c.Matters && !(c.Ran && c.Passed) {
				add(c.Fix)
			}
		}
		if best.Verdict == Short {
			need := survey.Force(w.required) * w.a.LoadCase.Force()
			add(fmt.Sprintf("pull-test here: a rig that holds %.1f kN (%.0f lbf) settles it for that rig", need.Kilonewtons(), need.Pounds()))
		}
	}
	for _, s := range w.a.Ground.Settles {
		add(s)
	}
}
