package answer

import (
	"time"

	"holdfast/geo"
	"holdfast/geo/tangent"
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
	LoadID   string                  // a load case of the policy, or an own load such as "280 kg"; "" is the first case
	Required survey.Opt[float64]     // replaces the policy's required ratio
	AsOf     time.Time               // the day the answer is for
	Tonight  survey.Moisture         // "" is as surveyed
	Toward   survey.Opt[geo.Bearing] // the direction the rope will really pull, true; unknown is the surveyed one
	Carried  Carried                 // kit at hand tonight, where it differs from the policy's
	Tests    []DepartmentTest        // the department's pull tests elsewhere
}

// Carried is the kit at hand; what is not given is as the policy says.
type Carried struct {
	Stakes        survey.Opt[int]
	Drivers       survey.Opt[int]
	WebbingPieces survey.Opt[int]
	RopeM         survey.Opt[geo.Length]
	People        survey.Opt[int]
}

// DepartmentTest is a pull test made at another point, with the ground it was
// made in.
type DepartmentTest struct {
	survey.PullTest
	Point     string // id of the point it was made at
	Class     survey.GroundClass
	Cohesive  survey.Answer
	Disturbed survey.Answer   // "" is not disturbed
	Ground    survey.Moisture // of the ground as surveyed there
}

// Cautions are carried by every answer.
var Cautions = []string{
	"Planning aid: it does not certify an anchor. The people on the ground decide; local codes, the department's own procedures and a licensed engineer's judgement come first.",
	"Never drive a stake until buried utilities are located and marked; look up for overhead lines.",
	"Soil tonight may be wetter, frozen, undercut or newly dug. Re-check it and pull-test before a life hangs on it.",
	"A figure without a test at this point is an estimate, and says so beside the figure.",
}

// For answers one point under the engine's own policy; the input's is left out.
// Errors are of the input: an unknown load case, a ratio that is no ratio.
func (e *Engine) For(in Input) (Answer, error) {
	w := working{e: e, in: in, tonight: in.Tonight}
	if err := w.begin(); err != nil {
		return Answer{}, err
	}
	if err := w.options(); err != nil {
		return Answer{}, err
	}
	if err := w.whatIfWetter(); err != nil {
		return Answer{}, err
	}
	w.settle()
	w.say()
	return w.a, nil
}

// Brief is the outcome of an answer without its working.
type Brief struct {
	Class   survey.GroundClass  `json:"class"`
	Verdict Verdict             `json:"verdict"`
	Ratio   survey.Opt[float64] `json:"ratio,omitzero"` // the greatest of any anchor with that verdict; unknown when none has a figure
}

// Brief gives the verdict and ratio that For would, in a fraction of the time.
func (e *Engine) Brief(in Input) (Brief, error) {
	w := working{e: e, in: in, tonight: in.Tonight, t: text{mute: true}}
	if err := w.begin(); err != nil {
		return Brief{}, err
	}
	b, _, err := w.best(nil)
	return b, err
}

// Sharing is the load-sharing curve of a rig at the point, by its pattern. It
// takes about a millisecond and is no part of an answer; ok is false where no
// stake figure may be given.
func (e *Engine) Sharing(in Input, pattern string) (s rig.Sharing, ok bool, err error) {
	rows, err := survey.ParsePattern(pattern)
	if err != nil {
		return s, false, err
	}
	w := working{e: e, in: in, tonight: in.Tonight, t: text{mute: true}}
	if err := w.begin(); err != nil {
		return s, false, err
	}
	return e.book.Sharing(rows, &w.cond)
}

// working is an answer under way.
type working struct {
	e        *Engine
	in       Input
	tonight  survey.Moisture // in place of the input's
	loadCase survey.LoadCase
	required float64
	plane    tangent.Plane
	cond     rig.Conditions
	refusal  rig.Refusal
	refused  bool
	sides    bool             // low ground lies on both sides, and nothing surveyed says which is meant
	near     []*surround.Near // features within reach of anything that is set up here
	screens  []rig.Screening  // of the anchors found
	common   common
	t        text
	room     room
	a        Answer
}

