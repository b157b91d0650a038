package answer

import (
	"math"
	"strings"
	"time"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/rig"
)

func passed(title, message string) Check {
	return Check{Title: title, Ran: true, Passed: true, Matters: true, Message: message}
}

func failed(title, fix, message string) Check {
	return Check{Title: title, Ran: true, Matters: true, Message: message, Fix: fix}
}

func notRun(title, fix, message string) Check {
	return Check{Title: title, Matters: true, Message: message, Fix: fix}
}

// minor marks a check that is shown but does not decide the verdict.
func minor(c Check) Check {
	c.Matters = false
	return c
}

// common are the checks that come out alike for every anchor of a point,
// worked out once; the ones against layers only where no feature is near.
type common struct {
	ground, refusal, bearing         Check
	setback, buried, overhead, water Check
	accuracy, ages, aged, review     Check
	rope                             Check
}

func (w *working) setCommon() {
	m := &w.common
	m.ground, m.refusal, m.bearing = w.groundCheck(), w.refusalCheck(), w.bearingCheck()
	m.setback, m.buried, m.overhead, m.water = w.setbackCheck(), w.buriedCheck(nil), w.overheadCheck(nil), w.waterCheck(nil)
	if w.t.mute {
		return // the others decide no verdict
	}
	m.accuracy, m.ages, m.aged, m.review = w.accuracyCheck(), w.layersCheck(), w.ageCheck(), w.reviewCheck()
	m.rope = w.ropeCheck(w.ropeNeeded(0))
}

// Titles of checks that others show apart: of the survey rather than of the
// ground, and of what the company carries.
const (
	AgeTitle    = "age of the survey"
	ReviewTitle = "sign-off"
	KitTitle    = "kit carried"
	RopeTitle   = "rope to the toe"
	RoomTitle   = "room behind the point"
)

// Titles of checks that the sentence speaks of too.
const (
	sharingTitle  = "sharing the load"
	waterTitle    = "water"
	overheadTitle = "overhead lines"
)

// mostChecks is at least the number of checks of one anchor, besides those of
// kit and rope, which only the main anchor of an option has.
const (
	mostChecks = 19
	mainOnly   = 2
)

// check appends every check of a candidate in its place.
func (w *working) check(c *candidate, out []Check) []Check {
	m := &w.common
	if c.form != nil {
		out = append(out, m.ground, w.crestCheck(c), m.refusal)
		if k, ok := w.roomCheck(c); ok {
			out = append(out, k)
		}
	}
	if c.form != nil || c.Anchor.Kind == survey.KindDeadman {
		out = append(out, w.buriedCheck(c))
	}
	out = append(out, m.bearing)
	if s, ok := w.sectorCheck(c); ok {
		out = append(out, s)
	}
	out = append(out, w.overheadCheck(c), w.waterCheck(c))
	if w.t.mute && c.back == 0 {
		return out // the others decide no verdict
	}
	out = append(out, w.roadCheck(c), w.buildingCheck(c))
	if w.t.mute {
		return out
	}
	out = append(out, w.parcelCheck(c), m.accuracy, m.ages, m.aged, m.review)
	if c.form != nil && c.form.Count > 1 {
		k := &w.room.sharing[c.form.Count]
		if k.Title == "" {
			*k = w.sharingCheck(c.form.Count)
		}
		out = append(out, *k)
	}
	return out
}

func (w *working) groundCheck() Check {
	const title = "ground"
	g := &w.a.Ground
	switch {
	case w.refused && w.refusal.Settled:
		return failed(title, "use an anchor that needs no stakes here", w.t.s("no stake figure: ").s(w.refusal.Why).end())
	case g.Class == survey.ClassUnknown:
		return notRun(title, "test the soil and name its texture", "the ground class is unknown")
	case len(g.Unsettled) > 0:
		return notRun(title, w.t.s("find out ").s(g.Unsettled[0]).end(), w.t.f("not known: %s", strings.Join(g.Unsettled, "; ")))
	case w.refused:
		return notRun(title, "measure from the point to the crest, and how the ground falls in front", w.t.s("no stake figure: ").s(w.refusal.Why).end())
	case g.Provisional:
		return passed(title, w.t.s("class ").s(string(g.Class)).s(", provisional: it lacks a visual or a manual finding").end())
	}
	return passed(title, w.t.s("class ").s(string(g.Class)).end())
}

