package answer

import (
	"math"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/rig"
)

// summary is one option in one line.
func (w *working) summary(o *Option) string {
	t := w.t.s(o.Main.Anchor.Name())
	if r, ok := o.GoverningRatio.Get(); ok {
		t.s(", ").ratio(r)
	} else if o.Main.Anchor.Kind != survey.KindRig && len(o.Main.Anchor.Evidence) == 0 {
		t.s(", nobody has rated it")
	}
	switch {
	case o.Belay == nil:
		t.s("; no independent belay anchor found")
	case o.Belay.Verdict != Holds && o.Verdict == Holds:
		t.s("; belay on ").s(o.Belay.Anchor.Name()).s(", which ").s(o.Belay.Verdict.Says())
	default:
		t.s("; belay on ").s(o.Belay.Anchor.Name())
	}
	return t.end()
}

// settle lists what would settle an unknown or short verdict, most useful
// first: what blocks a verdict, then a pull test, then the ground.
func (w *working) settle() {
	add := func(s string) {
		if s != "" && rank(w.a.Settles, s) == len(w.a.Settles) {
			w.a.Settles = append(w.a.Settles, s)
		}
	}
	if !w.a.Pull.TrueDeg.Known() {
		add("take the pull bearing on the ground, or load a bank crest, toe or water layer")
	}
	if best, ok := w.a.Best(); ok {
		for i := range best.Main.Checks {
			if c := &best.Main.Checks[i]; c.Matters && !(c.Ran && c.Passed) {
				add(c.Fix)
			}
		}
		if best.Verdict == Short {
			add(w.t.s("pull-test here: a rig that holds ").demand(w.required * w.a.LoadCase.ForceOnAnchorN).s(" settles it for that rig").end())
		}
	}
	for _, s := range w.a.Ground.Settles {
		add(s)
	}
}

// say writes the answer as one sentence.
func (w *working) say() {
	w.a.Verdict = Unknown
	best, ok := w.a.Best()
	if !ok {
		w.a.Options = []Option{}
		w.a.Sentence = w.t.s("Nothing at this point can be judged: ").s(firstOr(w.a.Settles, "no anchor is recorded and no rig is rated")).s(".").end()
		return
	}
	w.a.Verdict = best.Verdict
	name, title := best.Main.Anchor.Name(), w.a.LoadCase.Title
	ratio, rated := best.GoverningRatio.Get()
	switch best.Verdict {
	case Holds:
		holds := " holds a "
		if best.Main.Anchor.Count > 1 {
			holds = " hold a "
		}
		t := w.stands(w.pulled(w.t.s(capital(name)).s(holds).s(title).s(" at ").ratio(ratio).s(" in this ground")).s("."), &best.Main)
		if best.Belay == nil {
			t.s(" There is no independent belay anchor.")
		}
		w.reservations(t, &best.Main)
		w.a.Sentence = t.end()
	case Short:
		if !rated {
			why := ", which nobody has rated"
			if len(best.Main.Anchor.Evidence) > 0 {
				why = ", whose rating is only assumed"
			}
			t := w.t.s("Nothing here is shown to hold a ").s(title).s(". The best is ").s(name).s(why).s(": what it holds is not known, and it is not known to be weak. Have it rated, or back it up.")
			w.a.Sentence = w.stands(t, &best.Main).end()
			return
		}
		t := w.pulled(w.t.s("Nothing here holds a ").s(title).s(" at ").ratio(w.required).s("; the best is ").s(name).s(" at ").ratio(ratio)).s(".")
		w.a.Sentence = w.stands(t, &best.Main).end()
	case No:
		why := firstCheck(&best.Main, true)
		if why == "" && rated {
			why = w.t.s("the best is ").s(name).s(" at ").ratio(ratio).s(", below the policy's floor").end()
		}
		w.a.Sentence = w.t.s("Nothing at this point serves for a ").s(title).s(": ").s(orReason(why, &best.Main)).s(".").end()
	default:
		t := w.t.s("Not known whether this point holds a ").s(title).s(": ").s(orReason(firstCheck(&best.Main, false), &best.Main)).s(".")
		if rated {
			t.s(" If that is settled, ").s(name).s(" would stand at ").ratio(ratio).s(".")
		}
		w.a.Sentence = t.end()
	}
}

