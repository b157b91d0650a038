package answer

import (
	"math"
	"slices"

	"holdfast/geo"
	"holdfast/geo/tangent"
	"holdfast/survey"
	"holdfast/survey/rig"
	"holdfast/survey/surround"
)

// candidate is an anchor in its place, on its way to being judged.
type candidate struct {
	Placed
	form    *rig.Form // of a rig; nil for an anchor found at the point
	stand   rig.Stand
	found   tangent.XY             // of an anchor found: where it is
	located bool                   // its place is known
	away    survey.Opt[geo.Length] // of an anchor found: how far from the point
	turned  geo.Angle              // how far its pull is turned from the point's
	back    geo.Length             // of a rig: how far behind the point it stands
	short   string                 // how many rigs would do, or that none would
	words   *figureWords
}

// spots visits where the candidate stands: where its rope leaves, and its
// stakes. An anchor of no known place is looked for at the point itself, and so
// is a rig of no known pull.
func (c *candidate) spots(visit func(tangent.XY)) {
	if c.form == nil {
		visit(c.found)
		return
	}
	if visit(c.stand.Front); !c.located {
		return
	}
	for i := range c.form.Spots {
		s := &c.form.Spots[i]
		visit(c.stand.XY(s.Right, s.Behind))
	}
}

// extent is how far the candidate reaches from the point, metres.
func (c *candidate) extent() float64 {
	if c.form == nil {
		return math.Hypot(c.found.X, c.found.Y)
	}
	return math.Hypot(c.stand.Front.X, c.stand.Front.Y) + math.Hypot(c.form.HalfWidth, c.form.Depth)
}

// stakes is the number of stakes of an anchor, 0 of one that is found.
func (c *candidate) stakes() int {
	if c == nil || c.form == nil {
		return 0
	}
	return c.form.Stakes()
}

// room is memory for the parts of one answer.
type room struct {
	rig.Room
	beside  []candidate
	checks  []Check
	reasons []string
	layouts []rig.Layout
	words   []figureWords
	sharing [5]Check // by the number of rigs that share
}

// carve takes n elements off a slab, or off a new one.
func carve[T any](slab *[]T, n, fresh int) []T {
	if cap(*slab)-len(*slab) < n {
		*slab = make([]T, 0, max(n, fresh))
	}
	from := len(*slab)
	*slab = (*slab)[:from+n]
	return (*slab)[from : from+n : from+n]
}

// keep copies a list onto a slab with room to append some more, or hands out
// one that is alike.
func keep[T comparable](slab *[]T, list, like []T, more, anchors int) []T {
	if len(list) == 0 {
		return nil
	}
	if len(like) >= len(list) && slices.Equal(list, like[:len(list)]) {
		return like[:len(list):len(list)]
	}
	n := len(list) + more
	return append(carve(slab, n, n*anchors)[:0], list...)
}

// drive sets a rig beside the point, or at it, and judges it there; rigs that
// share stand as far behind it as their legs need. What it has in common with
// the main anchor, when it is driven beside one, is shared.
func (w *working) drive(c *candidate, r *rig.Rated, a *rig.Anchor, right geo.Length, short string, main *candidate) {
	*c = candidate{form: r.Form(a.Count), short: short}
	c.Anchor = *a
	pull, aimed := w.a.Pull.TrueDeg.Get()
	c.back = w.behind(a.Count)
	if aimed {
		c.turned = w.aim(right, c.back)
	}
	c.stand, c.located = rig.StandAt(pull.Turn(c.turned), rig.Beside(pull, right, c.back)), aimed
	var room [mostChecks]Check
	w.judge(c, w.check(c, room[:0]), main)
}

// behind is how far behind the point rigs that share must stand so that their
// legs meet before the edge; 0 where the edge is far enough, or how far it is is
// not known.
func (w *working) behind(count int) geo.Length {
	edge, how := w.setback()
	if how == "" {
		return 0
	}
	back := rig.CollectorReach(count, w.policy()) - edge
	if back < 0.01*geo.Metre { // nobody drives a stake closer than that
		return 0
	}
	return back
}

// aim is how far a rig beside the point must be turned so that the load at the
// foot of the slope pulls it along its own line; 0 while the load lies inside
// its working sector, or where it lies is not known.
func (w *working) aim(right, behind geo.Length) geo.Angle {
	d, ok := w.toToe().Get()
	if !ok || right == 0 {
		return 0
	}
	off := geo.Angle(math.Atan2(float64(right), float64(d+behind)))
	if math.Abs(off.Degrees()) <= w.policy().SectorDeg.Value+fine {
		return 0
	}
	return -off
}

