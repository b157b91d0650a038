package rig

import (
	"fmt"
	"slices"
	"strconv"

	"holdfast/survey"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/soil"
)

// Rate says what count rigs hold, with every figure and its evidence. The
// figure that governs is the tested one where tests apply, otherwise the lower
// of handbook and mechanics. An anchor whose HoldingN is not known has no
// figure that may be used; the evidence says why. Its slices may belong to the
// book and are not to be written to.
func (b *Book) Rate(r *Rated, c *Conditions, count int) (Anchor, error) {
	if b.refuses(c) {
		return Anchor{Kind: survey.KindRig, Rig: r.Name, Count: count, Evidence: []Figure{}}, nil
	}
	if !c.tested() {
		return b.untested(r, c, count)
	}
	a, err := b.untested(r, c, 1)
	if err != nil {
		return a, err
	}
	many, err := b.untested(r, c, count) // its notes say that they share
	if err != nil {
		return a, err
	}
	estimated := a.Evidence
	a.Evidence = make([]Figure, 0, len(estimated)+len(c.pulls.all)+len(c.Elsewhere))
	for i, e := range estimated {
		e.Note = many.Evidence[i].Note
		a.Evidence = append(a.Evidence, e)
	}
	b.tests(&a, r.Pattern, c, count, true)
	if count > 1 {
		a.multiply(count)
	}
	return a, nil
}

// Figure is Rate of one rig without the evidence.
func (b *Book) Figure(r *Rated, c *Conditions) (Anchor, error) {
	if b.refuses(c) {
		return Anchor{Kind: survey.KindRig, Rig: r.Name, Count: 1}, nil
	}
	a, err := b.bare(r, c)
	if err == nil && c.tested() {
		b.tests(&a, r.Pattern, c, 1, false)
	}
	return a, err
}

func (b *Book) refuses(c *Conditions) bool {
	refused, known := c.refused.Get()
	if !known {
		_, refused = Refuse(c, &b.policy)
		c.refused = survey.Known(refused)
	}
	return refused
}

type estimate struct {
	force survey.Force
	grade survey.Evidence
	ok    bool
}

func (e *estimate) lower(f survey.Force, g survey.Evidence) {
	if !e.ok || f < e.force {
		*e = estimate{f, g, true}
	}
}

// estimate gathers handbook and mechanics; the lower governs. words tells
// whether they are wanted as evidence too.
func (b *Book) estimate(r *Rated, k *key, words bool) (Anchor, error) {
	a := Anchor{Kind: survey.KindRig, Rig: r.Name, Count: 1}
	if words {
		a.Evidence = make([]Figure, 0, 2)
	}
	var low estimate
	if fig, ok := b.handbook(r, k, words); ok {
		low.lower(survey.Force(fig.HoldingN), survey.Handbook)
		if words {
			a.Evidence = append(a.Evidence, fig)
		}
	}
	if fig, ok, err := b.mechanics(r, k, &a, words); err != nil {
		return a, err
	} else if ok {
		low.lower(survey.Force(fig.HoldingN), survey.Mechanics)
		if words {
			a.Evidence = append(a.Evidence, fig)
		}
	}
	a.govern(low)
	return a, nil
}

// handbook is the policy's rating times its ground factor; ok is false where
// the policy has none of the two.
func (b *Book) handbook(r *Rated, k *key, words bool) (Figure, bool) {
	factor, _ := b.policy.Factor(k.factor)
	f, suitable := factor.Factor.Get()
	if !suitable || !(r.rating.HoldingN > 0) {
		return Figure{}, false
	}
	fig := Figure{Grade: survey.Handbook, HoldingN: r.rating.HoldingN * f * k.share, Source: r.rating.Source}
	if !words {
		return fig, true
	}
	fig.Note = fmt.Sprintf("%s × %.2g for %s (%s)", wording.Force(b.policy.Units, survey.Force(r.rating.HoldingN)), f, factor.Ground, factor.Source)
	if h, ok := r.rating.HighN.Get(); ok {
		fig.Note += fmt.Sprintf("; also quoted: %s (%s), not used", wording.Force(b.policy.Units, survey.Force(h)), r.rating.HighSource)
	}
	if k, ok := factor.Kinder.Get(); ok {
		fig.Note += fmt.Sprintf("; a kinder factor of %.2g is published (%s), not used", k, factor.KinderS)
	}
	if k.share < 1 {
		fig.Note += fmt.Sprintf("; × %.2g, the share of its rating at which a rig failed here", k.share)
	}
	if r.rating.Confidence != "" {
		fig.Note += "; confidence " + r.rating.Confidence
	}
	return fig, true
}

