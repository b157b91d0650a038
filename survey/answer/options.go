package answer

import (
	"math"
	"slices"

	"holdfast/geo"
	"holdfast/geo/tangent"
	"holdfast/survey"
	"holdfast/survey/rig"
)

// options works out every anchor that could serve, gives each an independent
// belay where there is one, and ranks them.
func (w *working) options() error {
	n := len(w.e.book.Rigs)
	mains := make([]candidate, n+len(w.in.Point.Anchors))
	rigs, found := mains[:n], mains[n:]
	for i := range rigs {
		if err := w.rig(&rigs[i], i); err != nil {
			return err
		}
	}
	for i := range found {
		w.judgeFound(&found[i], i)
	}
	belays := make([]*candidate, len(mains))
	var beside []*candidate // belays that are no main anchor too
	for i := range rigs {
		if belays[i] = w.belayForRig(&rigs[i], found, &w.e.book.Rigs[i]); belays[i] != nil && belays[i].form != nil {
			beside = append(beside, belays[i])
		}
	}
	for i := range found {
		belays[n+i] = w.belayForFound(i, found, rigs)
	}
	w.layAll(mains, beside)
	out := make([]Option, 0, len(mains))
	for i := range mains {
		out = append(out, w.option(&mains[i], belays[i]))
	}
	w.rank(out)
	for i := range out {
		out[i].Rank = i + 1
		if i > 0 {
			out[i].Why = w.why(&out[i-1], &out[i])
		} else {
			out[i].Why = w.t.s("ranked first: ").s(string(out[i].Verdict)).end()
		}
	}
	w.a.Options = out
	return nil
}

// best is the best verdict of any anchor, the greatest ratio with it, and the
// anchor that has them. See, when not nil, is shown each candidate.
func (w *working) best(see func(*candidate)) (Brief, rig.Anchor, error) {
	out := Brief{Class: w.a.Ground.Class, Verdict: Unknown}
	var anchor rig.Anchor
	first := true
	take := func(c *candidate) {
		if see != nil {
			see(c)
		}
		r, _ := c.Ratio.Get()
		was, _ := out.Ratio.Get()
		if better := c.Verdict.Rank() - out.Verdict.Rank(); first || better < 0 {
			first, out.Verdict, out.Ratio, anchor = false, c.Verdict, c.Ratio, c.Anchor
		} else if better == 0 && c.Ratio.Known() && (!out.Ratio.Known() || r > was) {
			out.Ratio, anchor = c.Ratio, c.Anchor
		}
	}
	var c candidate
	for i := range w.e.book.Rigs {
		if err := w.rig(&c, i); err != nil {
			return out, anchor, err
		}
		take(&c)
	}
	for i := range w.in.Point.Anchors {
		w.judgeFound(&c, i)
		take(&c)
	}
	return out, anchor, nil
}

// rig places the fewest equal rigs of a pattern that reach the required ratio,
// or one rig where none within the policy's limit does. Where there is no room
// for so many, it places those there is room for.
func (w *working) rig(c *candidate, i int) error {
	r := &w.e.book.Rigs[i]
	one, err := w.e.book.Figure(r, &w.cond)
	if err != nil {
		return err
	}
	count, short := w.count(one)
	for n := count; n > 0; n-- {
		a := one.Times(n)
		if !w.t.mute {
			if a, err = w.e.book.Rate(r, &w.cond, n); err != nil {
				return err
			}
		}
		w.drive(c, r, &a, 0, short, nil)
		if c.back == 0 || c.Verdict != No {
			break
		}
		if n == count {
			short = w.t.f("%d rigs would have to share, and there is no room for them: %s", count, firstCheck(&c.Placed, true))
		}
	}
	return nil
}

// count is how many equal rigs are to share, and what to say where the policy
// allows too few. Where its limit is not enough, one is shown, or the limit if
// only that lifts them over the floor.
func (w *working) count(a rig.Anchor) (n int, short string) {
	f, ok := a.HoldingN.Get()
	if !ok || !(f > 0) {
		return 1, ""
	}
	force := w.a.LoadCase.ForceOnAnchorN
	limit := int(w.policy().SharingRigs.Value)
	need := math.Ceil(w.required*force/f - fine)
	if need <= float64(limit) {
		return max(int(need), 1), ""
	}
	n = 1
	if floor := w.policy().FloorRatio.Value * force; f < floor && f*float64(limit) >= floor {
		n = limit
	}
	if need > 12 {
		return n, "no believable number of these rigs would do"
	}
	return n, w.t.num(need, 0).s(" sharing rigs would do; the policy allows ").num(float64(limit), 0).end()
}

