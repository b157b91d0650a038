package answer

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/rig"
)

// options works out every anchor that could serve, gives each an independent
// belay where there is one, and ranks them.
func (w *working) options() error {
	rigs, err := w.rigs()
	if err != nil {
		return err
	}
	found := w.found()
	var out []Option
	for i := range rigs {
		out = append(out, w.option(rigs[i].placed, w.belayForRig(rigs[i], found)))
	}
	for i := range found {
		out = append(out, w.option(found[i], w.belayForFound(i, found, rigs)))
	}
	slices.SortStableFunc(out, w.compare)
	for i := range out {
		out[i].Rank = i + 1
		if i > 0 {
			out[i].Why = w.why(out[i-1], out[i])
		} else {
			out[i].Why = "ranked first: " + string(out[i].Verdict)
		}
	}
	w.a.Options = out
	return nil
}

// driven is a rig option before it has a belay.
type driven struct {
	pattern survey.Pattern
	count   int
	anchor  rig.Anchor // of count rigs
	refused string
	short   string // how many would do, or that none would
	placed  Placed
}

// rigs places, for each pattern the policy rates, the fewest equal rigs that
// reach the required ratio, or one rig where none within the policy's limit
// does.
func (w *working) rigs() ([]driven, error) {
	cond := w.conditions()
	refused := rig.Refuse(cond, w.in.Policy)
	var out []driven
	for _, rating := range w.in.Policy.Ratings {
		pattern, err := survey.ParsePattern(rating.Rig)
		if err != nil {
			return nil, err
		}
		one, err := rig.Stakes(pattern, cond, w.in.Policy)
		if err != nil {
			return nil, fmt.Errorf("rate the %s rig: %w", rating.Rig, err)
		}
		d := driven{pattern: pattern, count: 1, refused: refused}
		if f, ok := one.HoldingN.Get(); ok && f > 0 {
			need := int(math.Ceil(w.required*w.a.LoadCase.ForceOnAnchorN/f - 1e-9))
			switch limit := int(w.in.Policy.SharingRigs.Value); {
			case need <= limit:
				d.count = max(need, 1)
			case need <= 12:
				d.count, d.short = w.tooFew(f, limit), fmt.Sprintf("%d sharing rigs would do; the policy allows %d", need, limit)
			default:
				d.count, d.short = w.tooFew(f, limit), "no believable number of these rigs would do"
			}
		}
		d.anchor = one.Times(d.count)
		d.placed = w.drive(d, w.in.Point.Position)
		out = append(out, d)
	}
	return out, nil
}

// tooFew is how many rigs to show where the policy's limit is not enough: one,
// or the limit where only that lifts them over the floor.
func (w *working) tooFew(one float64, limit int) int {
	floor := w.in.Policy.FloorRatio.Value * w.a.LoadCase.ForceOnAnchorN
	if one < floor && one*float64(limit) >= floor {
		return limit
	}
	return 1
}

// drive sets a rig at a front position and judges it there.
func (w *working) drive(d driven, front orb.Point) Placed {
	p := Placed{Anchor: d.anchor}
	var l rig.Layout
	if pull, ok := w.a.Pull.TrueDeg.Get(); ok {
		l = rig.Place(d.pattern, d.count, front, pull, w.in.Policy)
		p.Layout = &l
	} else {
		l.Anchor.Geometry = front
		l.Stakes = []rig.Stake{{Lon: front.Lon(), Lat: front.Lat()}}
	}
	p.Checks = w.groundChecks(l, d.refused)
	if d.count > 1 {
		p.Checks = append(p.Checks, w.sharingCheck(d.count))
	}
	w.judge(&p)
	if d.short != "" && p.Verdict != Holds {
		p.Reasons = append(p.Reasons, d.short)
	}
	return p
}