// mechanics is the limit equilibrium of the rig with its 5-95 % range; first
// yield, lashing forces and the weak link are noted on the anchor.
func (b *Book) mechanics(r *Rated, k *key, a *Anchor, words bool) (Figure, bool, error) {
	model, ok := b.model(r.Pattern, k.cu, k.phi, k.gamma, k.fall, k.rope)
	if !ok {
		return Figure{}, false, nil
	}
	col, err := soil.NewCollapse(model)
	if err != nil {
		return Figure{}, false, fmt.Errorf("work out the %s rig: %w", r.Name, err)
	}
	if asClay, ok := b.model(r.Pattern, k.asClay, survey.Opt[float64]{}, k.gamma, k.fall, k.rope); ok {
		other, err := soil.NewCollapse(asClay)
		if err != nil {
			return Figure{}, false, fmt.Errorf("work out the %s rig: %w", r.Name, err)
		}
		// A failed pull reads differently by each law of the soil: the lower counts.
		col.Credited, col.FirstYield = min(col.Credited, other.Credited), min(col.FirstYield, other.FirstYield)
	}
	fig := Figure{
		Grade: survey.Mechanics, HoldingN: col.Credited.Newtons(),
		Source: "limit equilibrium of the rig after Matlock (1970) and Broms (1964)",
	}
	a.YieldN = survey.Known(min(col.FirstYield, col.Credited).Newtons())
	if !words {
		return fig, true, nil
	}
	if cu, ok := k.cu.Get(); ok {
		fig.Note = fmt.Sprintf("shear strength %.0f kPa, %s", cu, col.Governs)
	} else if phi, ok := k.phi.Get(); ok {
		fig.Note = fmt.Sprintf("friction angle %.0f°, %s", phi, col.Governs)
	}
	if k.lowered {
		fig.Note += "; no stronger than the failed pull here shows"
	}
	if fig.LowN, fig.HighN, err = b.spread(r, k); err != nil {
		return Figure{}, false, err
	}
	a.Weakest = col.Governs.String()
	for i := range col.Rows - 1 {
		a.LashingsN = append(a.LashingsN, col.Ties[i].Newtons())
	}
	return fig, true, nil
}

// spread is the 5-95 % range of the rig's strength about the middle strength of
// the ground, or about a lower one that a failed pull shows.
func (b *Book) spread(r *Rated, k *key) (low, high survey.Opt[float64], err error) {
	cu, phi := k.cuMiddle, k.phiMiddle
	if k.lowered || !cu.Known() {
		cu = k.cu
	}
	if k.lowered || !phi.Known() {
		phi = k.phi
	}
	model, _ := b.model(r.Pattern, cu, phi, k.gamma, k.fall, k.rope)
	d, err := draws()
	if err != nil {
		return low, high, err
	}
	s := soil.UsualSpread()
	s.Yield = max(0, float64(soil.ColdDrawnYield/model.Bar.Yield)-1)
	got, err := d.Range(model, s)
	if err != nil {
		return low, high, fmt.Errorf("range of the %s rig: %w", r.Name, err)
	}
	return survey.Known(got.Low.Newtons()), survey.Known(got.High.Newtons()), nil
}

// tests lets pull tests govern: three or more department tests in this ground
// replace the estimate, a held pull here is a lower bound, and a failed pull
// here caps everything. The figures are those of one rig, their notes those of
// count; words tells whether they are wanted as evidence.
func (b *Book) tests(a *Anchor, pattern survey.Pattern, c *Conditions, count int, words bool) {
	low := estimate{grade: a.Governs}
	if f, ok := a.HoldingN.Get(); ok {
		low.force, low.ok = survey.Force(f), true
	}
	best, figures := c.elsewhere(pattern, low)
	if words {
		for _, fig := range figures {
			fig.Note += sharing(count)
			a.Evidence = append(a.Evidence, fig)
		}
	}
	var limit estimate
	for i := range c.pulls.all {
		t := &c.pulls.all[i]
		switch {
		case t.Outcome == survey.Held && contains(pattern, t.rows):
			if t.counts && (!best.ok || t.Force() > best.force) {
				best = estimate{t.Force(), survey.TestedHere, true}
			}
		case t.Outcome != survey.Held && contains(t.rows, pattern):
			limit.lower(t.Force(), survey.TestedHere)
		default:
			continue
		}
		if words {
			note := t.says(t.rows.Equal(pattern), count)
			a.Evidence = append(a.Evidence, Figure{Grade: survey.TestedHere, HoldingN: t.Force().Newtons(), Source: t.source, Note: note})
		}
	}
	a.cap(limit, best)
}

// cap lets a failed pull bound the best figure.
func (a *Anchor) cap(limit, best estimate) {
	if limit.ok {
		a.MostN = survey.Known(limit.force.Newtons())
		if best.ok && limit.force < best.force {
			best = limit
		}
	}
	a.govern(best)
}

// govern records the figure that is used and marks it among the evidence, best
// grade first.
func (a *Anchor) govern(best estimate) {
	a.HoldingN, a.Governs = survey.Opt[float64]{}, ""
	if best.ok {
		a.HoldingN, a.Governs = survey.Known(best.force.Newtons()), best.grade
	}
	for i := range a.Evidence {
		e := &a.Evidence[i]
		e.Used = best.ok && e.Grade == best.grade && e.HoldingN == best.force.Newtons()
	}
	slices.SortStableFunc(a.Evidence, func(x, y Figure) int {
		return slices.Index(survey.Evidences, x.Grade) - slices.Index(survey.Evidences, y.Grade)
	})
}

func on(t *survey.PullTest) string {
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

// Times returns n equal rigs sharing the load equally.
func (a Anchor) Times(n int) Anchor {
	if n == 1 {
		return a
	}
	a.Evidence = slices.Clone(a.Evidence)
	for i := range a.Evidence {
		a.Evidence[i].Note += sharing(n)
	}
	a.multiply(n)
	return a
}

// multiply makes the figures of one rig those of n.
func (a *Anchor) multiply(n int) {
	k := float64(n)
	scale := func(o *survey.Opt[float64]) {
		if v, ok := o.Get(); ok {
			*o = survey.Known(v * k)
		}
	}
	a.Count = n
	scale(&a.HoldingN)
	scale(&a.YieldN)
	scale(&a.MostN)
	for i := range a.Evidence {
		e := &a.Evidence[i]
		e.HoldingN *= k
		scale(&e.LowN)
		scale(&e.HighN)
	}
}

// sharing is what the note of a figure adds for n rigs.
func sharing(n int) string {
	if n < 2 {
		return ""
	}
	return "; × " + strconv.Itoa(n) + " sharing"
}
