package answer_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
)

// The engine's sentences write forces as the pages and the sheet do: one
// figure must not read in two ways on one page.
func TestForcesReadTheSameEverywhere(t *testing.T) {
	for _, units := range []survey.Units{survey.UnitsUS, survey.UnitsSI} {
		for _, tsf := range []float64{0.3, 0.55, 0.7, 1.2, 1.6, 2.4} {
			p := firm()
			p.Ground.Tests[0].Reading = survey.Num(tsf)
			a := ask(t, p, func(in *answer.Input) { in.Policy.Units = units })
			for _, o := range a.Options {
				hold, ok := o.Main.Anchor.HoldingN.Get()
				if !ok {
					continue
				}
				all := strings.Join(o.Main.Reasons, "\n")
				assert.Contains(t, all, "holds "+wording.Force(units, survey.Force(hold))+" ")
				assert.Contains(t, all, "against "+wording.Demand(units, a.LoadCase.Force()))
			}
		}
	}
}
