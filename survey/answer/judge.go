package answer

import (
	"math"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/rig"
)

// mostReasons is the number of reasons that are made room for at once.
const mostReasons = 8

// figureWords are the reasons that follow from an anchor's figure alone, alike
// for main and belay.
type figureWords struct{ holds, lacks, yield, besides, doubt string }

// judge sets ratio, verdict and reasons from the figure and the checks. Lists
// that come out as those of like, which may be nil, are shared with it.
func (w *working) judge(c *candidate, checks []Check, like *candidate) {
	force := w.a.LoadCase.ForceOnAnchorN
	failing, unrun := 0, 0
	for i := range checks {
		switch k := &checks[i]; {
		case !k.Matters || k.Ran && k.Passed:
		case k.Ran:
			failing++
		default:
			unrun++
		}
	}
	hold, known := c.Anchor.HoldingN.Get()
	ratio, floor := hold/force, w.policy().FloorRatio.Value*(1-fine)
	if known {
		c.Ratio = survey.Known(ratio)
	}
	most, capped := c.Anchor.MostN.Get() // what gave way is no anchor, whatever is not known of it
	if y, ok := c.Anchor.YieldN.Get(); ok && y > 0 {
		c.YieldShare = survey.Known(force / y)
	}
	switch {
	case failing > 0 || known && ratio < floor || capped && most/force < floor:
		c.Verdict = No
	case !known || unrun > 0:
		c.Verdict = Unknown
	case ratio < w.required*(1-fine): // equal is enough, whatever the rounding
		c.Verdict = Short
	default:
		c.Verdict = Holds
	}
	if w.t.mute {
		return
	}
	var none candidate
	anchors := len(w.e.book.Rigs) // as many lists are still to come, at the most
	if like == nil {
		like, anchors = &none, anchors+len(w.in.Point.Anchors)
		c.words = &carve(&w.room.words, 1, anchors)[0]
		*c.words = w.figureWords(&c.Anchor)
	} else {
		c.words = like.words
	}
	var room [mostReasons]string
	c.Checks = keep(&w.room.checks, checks, like.Checks, mainOnly, anchors)
	c.Reasons = keep(&w.room.reasons, w.reasons(c, room[:0], failing, known), like.Reasons, 1, anchors)
}