// judgeFound judges an anchor surveyed at the point.
func (w *working) judgeFound(c *candidate, i int) {
	a := &w.in.Point.Anchors[i]
	*c = candidate{}
	c.Anchor = rig.Surveyed(*a, &w.cond, w.policy())
	known := w.locate(c, a)
	s := &w.screens[i]
	_, rated := c.Anchor.HoldingN.Get()
	var room [mostChecks]Check
	checks := w.check(c, append(room[:0], w.screenCheck(a, s, rated), w.standCheck(a, known)))
	w.judge(c, checks, nil)
	// Without a rating it is worth backing up, and no more; that a gentle pull of
	// it held makes it no worse.
	_, entered := a.Rated()
	entered = entered && a.Evidence != survey.Assumed
	if !entered && !c.Anchor.MostN.Known() && a.Kind != survey.KindDeadman && c.Verdict != Holds && passing(checks) {
		c.Verdict = Short
	}
	if !rated && !w.t.mute {
		c.Reasons = append(c.Reasons, w.t.s("no rating: no figure is invented; ").s(s.Says).end())
	}
}

// passing tells whether every check that matters ran and passed.
func passing(checks []Check) bool {
	return !slices.ContainsFunc(checks, func(c Check) bool { return c.Matters && !(c.Ran && c.Passed) })
}

// belayForRig finds a second anchor that shares nothing with a rig: a found
// anchor that holds and stands far enough away, or the same rig driven beside.
func (w *working) belayForRig(main *candidate, found []candidate, r *rig.Rated) *candidate {
	for k := range found {
		if found[k].Verdict == Holds && w.apart(main, &found[k]) {
			return &found[k]
		}
	}
	if !main.located || w.refused && w.refusal.Settled {
		return nil
	}
	step := main.form.Width(w.policy()) + w.policy().SeparationM.Value
	beside := &carve(&w.room.beside, 1, len(w.e.book.Rigs))[0]
	w.drive(beside, r, &main.Anchor, step, main.short, main)
	if beside.Verdict != main.Verdict {
		var left candidate
		if w.drive(&left, r, &main.Anchor, -step, main.short, main); left.Verdict.Rank() < beside.Verdict.Rank() {
			*beside = left
		}
	}
	return beside
}

// belayForFound finds a second anchor beside a found one: another that holds,
// or the rig with the fewest stakes that holds.
func (w *working) belayForFound(i int, found, rigs []candidate) *candidate {
	for k := range found {
		if k != i && found[k].Verdict == Holds && w.apart(&found[i], &found[k]) {
			return &found[k]
		}
	}
	var best *candidate
	for k := range rigs {
		if c := &rigs[k]; c.Verdict == Holds && (best == nil || c.stakes() < best.stakes()) && w.apart(&found[i], c) {
			best = c
		}
	}
	return best
}

// option puts a main and a belay anchor together and counts what they take.
func (w *working) option(main, belay *candidate) Option {
	o := Option{Verdict: main.Verdict, GoverningRatio: main.Ratio, People: 2, Kit: w.need(main, belay)}
	effort := &w.policy().Effort
	drivers := max(1, min(o.Kit.Drivers, w.drivers()))
	minutes := effort.MinutesSetUp.Value
	for _, c := range []*candidate{main, belay} {
		switch {
		case c == nil:
		case c.form == nil:
			minutes += effort.MinutesTree.Value
		default:
			minutes += (float64(c.stakes())*effort.MinutesPerStake.Value + float64(len(c.form.Lashings))*effort.MinutesPerLash.Value) / float64(drivers)
			minutes += float64(c.form.Count-1) * effort.MinutesSharing.Value
			o.People = max(o.People, int(math.Ceil(float64(drivers)*effort.PeoplePerDriver.Value)))
		}
	}
	if n, ok := w.a.LoadCase.HaulPeople.Get(); ok {
		o.People = max(o.People, int(min(n, 1000)))
	}
	o.Minutes = int(math.Ceil(minutes - fine))
	o.Kit.Short = w.lacking(&o)
	o.Main = main.Placed
	rope := w.common.rope
	if back, ok := o.Kit.RopeBackM.Get(); !ok || back > 0 {
		rope = w.ropeCheck(o.Kit.RopeM)
	}
	o.Main.Checks = append(o.Main.Checks, w.kitCheck(&o.Kit), rope)
	if belay != nil {
		o.Belay = &belay.Placed
	}
	o.Summary = w.summary(&o)
	return o
}

