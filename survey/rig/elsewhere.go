package rig

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"holdfast/survey"
	"holdfast/survey/soil"
)

// series are the department's tests of one rig in this ground.
type series struct {
	pattern survey.Pattern
	value   survey.Force
	figure  Figure
	use     bool // they are enough to count
}

// read works the department's tests out, the first time it is asked.
func (c *Conditions) read() []series {
	if c.series != nil || len(c.Elsewhere) == 0 {
		return c.series
	}
	c.series = make([]series, 0, len(c.Elsewhere))
	for _, name := range slices.Sorted(maps.Keys(c.Elsewhere)) {
		tested, err := survey.ParsePattern(name)
		if err != nil {
			continue
		}
		fig, use := testedFigure(c.Elsewhere[name])
		c.series = append(c.series, series{tested, survey.Force(fig.HoldingN), fig, use})
	}
	return c.series
}

// elsewhere lets the department's tests in this ground replace an estimate, and
// returns what they show. A rig holds at least what a tested rig within it
// does, and no more than a tested rig that contains it, so that more stakes
// never hold less.
func (c *Conditions) elsewhere(pattern survey.Pattern, low estimate) (best estimate, shown []Figure) {
	all := c.read()
	// most is the least of the tested rigs that contain p.
	most := func(p survey.Pattern) (e estimate) {
		for i := range all {
			if s := &all[i]; s.use && contains(s.pattern, p) {
				e.lower(s.value, survey.TestedGround)
			}
		}
		return e
	}
	best = low
	var within estimate
	for i := range all {
		s := &all[i]
		own := s.pattern.Equal(pattern)
		if own {
			shown = append(shown, s.figure)
		}
		switch m := most(s.pattern); {
		case !s.use:
		case own:
			if m.force < s.value {
				shown = append(shown, follows(m, "no more than the tests of a rig that contains it"))
			}
			return m, shown
		case contains(pattern, s.pattern) && (!within.ok || m.force > within.force):
			within = m
		}
	}
	if m := most(pattern); m.ok && best.ok && m.force < best.force {
		best = m
		shown = append(shown, follows(m, "by the tests of a rig that contains it"))
	}
	if within.ok && (!best.ok || within.force > best.force) {
		best = within
		shown = append(shown, follows(within, "by the tests of a rig within it"))
	}
	return best, shown
}

// follows is a figure that follows from another rig's tests.
func follows(e estimate, why string) Figure {
	return Figure{Grade: e.grade, HoldingN: e.force.Newtons(), Source: testsSource, Note: why}
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
