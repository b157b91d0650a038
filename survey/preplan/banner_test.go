package preplan_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"holdfast/survey"
	"holdfast/survey/preplan"
)

// TestVouchedFor: a signature does not cover what was surveyed after it, and what
// two stations recorded differently is said. The rules are the program's own.
func TestVouchedFor(t *testing.T) {
	printed := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
	day := func(m time.Month, d int) survey.Opt[time.Time] {
		return survey.Known(time.Date(2026, m, d, 9, 0, 0, 0, time.UTC))
	}
	in := preplan.Input{
		Site:      survey.Site{Name: "Alder Bend", Code: "AB-1", Review: survey.Review{State: survey.Signed, By: "R. Vale", At: day(4, 1)}},
		Policy:    survey.Policy{ResurveyMonths: survey.Line[float64]{Value: 24}},
		PrintedAt: printed,
		Points: []preplan.PointInput{
			{Point: survey.Point{ID: "a", Label: "A1", SurveyedAt: day(3, 1)}},
			{Point: survey.Point{ID: "b", Label: "A2", SurveyedAt: day(4, 1)}},
		},
	}
	s := preplan.Arrange(in)
	assert.Empty(t, s.Banners)
	assert.Empty(t, s.State)

	in.Points[1].Point.SurveyedAt = day(4, 2)
	in.Unsettled = []string{"the site", "A1"}
	in.SameCode = []string{"Alder Weir"}
	s = preplan.Arrange(in)
	assert.Equal(t, []string{
		"NOT SETTLED: two stations recorded the site, A1 differently; only one version is printed here.",
		"CODE NOT UNIQUE: AB-1 is also the code of Alder Weir. Go by the name.",
		"NOT SIGNED FOR: A2 surveyed or tested after the site was signed.",
	}, s.Banners)
	assert.Equal(t, "not settled, code not unique, newer than signature", s.State)
}