// layAll writes the layouts of the anchors down.
func (w *working) layAll(mains []candidate, beside []*candidate) {
	if !w.a.Pull.TrueDeg.Known() {
		return
	}
	stakes, layouts := 0, len(mains)+len(beside)
	for i := range mains {
		stakes += mains[i].stakes()
	}
	for _, c := range beside {
		stakes += c.stakes()
	}
	w.room.Reserve(layouts, stakes)
	w.room.layouts = make([]rig.Layout, 0, layouts)
	for i := range mains {
		w.lay(&mains[i])
	}
	for _, c := range beside {
		w.lay(c)
	}
}

// lay writes a candidate's layout down, where its place and pull are known.
func (w *working) lay(c *candidate) {
	if !c.located {
		return
	}
	l := &carve(&w.room.layouts, 1, 1)[0]
	if c.form != nil {
		*l = w.room.Place(c.form, &w.plane, c.stand, w.policy())
	} else {
		pull, _ := w.a.Pull.TrueDeg.Get()
		*l = w.room.Found(c.found, pull, &w.plane, w.policy())
	}
	c.Layout = l
}

// locate finds where a surveyed anchor is.
func (w *working) locate(c *candidate, a *survey.Anchor) (known bool) {
	az, okA := a.BearingDeg.Get()
	d, okD := a.DistanceM.Get()
	c.away = a.DistanceM
	if !okA || !okD {
		return false
	}
	c.found = tangent.Along(geo.NewBearing(az.Degrees()), d)
	c.located = w.a.Pull.TrueDeg.Known()
	return true
}

// apart tells whether two anchors stand at least the policy's separation
// apart. An anchor of no known place is never taken to be clear.
func (w *working) apart(a, b *candidate) bool {
	if !a.located || !b.located {
		return false
	}
	least := math.Inf(1)
	a.spots(func(p tangent.XY) {
		b.spots(func(q tangent.XY) { least = min(least, float64(p.To(q))) })
	})
	return least >= float64(w.policy().SeparationM.Value)-fine
}

// gatherNear keeps the features that any anchor set up here could touch.
func (w *working) gatherNear() {
	widest := 0.0
	for i := range w.e.book.Rigs {
		r := &w.e.book.Rigs[i]
		f := r.Form(int(max(w.policy().SharingRigs.Value, 1)))
		beside := 2*f.HalfWidth + float64(w.policy().SeparationM.Value) + 1
		widest = max(widest, beside+math.Hypot(f.HalfWidth, f.Depth)+float64(rig.CollectorReach(f.Count, w.policy())))
	}
	for i := range w.in.Point.Anchors {
		if d, ok := w.in.Point.Anchors[i].DistanceM.Get(); ok {
			widest = max(widest, float64(d))
		}
	}
	accuracy, _ := w.in.Point.Fix.AccuracyM.Get()
	reach := geo.Length(widest) + max(widestClearance, w.policy().UtilityFilesDoubtM.Value, w.policy().UtilityToleranceM.Value+accuracy)
	w.near = make([]*surround.Near, 0, len(w.in.Around.Near))
	for i := range w.in.Around.Near {
		n := &w.in.Around.Near[i]
		own, _ := n.Tolerance.Get()
		if n.Role == survey.RoleOverhead {
			own = OverheadReach
		}
		if n.Distance <= reach+n.HalfWidth+own {
			w.near = append(w.near, n)
		}
	}
}

// nearest returns how near a candidate comes to a feature, or a lesser distance
// where it cannot come within a limit.
func (w *working) nearest(c *candidate, n *surround.Near, limit geo.Length) geo.Length {
	if least := n.Distance - geo.Length(c.extent()); least > limit {
		return least
	}
	if c.form != nil && c.located && len(c.form.Spots) > 1 {
		// From the middle of the rig nothing of it is further than its half.
		half := geo.Length(math.Hypot(c.form.HalfWidth, c.form.Depth/2))
		if least := n.From(c.stand.XY(0, c.form.Depth/2), &w.plane) - half; least > limit {
			return least
		}
	}
	least := geo.Length(math.Inf(1))
	c.spots(func(p tangent.XY) { least = min(least, n.From(p, &w.plane)) })
	return least
}