func (w *working) refusalCheck() Check {
	const title = "depth to refusal"
	need := rig.DrivenDepth(w.policy())
	d, ok := w.in.Point.Ground.DepthToRefusalM.Get()
	switch {
	case !ok:
		return minor(notRun(title, "drive a probe bar", w.t.s("not recorded: watch the depth while driving, ").need(need).s(" is needed").end()))
	case d < need-fine:
		return failed(title, "use an anchor that needs no stakes here", w.t.s("a bar stops at ").length(d).s("; ").need(need).s(" is needed").end())
	}
	return passed(title, w.t.s("a bar goes ").length(d).s("; ").need(need).s(" is needed").end())
}

func (w *working) bearingCheck() Check {
	const title = "pull bearing"
	p := &w.a.Pull
	switch {
	case !p.TrueDeg.Known():
		return notRun(title, "take the pull bearing on the ground", w.t.s(firstOr(p.Doubts, "no bearing is known")).end())
	case (len(p.Readings) > 1 || w.sides) && len(p.Doubts) > 0:
		return minor(failed(title, "take the pull bearing again on the ground", w.t.s(strings.Join(p.Doubts, "; ")).end()))
	}
	t := &w.t
	if len(p.Readings) > 1 {
		t.num(float64(len(p.Readings)), 0).s(" readings agree within ").num(w.policy().BearingDoubtDeg.Value, 0).s("°")
		between := ": "
		for _, r := range p.Readings {
			t.s(between).s(r.Source)
			between = "; "
		}
	} else {
		t.s("one reading, ").s(p.Source)
	}
	for _, n := range p.Notes {
		t.s("; ").s(n)
	}
	return passed(title, t.end())
}

// sectorCheck holds the direction of the real pull against the working sector.
// Only rigs have one; of an anchor found only the edge cares.
func (w *working) sectorCheck(c *candidate) (Check, bool) {
	const title = "working sector"
	toward, asked := w.in.Toward.Get()
	pull, known := w.a.Pull.TrueDeg.Get()
	half := w.policy().SectorDeg.Value
	switch {
	case asked && !known:
		return notRun(title, "take the pull bearing on the ground", "whether the pull lies inside it is not known"), true
	case asked:
		off, inside := offAxis(pull, toward, half)
		says := w.t.s("pulled toward ").bearing(toward.Degrees()).s(", ").num(math.Abs(off.Degrees()), 0).s("° off; it may be pulled ").num(half, 0).s("° to either side").end()
		switch {
		case inside:
			return passed(title, says), true
		case c.form == nil:
			return minor(failed(title, "pad the edge where the rope will run", says)), true
		}
		return failed(title, "use a point that faces the casualty, or lay the rig out anew on that bearing where the ground allows", says), true
	case c.turned != 0:
		return minor(passed(title, w.t.s("turned ").num(math.Abs(c.turned.Degrees()), 0).s("° to face the load at the foot of the slope").end())), true
	}
	return Check{}, false
}

// sharingCheck says how rigs that share must be led together, and how far back
// they stand for it. That they then share equally is taken, not shown: it is the
// crew's to equalise them.
func (w *working) sharingCheck(count int) Check {
	const title = sharingTitle
	reach, apart := rig.CollectorReach(count, w.policy()), w.policy().SharingSpacingM.Value
	t := w.t.num(float64(count), 0).s(" rigs ").length(apart).s(" apart, taken to share equally: lead the legs together at least ").need(reach).
		s(" ahead of the front stakes and equalise them")
	if leg, warn, ok := w.leg(count); ok {
		t.s("; an outer leg then carries ").demand(leg)
		if warn != "" {
			t.s("; ").s(warn)
		}
	}
	switch d, known := w.setback(); {
	case known == "":
		return minor(notRun(title, "measure from the point to the crest", t.end()))
	case w.behind(count) > 0:
		t.s("; the crest is ").length(d).s(" from the point, so they stand ").length(w.behind(count)).s(" behind it")
	}
	return minor(passed(title, t.end()))
}

// roomCheck holds the room behind the point against what a rig takes: its own
// depth, and how far back it must stand. Where the room is not recorded only a
// rig that is set back asks for it: the others stand where the surveyor stood.
func (w *working) roomCheck(c *candidate) (Check, bool) {
	const title = RoomTitle
	need := c.back + geo.Length(c.form.Depth)
	room, known := w.in.Point.Terrain.RoomBehindM.Get()
	switch {
	case !known && c.back == 0:
		return Check{}, false
	case !known:
		return minor(notRun(title, w.t.s("look whether there is ").need(need).s(" of ground behind the point, and record it").end(),
			w.t.s("the rigs take ").need(need).s(" of ground behind the point; whether it is there is not recorded").end())), true
	case room < need-fine:
		return failed(title, "use an anchor that needs less room", w.t.length(room).s(" recorded; ").need(need).s(" is needed").end()), true
	}
	return passed(title, w.t.length(room).s(" recorded; ").need(need).s(" is needed").end()), true
}

