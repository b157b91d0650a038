package answer

import (
	"cmp"
	"slices"
)

// standing is what an option is ranked by.
type standing struct {
	verdict, failures, unbelayed, effort, stakes, main int
	capped                                             float64
	at                                                 int // place before ranking
}

// compare ranks: verdict, then checks that failed - an anchor that cannot be
// built with the kit carried comes after one that can - then the ratio capped at
// the required one, then whether an independent belay goes with it, then people
// × minutes, then stakes.
func (a standing) compare(b standing) int {
	return cmp.Or(
		cmp.Compare(a.verdict, b.verdict),
		cmp.Compare(a.failures, b.failures),
		cmp.Compare(b.capped, a.capped),
		cmp.Compare(a.unbelayed, b.unbelayed),
		cmp.Compare(a.effort, b.effort),
		cmp.Compare(a.stakes, b.stakes),
		cmp.Compare(a.main, b.main),
	)
}

// rank puts options in order.
func (w *working) rank(out []Option) {
	var room [16]standing
	order := room[:0]
	for i := range out {
		o := &out[i]
		order = append(order, standing{
			verdict: o.Verdict.Rank(), failures: failures(o), capped: w.capped(o), unbelayed: o.Unbelayed(),
			effort: o.People * o.Minutes, stakes: o.Kit.Stakes, main: mainStakes(o), at: i,
		})
	}
	slices.SortStableFunc(order, standing.compare)
	for i := range order {
		from := order[i].at
		for from < i { // what stood there has been moved on
			from = order[from].at
		}
		out[i], out[from] = out[from], out[i]
	}
}

// failures counts the checks of an option's main anchor that failed, whether
// they decide the verdict or not.
func failures(o *Option) int {
	n := 0
	for i := range o.Main.Checks {
		if c := &o.Main.Checks[i]; c.Ran && !c.Passed {
			n++
		}
	}
	return n
}

// Unbelayed is 0 with an independent belay of the main anchor's verdict or
// better, 1 with a worse one, 2 with none.
func (o *Option) Unbelayed() int {
	switch {
	case o.Belay == nil:
		return 2
	case o.Belay.Verdict.Rank() > o.Main.Verdict.Rank():
		return 1
	}
	return 0
}

func (w *working) capped(o *Option) float64 {
	r, ok := o.GoverningRatio.Get()
	if !ok {
		return 0
	}
	return min(r, w.required)
}

// mainStakes is the number of stakes of the main anchor.
func mainStakes(o *Option) int {
	if o.Main.Layout == nil {
		return 0
	}
	return len(o.Main.Layout.Stakes)
}

// why says in words what put b below a.
func (w *working) why(a, b *Option) string {
	above := func() *text { return w.t.s("ranked below ").num(float64(a.Rank), 0).s(" because it ") }
	switch {
	case a.Verdict != b.Verdict:
		return above().s(b.Verdict.Says()).s(" where ").num(float64(a.Rank), 0).s(" ").s(a.Verdict.Says()).end()
	case len(a.Kit.Short) < len(b.Kit.Short) && failures(a) < failures(b):
		return above().s("needs more kit than is carried").end()
	case failures(a) < failures(b):
		return above().s("fails more checks").end()
	case w.capped(a) > w.capped(b):
		if !b.GoverningRatio.Known() {
			return above().s("has no figure").end()
		}
		return above().s("has the lower ratio").end()
	case a.Unbelayed() < b.Unbelayed():
		return above().s("has no independent belay as good").end()
	case a.People*a.Minutes < b.People*b.Minutes:
		return above().s("takes ").num(float64(b.People), 0).s(" people ").num(float64(b.Minutes), 0).s(" minutes rather than ").
			num(float64(a.People), 0).s(" and ").num(float64(a.Minutes), 0).end()
	case a.Kit.Stakes < b.Kit.Stakes:
		return above().s("needs ").num(float64(b.Kit.Stakes-a.Kit.Stakes), 0).s(" more stakes").end()
	case mainStakes(a) < mainStakes(b):
		return w.t.s("the same anchors as ").num(float64(a.Rank), 0).s(" the other way round").end()
	}
	return w.t.s("equal to ").num(float64(a.Rank), 0).end()
}

// Says is the verdict as a sentence has it, after the anchor or the point.
func (v Verdict) Says() string {
	switch v {
	case Holds:
		return "holds"
	case Short:
		return "falls short"
	case No:
		return "does not serve"
	}
	return "cannot be judged"
}