// begin works out what all anchors of a point have in common.
func (w *working) begin() (err error) {
	e, in := w.e, &w.in
	if w.loadCase, err = load.Find(e.policy, in.LoadID); err != nil {
		return err
	}
	w.required = e.policy.Required(in.Required)
	if !(w.required >= 1 && w.required <= 100) {
		return survey.Invalid("", "a required ratio of %g is outside 1 to 100", w.required)
	}
	if toward, ok := in.Toward.Get(); ok && !(toward >= 0 && toward <= 360) {
		return survey.Invalid("", "a bearing of %g° is outside 0 to 360", toward.Degrees())
	}
	if in.Tonight != "" && rank(survey.Moistures, in.Tonight) == len(survey.Moistures) {
		return survey.Invalid("", "%q is no state of the ground: %v are", in.Tonight, survey.Moistures)
	}
	slope := survey.Opt[geo.Angle]{}
	if a, ok := in.Point.Terrain.Slope(); ok {
		slope = survey.Known(a)
	}
	if w.a.LoadCase, err = e.demand(w.loadCase, slope); err != nil {
		return err
	}
	w.t.units = e.policy.Units
	w.a.Point, w.a.AsOf, w.a.Policy, w.a.Cautions = in.Point.ID, in.AsOf.UTC(), e.policy.Version, Cautions
	w.a.Tonight, w.a.RequiredRatio = w.tonight, w.required
	w.plane = tangent.At(in.Point.Position)
	w.readPull()
	w.gatherNear()
	w.screens = make([]rig.Screening, len(in.Point.Anchors))
	for i := range w.screens {
		w.screens[i] = rig.Screen(in.Point.Anchors[i], w.t.units)
	}
	w.setGround()
	return nil
}

// setGround classifies the ground and runs the checks that all anchors share.
func (w *working) setGround() {
	if w.t.mute {
		w.a.Ground = ground.Brief(w.in.Point.Ground, w.tonight)
	} else {
		w.a.Ground = ground.Tonight(w.in.Point.Ground, w.tonight)
	}
	w.setConditions()
	w.refusal, w.refused = rig.Refuse(&w.cond, w.policy())
	w.setCommon()
}

// policy is the department's rules that the answer follows.
func (w *working) policy() *survey.Policy { return &w.e.policy }

// setConditions gathers what bears on an anchor at the point.
func (w *working) setConditions() {
	p := &w.in.Point
	w.cond = rig.Conditions{
		Ground: w.a.Ground, Surveyed: p.Ground.Moisture, Tonight: w.tonight,
		RopeAngle: geo.Degrees(w.loadCase.RopeAngleDeg), Refusal: p.Ground.DepthToRefusalM, Pull: w.a.Pull.TrueDeg,
		Tests: p.PullTests, Elsewhere: w.testsInThisGround(), Brief: w.t.mute,
	}
	setback, how := w.setback()
	if how != "" {
		w.cond.Setback = survey.Known(setback)
		if setback >= rig.NeededSetback(w.policy()) {
			w.cond.Fall = survey.Known(geo.Angle(0)) // the bank begins beyond the ground that resists
			return
		}
	}
	if a, ok := p.Terrain.Slope(); ok {
		w.cond.Fall = survey.Known(a)
	}
}

// setback is the distance to the crest: as surveyed, or by a crest layer. how
// is "" when neither is known.
func (w *working) setback() (d geo.Length, how string) {
	if s, ok := w.in.Point.Terrain.SetbackM.Get(); ok {
		return s, "surveyed"
	}
	if s, ok := w.in.Around.Setback.Get(); ok {
		if w.in.Around.PastCrest {
			return s, "by the bank crest layer, which puts the point below the crest"
		}
		return s, "by the bank crest layer"
	}
	return 0, ""
}