func (w *working) accuracyCheck() Check {
	const title = "position accuracy"
	d, ok := w.in.Point.Fix.AccuracyM.Get()
	limit := w.policy().PositionAccuracyM.Value
	spacing := w.policy().Stake.SpacingM.Value
	switch {
	case !ok:
		return minor(notRun(title, "average the position for a minute", "not recorded: set the stakes out by tape from the point"))
	case d > limit:
		return minor(failed(title, "average the position for a minute, or tape from a mark", w.t.s("±").length(d).s("; ±").length(limit).s(" is wanted").end()))
	case d > spacing/2:
		return minor(passed(title, w.t.s("±").length(d).s(", more than the rig's own measure: set the stakes out by tape from the point, not by their coordinates").end()))
	}
	return minor(passed(title, w.t.s("±").length(d).end()))
}

// daysPerMonth is the mean month of the Gregorian calendar, 365.2425 / 12.
const daysPerMonth = 30.436875

func (w *working) ageCheck() Check {
	const title = AgeTitle
	months := w.policy().ResurveyMonths.Value
	days, ok := survey.Age(w.in.Point.SurveyedAt, w.in.AsOf)
	switch {
	case !ok && w.in.Point.SurveyedAt.Known():
		return minor(failed(title, "correct the survey date", "the survey date lies in the future"))
	case !ok:
		return minor(notRun(title, "walk the point again", "the survey date is not recorded"))
	case float64(days) > months*daysPerMonth:
		return minor(failed(title, "walk the point again", w.t.num(float64(days), 0).s(" days old; due after ").num(months, 0).s(" months").end()))
	}
	return minor(passed(title, w.t.num(float64(days), 0).s(" days").end()))
}

func (w *working) reviewCheck() Check {
	const title = ReviewTitle
	r := &w.in.Site.Review
	due, ok := r.Due.Get()
	switch {
	case r.State == survey.Signed && ok && due.Before(w.in.AsOf):
		return minor(failed(title, "review and sign the site again", w.t.f("signed, but review was due %s", due.Format(time.DateOnly))))
	case r.Overtaken(&w.in.Point):
		return minor(failed(title, "review and sign the site again", "the point was surveyed or tested after the site was signed"))
	case r.State == survey.Signed:
		return minor(passed(title, w.t.s("signed by ").s(orUnknown(r.By)).end()))
	case r.State == survey.Reviewed:
		return minor(failed(title, "have the site signed", "reviewed, not signed"))
	}
	return minor(failed(title, "have the site reviewed and signed", "draft: nobody has signed it"))
}

// kitCheck holds an option against what the company carries.
func (w *working) kitCheck(n *Need) Check {
	const title = KitTitle
	if len(n.Short) > 0 {
		return minor(failed(title, "bring more, or take an option that needs less", w.t.s(strings.Join(n.Short, "; ")).end()))
	}
	return minor(passed(title, "the stakes, drivers, webbing and people at hand are enough"))
}

// ropeCheck holds the rope needed against the longest at hand.
func (w *working) ropeCheck(needed survey.Opt[geo.Length]) Check {
	const title = RopeTitle
	have := w.rope()
	need, ok := needed.Get()
	switch {
	case !ok:
		return minor(notRun(title, "record the slope, the height, the setback and how far the anchor stands", "its length is not known"))
	case need > have+fine:
		return minor(failed(title, "bring a longer rope", w.t.need(need).s(" needed; the longest carried is ").length(have).end()))
	}
	return minor(passed(title, w.t.need(need).s(" needed; the longest carried is ").length(have).end()))
}

// flattest is the slope below which its foot is nowhere in particular.
const flattest = 1 * geo.Degree

// toToe is the way of the rope from the anchor's front over the edge to the
// foot of the slope. It needs the setback, the slope and the height.
func (w *working) toToe() survey.Opt[geo.Length] {
	a, okA := w.in.Point.Terrain.Slope()
	h, okH := w.in.Point.Terrain.HeightM.Get()
	d, how := w.setback()
	if !okA || !okH || how == "" || a < flattest {
		return survey.Opt[geo.Length]{}
	}
	return survey.Known(d + h/geo.Length(math.Sin(a.Radians())))
}
