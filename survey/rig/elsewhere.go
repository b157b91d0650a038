package rig

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"holdfast/survey"
	"holdfast/survey/soil"
)

// elsewhere lets the department's tests in this ground replace an estimate.
// A rig holds at least what a tested rig within it does, and no more than a
// tested rig that contains it, so that more stakes never hold less.
func (a *Anchor) elsewhere(pattern survey.Pattern, by map[string][]soil.PullTest, low estimate) estimate {
	if len(by) == 0 {
		return low
	}
	type series struct {
		pattern survey.Pattern
		value   survey.Force
	}
	var all []series
	for _, name := range slices.Sorted(maps.Keys(by)) {
		tested, err := survey.ParsePattern(name)
		if err != nil {
			continue
		}
		fig, use := testedFigure(by[name])
		if use {
			all = append(all, series{tested, survey.Force(fig.HoldingN)})
		}
		if tested.Equal(pattern) {
			a.Evidence = append(a.Evidence, fig)
		}
	}
	// most is the least of the tested rigs that contain p.
	most := func(p survey.Pattern) (e estimate) {
		for _, s := range all {
			if contains(s.pattern, p) {
				e.lower(s.value, survey.TestedGround)
			}
		}
		return e
	}
	best, within := low, estimate{}
	for _, s := range all {
		if m := most(s.pattern); s.pattern.Equal(pattern) {
			if m.force < s.value {
				a.note(m, "no more than the tests of a rig that contains it")
			}
			return m
		} else if contains(pattern, s.pattern) && (!within.ok || m.force > within.force) {
			within = m
		}
	}
	if m := most(pattern); m.ok && best.ok && m.force < best.force {
		best = m
		a.note(m, "by the tests of a rig that contains it")
	}
	if within.ok && (!best.ok || within.force > best.force) {
		best = within
		a.note(within, "by the tests of a rig within it")
	}
	return best
}

// note adds a figure that follows from another rig's tests.
func (a *Anchor) note(e estimate, why string) {
	a.Evidence = append(a.Evidence, Figure{Grade: e.grade, HoldingN: e.force.Newtons(), Source: testsSource, Note: why})
}

const testsSource = "department's pull tests, EN 1990:2002 Annex D7, 5 % fractile, log-normal"

// testedFigure is the figure of a series of tests; use is false while they are
// too few.
func testedFigure(pulls []soil.PullTest) (fig Figure, use bool) {
	fig = Figure{Grade: survey.TestedGround, Source: testsSource}
	if ch, err := soil.NewCharacteristic(pulls); err == nil {
		fig.HoldingN = ch.Value.Newtons()
		fig.Note = fmt.Sprintf("%d tests, %d of them stopped before failure", ch.Tests, ch.Stopped)
		return fig, true
	}
	fig.Note = fmt.Sprintf("%d tests, the lowest: shown, not used; three are needed", len(pulls))
	fig.HoldingN = slices.MinFunc(pulls, func(x, y soil.PullTest) int { return cmp.Compare(x.Force, y.Force) }).Force.Newtons()
	return fig, false
}