// testsInThisGround picks the department's tests made in ground of the same
// class and kind, no drier and no less disturbed than this ground is.
func (w *working) testsInThisGround() map[string][]soil.PullTest {
	var out map[string][]soil.PullTest
	g := &w.a.Ground
	for i := range w.in.Tests {
		t := &w.in.Tests[i]
		switch {
		case t.Point != "" && t.Point == w.in.Point.ID: // counted as tested here
		case g.Class == survey.ClassUnknown || t.Class != g.Class || t.Cohesive != g.Cohesive:
		case w.in.Point.Ground.Disturbed != survey.No && t.Disturbed != survey.Yes:
		case w.drier(t) || t.Outcome == survey.Held && t.Force() < survey.Newton:
		default:
			if out == nil {
				out = make(map[string][]soil.PullTest)
			}
			out[t.Rig] = append(out[t.Rig], soil.PullTest{Force: max(t.Force(), survey.Newton), Stopped: t.Outcome == survey.Held})
		}
	}
	return out
}

// drier tells whether a test was made in ground drier than this is, or may be.
func (w *working) drier(t *DepartmentTest) bool {
	tested := t.Moisture
	if tested == "" {
		tested = t.Ground
	}
	now := w.in.Point.Ground.Moisture
	if rank(survey.Moistures, w.tonight) > rank(survey.Moistures, now) && w.tonight != "" {
		now = w.tonight
	}
	frozen := tested == survey.Frozen || now == survey.Frozen // frost holds until it thaws
	return tested == "" || now == "" || frozen || rank(survey.Moistures, now) > rank(survey.Moistures, tested)
}

// rank is the place of a value in a list, or past its end.
func rank[T comparable](list []T, v T) int {
	for i, x := range list {
		if x == v {
			return i
		}
	}
	return len(list)
}

// again judges an anchor of another answer as it is.
func (w *working) again(was *rig.Anchor) (Verdict, survey.Opt[float64], error) {
	var c candidate
	for i := range w.e.book.Rigs {
		r := &w.e.book.Rigs[i]
		if was.Kind != survey.KindRig || r.Name != was.Rig {
			continue
		}
		a, err := w.e.book.Figure(r, &w.cond)
		if err != nil {
			return "", survey.Opt[float64]{}, err
		}
		a = a.Times(max(was.Count, 1))
		w.drive(&c, r, &a, 0, "", nil)
		return c.Verdict, c.Ratio, nil
	}
	for i := range w.in.Point.Anchors {
		if was.Kind != survey.KindRig && w.in.Point.Anchors[i].ID == was.ID {
			w.judgeFound(&c, i)
			return c.Verdict, c.Ratio, nil
		}
	}
	return "", survey.Opt[float64]{}, nil
}

// whatIfWetter judges the point again in wetter ground.
func (w *working) whatIfWetter() error {
	now := rank(survey.Moistures, w.tonight)
	if w.tonight == "" {
		now = -1
	}
	if w.in.Point.Ground.Moisture != "" {
		now = max(now, rank(survey.Moistures, w.in.Point.Ground.Moisture))
	}
	for _, m := range []survey.Moisture{survey.Wet, survey.Submerged} {
		if rank(survey.Moistures, m) <= now {
			continue
		}
		v := working{
			e: w.e, in: w.in, tonight: m, loadCase: w.loadCase, required: w.required, plane: w.plane, near: w.near, screens: w.screens,
			t: text{mute: true}, a: Answer{LoadCase: w.a.LoadCase, Pull: w.a.Pull},
		}
		v.setGround()
		var one If
		ranked := len(w.a.Options) > 0
		was := &rig.Anchor{}
		if ranked {
			was = &w.a.Options[0].Main.Anchor
		}
		b, anchor, err := v.best(func(c *candidate) { // most often the anchor is judged anyhow
			if ranked && c.Anchor.Kind == was.Kind && c.Anchor.ID == was.ID && c.Anchor.Rig == was.Rig && c.Anchor.Count == was.Count {
				one.SameVerdict, one.SameRatio = c.Verdict, c.Ratio
			}
		})
		if err != nil {
			return err
		}
		one.Moisture, one.Class, one.Verdict, one.Ratio = m, b.Class, b.Verdict, b.Ratio
		if !w.t.mute {
			one.Anchor = anchor.Name()
		}
		if ranked && one.SameVerdict == "" {
			if one.SameVerdict, one.SameRatio, err = v.again(was); err != nil {
				return err
			}
		}
		w.a.Ifs = append(w.a.Ifs, one)
	}
	return nil
}