// found judges the anchors surveyed at the point.
func (w *working) found() []Placed {
	var out []Placed
	for _, a := range w.in.Point.Anchors {
		p := Placed{Anchor: rig.Surveyed(a, w.in.Point.PullTests)}
		at := w.in.Point.Position
		az, okA := a.BearingDeg.Get()
		d, okD := a.DistanceM.Get()
		located := okA && okD
		if located {
			at, _ = geodesic.Direct(at, geo.NewBearing(az.Degrees()), d)
		}
		l := rig.Layout{}
		l.Anchor.Geometry = at
		if pull, ok := w.a.Pull.TrueDeg.Get(); ok && located {
			l = rig.Found(at, pull, w.in.Policy)
			p.Layout = &l
		}
		p.Checks = w.placeChecks(l)
		s := rig.Screen(a)
		p.Checks = append([]Check{screenCheck(a, s, p.Anchor)}, p.Checks...)
		w.judge(&p)
		if _, rated := p.Anchor.HoldingN.Get(); !rated {
			if p.Verdict == Unknown && s.Fails == "" && len(s.Missing) == 0 {
				p.Verdict = Short
			}
			p.Reasons = append(p.Reasons, "no rating: no figure is invented; "+s.Says)
		}
		if !located {
			p.Reasons = append(p.Reasons, "its bearing and distance from the point are not recorded")
		}
		out = append(out, p)
	}
	return out
}

func screenCheck(a survey.Anchor, s rig.Screening, r rig.Anchor) Check {
	const title = "condition of the anchor"
	switch {
	case s.Fails != "":
		return failed(title, "use another anchor", "%s", s.Fails)
	case len(s.Missing) > 0 && !r.HoldingN.Known():
		return notRun(title, "record "+strings.Join(s.Missing, " and "), "%s: not recorded: %s", a.ID, strings.Join(s.Missing, ", "))
	case a.Condition == "":
		return minor(notRun(title, "record its condition", "%s: condition not recorded", a.ID))
	}
	return passed(title, "%s", a.Condition)
}

// judge sets ratio, verdict and reasons from the figure and the checks.
func (w *working) judge(p *Placed) {
	force := w.a.LoadCase.ForceOnAnchorN
	var failedOnes, unrun []string
	for _, c := range p.Checks {
		switch {
		case !c.Matters || c.Ran && c.Passed:
		case c.Ran:
			failedOnes = append(failedOnes, c.Title+": "+c.Message)
		default:
			unrun = append(unrun, c.Title+": "+c.Message)
		}
	}
	hold, known := p.Anchor.HoldingN.Get()
	ratio := hold / force
	if known {
		p.Ratio = survey.Known(ratio)
		p.Reasons = append(p.Reasons, fmt.Sprintf("holds %s %s against %s: %s, %s required",
			forceWords(hold), byEvidence(p.Anchor.Governs), forceWords(force), ratioWords(ratio), ratioWords(w.required)))
	}
	switch {
	case len(failedOnes) > 0:
		p.Verdict = No
		p.Reasons = append(p.Reasons, failedOnes...)
	case known && ratio < w.in.Policy.FloorRatio.Value:
		p.Verdict = No
		p.Reasons = append(p.Reasons, "below the policy's floor of "+ratioWords(w.in.Policy.FloorRatio.Value))
	case !known:
		p.Verdict = Unknown
		p.Reasons = append(p.Reasons, "no holding figure")
		p.Reasons = append(p.Reasons, unrun...)
	case len(unrun) > 0:
		p.Verdict = Unknown
		p.Reasons = append(p.Reasons, unrun...)
	case ratio < w.required*(1-1e-9): // equal is enough, whatever the rounding
		p.Verdict = Short
		p.Reasons = append(p.Reasons, fmt.Sprintf("short by %s", forceWords(w.required*force-hold)))
	default:
		p.Verdict = Holds
	}
	p.Reasons = append(p.Reasons, w.disagreement(p.Anchor)...)
}

// disagreement names figures further apart than the policy's factor.
func (w *working) disagreement(a rig.Anchor) []string {
	var hand, mech float64
	for _, e := range a.Evidence {
		switch e.Grade {
		case survey.Handbook:
			hand = e.HoldingN
		case survey.Mechanics:
			mech = e.HoldingN
		}
	}
	if hand > 0 && mech > 0 && max(hand/mech, mech/hand) > w.in.Policy.DoubtFactor.Value {
		return []string{fmt.Sprintf("doubt: handbook %s and mechanics %s lie more than %.2g apart", forceWords(hand), forceWords(mech), w.in.Policy.DoubtFactor.Value)}
	}
	return nil
}