// But begins each reservation in the sentence of an answer.
const But = " But "

// reservations adds to "holds" what does not decide the verdict and must not be
// missed: a class nobody tested, no room to lead rigs together, water that
// reaches the point, kit that is not carried, a survey that is old or of no date.
func (w *working) reservations(t *text, p *Placed) {
	if w.a.Ground.Assumed && p.Anchor.Kind == survey.KindRig {
		t.s(But + "the ground class is as written, with no test behind it.")
	}
	for i := range p.Anchor.Evidence {
		if e := &p.Anchor.Evidence[i]; e.Used && e.Grade == survey.TestedHere && strings.Contains(e.Note, rig.NoBearing) {
			t.s(But + "it rests on a rig or anchor ").s(rig.NoBearing).s(".")
			break
		}
	}
	for i := range p.Checks {
		c := &p.Checks[i]
		if c.Ran && c.Passed {
			continue
		}
		switch c.Title {
		case waterTitle:
			if c.Ran {
				t.s(But).s(c.Message).s(".")
			}
		case overheadTitle:
			if !c.Matters {
				t.s(But + "of overhead lines ").s(c.Message).s(".")
			}
		case KitTitle:
			t.s(But + "it takes more than is carried: ").s(c.Message).s(".")
		case AgeTitle:
			t.s(But + "the survey is in doubt: ").s(c.Message).s(".")
		}
	}
}

// pulled adds the pull bearing to a sentence.
func (w *working) pulled(t *text) *text {
	b, ok := w.a.Pull.TrueDeg.Get()
	if !ok {
		return t
	}
	t.s("; pull ").bearing(b.Degrees()).s(" true")
	if m, ok := w.a.Pull.MagneticDeg.Get(); ok {
		t.s(" (").bearing(m).s(" compass)")
	}
	return t
}

// atMark is how near the marked point an anchor is said to stand at it.
const atMark = 0.05 * geo.Metre

// stands adds where an anchor stands that is not at the marked point.
func (w *working) stands(t *text, p *Placed) *text {
	var bearing survey.Opt[geo.Bearing]
	var d survey.Opt[geo.Length]
	driven := p.Anchor.Kind == survey.KindRig
	if driven && p.Layout != nil {
		bearing, d = p.Layout.MarkBearingDeg, survey.Known(p.Layout.MarkDistanceM)
	}
	for i := range w.in.Point.Anchors {
		if a := &w.in.Point.Anchors[i]; !driven && a.ID == p.Anchor.ID {
			bearing, d = a.BearingDeg, a.DistanceM
		}
	}
	far, known := d.Get()
	toward, aimed := bearing.Get()
	switch {
	case !driven && !known && !aimed:
		return t.s(" Where it stands from the marked point is not recorded.")
	case known && far < atMark, driven && !known:
		return t
	case driven:
		t.s(" Set them back ") // one rig alone stands at the point
	default:
		t.s(" It stands ")
	}
	if known {
		t.length(far)
	} else {
		t.s("at a distance not recorded")
	}
	t.s(" from the marked point, ")
	if !aimed {
		return t.s("on a bearing not recorded.")
	}
	t.s("on ").bearing(toward.Degrees()).s(" true")
	if east, ok := w.a.Pull.DeclinationDeg.Get(); ok {
		t.s(" (").bearing(math.Mod(toward.Degrees()-east+720, 360)).s(" compass)")
	}
	if !driven {
		return t.s(".")
	}
	t.s(", so that their legs meet before the edge.")
	for i := range p.Checks {
		if c := &p.Checks[i]; c.Title == RoomTitle && !c.Ran {
			t.s(But).s(c.Message).s(".")
		}
	}
	return t
}

// firstCheck is the first check that matters and failed, or did not run.
func firstCheck(p *Placed, ran bool) string {
	for i := range p.Checks {
		if c := &p.Checks[i]; c.Matters && c.Ran == ran && !c.Passed {
			return c.Title + ", " + c.Message
		}
	}
	return ""
}

func orReason(s string, p *Placed) string {
	if s != "" {
		return s
	}
	for _, r := range p.Reasons {
		if strings.HasPrefix(r, "no ") {
			return r
		}
	}
	return "no anchor passes its checks"
}

func firstOr(s []string, d string) string {
	if len(s) > 0 {
		return s[0]
	}
	return d
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