// need counts the kit.
func (w *working) need(main, belay *candidate) Need {
	n := Need{RopeBackM: w.back(main, belay)}
	if back, ok := n.RopeBackM.Get(); ok {
		n.RopeM = w.ropeNeeded(back)
	}
	for _, c := range []*candidate{main, belay} {
		if c == nil || c.form == nil {
			continue
		}
		n.Drivers++
		n.Stakes += c.form.Stakes()
		n.WebbingPieces += c.form.Pieces
		n.WebbingM += c.form.WebbingM
	}
	return n
}

// spare is the rope that tying in and working takes.
const spare = 3 * geo.Metre

// ropeNeeded is the rope from the anchor over the edge to the foot of the
// slope; back is what it takes more than from the point.
func (w *working) ropeNeeded(back geo.Length) survey.Opt[geo.Length] {
	if d, ok := w.toToe().Get(); ok {
		return survey.Known(d + spare + back)
	}
	return survey.Opt[geo.Length]{}
}

// back is how much more rope the further of two anchors takes than the point
// itself: the way from an anchor found to the edge in front of the point, less
// the point's own. A rig stands at the point, or behind it. Without its bearing
// an anchor is taken to stand right behind; without its distance it is not
// known.
func (w *working) back(anchors ...*candidate) survey.Opt[geo.Length] {
	var most geo.Length
	for _, c := range anchors {
		if c == nil {
			continue
		}
		if c.form != nil {
			most = max(most, c.back)
			continue
		}
		d, ok := c.away.Get()
		if !ok {
			return survey.Opt[geo.Length]{}
		}
		pull, aimed := w.a.Pull.TrueDeg.Get()
		edge, how := w.setback()
		if c.located && aimed && how != "" {
			d = max(0, c.found.To(tangent.Along(pull, edge))-edge)
		}
		most = max(most, d)
	}
	return survey.Known(most)
}

// lacking lists what is at hand too little of.
func (w *working) lacking(o *Option) []string {
	var out []string
	k, c := &w.policy().Kit, &w.in.Carried
	lack := func(what string, need float64, carried survey.Opt[int], policy float64) {
		have := policy
		if n, ok := carried.Get(); ok {
			have = float64(n)
		}
		if need > have+fine {
			out = append(out, w.t.s(what).s(": ").num(math.Ceil(need), 0).s(" needed, ").num(have, 0).s(" carried").end())
		}
	}
	lack("stakes", float64(o.Kit.Stakes), c.Stakes, k.Stakes.Value)
	if o.Kit.Drivers > 0 {
		lack("drivers", 1, c.Drivers, k.Drivers.Value)
	}
	lack("webbing pieces", float64(o.Kit.WebbingPieces), c.WebbingPieces, k.WebbingPieces.Value)
	lack("people", float64(o.People), c.People, k.People.Value)
	if r, ok := o.Kit.RopeM.Get(); ok && r > w.rope()+fine {
		out = append(out, w.t.s("rope: ").need(r).s(" needed, ").length(w.rope()).s(" carried").end())
	}
	return out
}

// rope is the longest rope at hand.
func (w *working) rope() geo.Length {
	if r, ok := w.in.Carried.RopeM.Get(); ok {
		return r
	}
	return w.policy().Kit.RopeM.Value
}

// drivers is the number of drivers at hand.
func (w *working) drivers() int {
	if n, ok := w.in.Carried.Drivers.Get(); ok {
		return n
	}
	return int(w.policy().Kit.Drivers.Value)
}