// belayForRig finds a second anchor that shares nothing with a rig: a found
// anchor that holds and stands far enough away, or the same rig driven beside.
func (w *working) belayForRig(d driven, found []Placed) *Placed {
	if p := w.apart(d.placed, found); p != nil {
		return p
	}
	pull, ok := w.a.Pull.TrueDeg.Get()
	if !ok || d.refused != "" {
		return nil
	}
	step := rig.Width(d.pattern, d.count, w.in.Policy) + w.in.Policy.SeparationM.Value
	right := w.drive(d, rig.Beside(w.in.Point.Position, pull, step))
	if right.Verdict == d.placed.Verdict {
		return &right
	}
	left := w.drive(d, rig.Beside(w.in.Point.Position, pull, -step))
	if rank(Verdicts, left.Verdict) < rank(Verdicts, right.Verdict) {
		return &left
	}
	return &right
}

// belayForFound finds a second anchor beside a found one: another that holds,
// or the rig with the fewest stakes that holds.
func (w *working) belayForFound(i int, found []Placed, rigs []driven) *Placed {
	others := slices.Concat(found[:i], found[i+1:])
	if p := w.apart(found[i], others); p != nil {
		return p
	}
	var best *Placed
	for k := range rigs {
		p := &rigs[k].placed
		if p.Verdict == Holds && w.clear(found[i], *p) && (best == nil || stakes(p) < stakes(best)) {
			best = p
		}
	}
	return best
}

func (w *working) apart(main Placed, found []Placed) *Placed {
	for k := range found {
		if found[k].Verdict == Holds && w.clear(main, found[k]) {
			return &found[k]
		}
	}
	return nil
}

// clear tells whether two anchors stand at least the policy's separation
// apart. An anchor of no known place is never taken to be clear.
func (w *working) clear(a, b Placed) bool {
	if a.Layout == nil || b.Layout == nil {
		return false
	}
	least := geo.Length(math.Inf(1))
	for _, p := range places(a) {
		for _, q := range places(b) {
			least = min(least, geodesic.Distance(p, q))
		}
	}
	return least >= w.in.Policy.SeparationM.Value
}

func places(p Placed) []orb.Point {
	out := []orb.Point{p.Layout.Front()}
	for _, s := range p.Layout.Stakes {
		out = append(out, orb.Point{s.Lon, s.Lat})
	}
	return out
}

func stakes(p *Placed) int {
	if p == nil || p.Anchor.Kind != survey.KindRig {
		return 0
	}
	pattern, err := survey.ParsePattern(p.Anchor.Rig)
	if err != nil {
		return 0
	}
	return pattern.Stakes() * max(p.Anchor.Count, 1)
}

// option puts a main and a belay anchor together and counts what they take.
func (w *working) option(main Placed, belay *Placed) Option {
	o := Option{Verdict: main.Verdict, Main: main, Belay: belay, GoverningRatio: main.Ratio}
	pol := w.in.Policy
	o.Kit = w.need(main, belay)
	drivers := max(1, min(o.Kit.Drivers, int(pol.Kit.Drivers.Value)))
	minutes := pol.Effort.MinutesSetUp.Value
	o.People = 2
	for _, p := range []*Placed{&main, belay} {
		if p == nil {
			continue
		}
		if p.Anchor.Kind != survey.KindRig {
			minutes += pol.Effort.MinutesTree.Value
			continue
		}
		ties := 0
		if p.Layout != nil {
			ties = len(p.Layout.Lashings)
		}
		minutes += (float64(stakes(p))*pol.Effort.MinutesPerStake.Value + float64(ties)*pol.Effort.MinutesPerLash.Value) / float64(drivers)
		minutes += float64(max(p.Anchor.Count, 1)-1) * pol.Effort.MinutesSharing.Value
		o.People = max(o.People, drivers*int(pol.Effort.PeoplePerDriver.Value))
	}
	if n, ok := w.a.LoadCase.HaulPeople.Get(); ok {
		o.People = max(o.People, int(n))
	}
	o.Minutes = int(math.Ceil(minutes))
	o.Summary = w.summary(o)
	return o
}