// reasons says in words what made the verdict.
func (w *working) reasons(c *candidate, out []string, failing int, known bool) []string {
	if known {
		out = append(out, c.words.holds)
	} else if failing == 0 {
		out = append(out, "no holding figure")
	}
	switch {
	case failing > 0:
		out = w.decisive(out, c.Checks, true)
	case c.Verdict == Unknown:
		out = w.decisive(out, c.Checks, false)
	case c.Verdict != Holds:
		out = append(out, c.words.lacks)
	}
	if c.short != "" && c.Verdict != Holds {
		out = append(out, c.short)
	}
	for _, s := range []string{c.words.yield, c.words.besides, c.words.doubt} {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

// decisive adds the checks that failed, or those that did not run, as reasons.
func (w *working) decisive(out []string, checks []Check, ran bool) []string {
	for i := range checks {
		if k := &checks[i]; k.Matters && k.Ran == ran && !k.Passed {
			out = append(out, w.t.s(k.Title).s(": ").s(k.Message).end())
		}
	}
	return out
}

// figureWords writes what an anchor's figure says beside the force on it. The
// figures that do not govern are named each with its own ratio, so that no
// evidence is blended with another; figures further apart than the policy's
// factor are a doubt.
func (w *working) figureWords(a *rig.Anchor) (out figureWords) {
	force, floor := w.a.LoadCase.ForceOnAnchorN, w.policy().FloorRatio.Value
	if hold, ok := a.HoldingN.Get(); ok {
		ratio := hold / force
		t := w.t.s("holds ").hold(hold).s(" (").s(string(a.Governs))
		if a.Governs != survey.TestedHere && a.Governs != survey.TestedGround {
			t.s(", an estimate")
		}
		out.holds = t.s(") against ").demand(force).s(": ").ratio(ratio).s(", ").ratio(w.required).s(" required").end()
		if ratio < floor*(1-fine) {
			out.lacks = w.t.s("below the policy's floor of ").ratio(floor).end()
		} else if ratio < w.required {
			out.lacks = w.t.s("short by ").demand(w.required*force - hold).end()
		}
	} else if most, ok := a.MostN.Get(); ok {
		out.lacks = w.t.s("a pull failed here at ").hold(most).end()
	}
	if y, ok := a.YieldN.Get(); ok && y > 0 {
		t := w.t.s("the load is ").num(force/y*100, 0).s(" % of the pull at which the front stake starts to bend")
		if force > y {
			t.s(": it will bend")
		}
		out.yield = t.end()
	}
	var hand, mech, used float64
	for i := range a.Evidence {
		e := &a.Evidence[i]
		switch e.Grade {
		case survey.Handbook:
			hand = e.HoldingN
		case survey.Mechanics:
			mech = e.HoldingN
		}
		if e.Used && (e.Grade == survey.TestedHere || e.Grade == survey.TestedGround) {
			used = e.HoldingN
		}
		// A test that is shown and not used is no ratio to stand beside one.
		if !e.Used && (e.Grade == survey.Handbook || e.Grade == survey.Mechanics) {
			if w.t.started() {
				w.t.s(", ")
			} else {
				w.t.s("beside it: ")
			}
			w.t.s(string(e.Grade)).s(" ").ratio(e.HoldingN / force)
		}
	}
	out.besides = w.t.end()
	if factor := w.policy().DoubtFactor.Value; hand > 0 && mech > 0 && max(hand/mech, mech/hand) > factor {
		out.doubt = w.t.s("doubt: handbook ").hold(hand).s(" and mechanics ").hold(mech).s(" lie more than ").num(factor, 1).s(" times apart").end()
	}
	if low := min(hand, mech); out.doubt == "" && used > 0 && low > 0 && max(used/low, low/used) > w.policy().DoubtFactor.Value {
		out.doubt = w.t.s("doubt: the tests say ").hold(used).s(" and the estimate ").hold(low).s(", more than ").num(w.policy().DoubtFactor.Value, 1).s(" times apart").end()
	}
	return out
}

// standCheck sees whether a found anchor stands on the land side of the crest:
// one beyond it has nothing behind it. An anchor of no known place is found by
// its name, and never taken to stand apart from another.
// A deadman needs the earth in front of it as stakes do.
func (w *working) standCheck(a *survey.Anchor, known bool) Check {
	const title = "place of the anchor"
	if !known {
		return minor(notRun(title, "record its bearing and distance from the point", "its bearing and distance from the point are not recorded"))
	}
	setback, how := w.setback()
	pull, aimed := w.a.Pull.TrueDeg.Get()
	if how == "" || !aimed {
		return minor(notRun(title, "measure from the point to the crest", "how far it stands from the crest is not known"))
	}
	az, _ := a.BearingDeg.Get()
	d, _ := a.DistanceM.Get()
	left := setback - d*geo.Length(math.Cos(pull.Off(geo.NewBearing(az.Degrees())).Radians()))
	need := geo.Length(0)
	if a.Kind == survey.KindDeadman {
		need = rig.NeededSetback(w.policy())
	}
	switch {
	case left < 0:
		return failed(title, "use another anchor", w.t.s("it stands ").length(-left).s(" beyond the crest").end())
	case left < need:
		return failed(title, "bury it further back", w.t.length(left).s(" from the crest; ").need(need).s(" is needed").end())
	}
	return passed(title, w.t.length(left).s(" behind the crest").end())
}

// screenCheck is what rules of thumb say of an anchor found at the point.
func (w *working) screenCheck(a *survey.Anchor, s *rig.Screening, rated bool) Check {
	const title = "condition of the anchor"
	switch {
	case s.Fails != "":
		return failed(title, "use another anchor", w.t.s(s.Fails).end())
	case len(s.Missing) > 0:
		return notRun(title, w.t.f("record %s", strings.Join(s.Missing, " and ")), w.t.f("%s: not recorded: %s", a.ID, strings.Join(s.Missing, ", ")))
	}
	return passed(title, w.t.s(a.Condition).end())
}