// need counts the kit and compares it with what the company carries.
func (w *working) need(main Placed, belay *Placed) Need {
	var n Need
	for _, p := range []*Placed{&main, belay} {
		if p == nil {
			continue
		}
		n.Stakes += stakes(p)
		if p.Anchor.Kind == survey.KindRig {
			n.Drivers++
		}
		if p.Layout != nil {
			for _, l := range p.Layout.Lashings {
				n.WebbingPieces += l.Pieces
				n.WebbingM += l.WebbingM
			}
		}
	}
	n.RopeM = w.ropeToToe()
	k := w.in.Policy.Kit
	lack := func(what string, need, have float64) {
		if need > have {
			n.Short = append(n.Short, fmt.Sprintf("%s: %.0f needed, %.0f carried", what, math.Ceil(need), have))
		}
	}
	lack("stakes", float64(n.Stakes), k.Stakes.Value)
	lack("webbing pieces", float64(n.WebbingPieces), k.WebbingPieces.Value)
	if r, ok := n.RopeM.Get(); ok {
		lack("metres of rope", r.Metres(), math.Floor(k.RopeM.Value.Metres()))
	}
	return n
}

// ropeToToe is the rope from the anchor over the edge to the foot of the
// slope, with 3 m to tie in and work. It needs the slope and the height.
func (w *working) ropeToToe() survey.Opt[geo.Length] {
	a, okA := w.in.Point.Terrain.Slope()
	h, okH := w.in.Point.Terrain.HeightM.Get()
	d, how := w.setback()
	if !okA || !okH || how == "" || a <= 0 {
		return survey.Opt[geo.Length]{}
	}
	return survey.Known(d + h/geo.Length(math.Sin(a.Radians())) + 3)
}

// compare ranks: verdict, then the ratio capped at the required one, then
// failed checks, then people × minutes, then stakes.
func (w *working) compare(a, b Option) int {
	return cmp.Or(
		cmp.Compare(rank(Verdicts, a.Verdict), rank(Verdicts, b.Verdict)),
		cmp.Compare(w.capped(b), w.capped(a)),
		cmp.Compare(len(a.Kit.Short), len(b.Kit.Short)),
		cmp.Compare(a.People*a.Minutes, b.People*b.Minutes),
		cmp.Compare(a.Kit.Stakes, b.Kit.Stakes),
		cmp.Compare(stakes(&a.Main), stakes(&b.Main)),
	)
}

func (w *working) capped(o Option) float64 {
	r, ok := o.GoverningRatio.Get()
	if !ok {
		return 0
	}
	return min(r, w.required)
}

// why says in words what put b below a.
func (w *working) why(a, b Option) string {
	head := fmt.Sprintf("ranked below %d because it ", a.Rank)
	switch {
	case a.Verdict != b.Verdict:
		return head + verdictWords(b.Verdict) + " where " + fmt.Sprint(a.Rank) + " " + verdictWords(a.Verdict)
	case w.capped(a) > w.capped(b):
		if _, ok := b.GoverningRatio.Get(); !ok {
			return head + "has no figure"
		}
		return head + "has the lower ratio"
	case len(a.Kit.Short) < len(b.Kit.Short):
		return head + "needs more kit than is carried"
	case a.People*a.Minutes < b.People*b.Minutes:
		return fmt.Sprintf("%stakes %d people %d minutes rather than %d and %d", head, b.People, b.Minutes, a.People, a.Minutes)
	case a.Kit.Stakes < b.Kit.Stakes:
		return fmt.Sprintf("%sneeds %d more stakes", head, b.Kit.Stakes-a.Kit.Stakes)
	}
	if stakes(&a.Main) < stakes(&b.Main) {
		return fmt.Sprintf("the same anchors as %d the other way round", a.Rank)
	}
	return fmt.Sprintf("equal to %d", a.Rank)
}
