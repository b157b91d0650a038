package answer_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/answer"
)

// TestSignOff: a signature counts until its review is due and for what had been
// surveyed when it was given. The rule is the program's own; firm was surveyed
// on 1 April at nine.
func TestSignOff(t *testing.T) {
	day := func(m time.Month, d int) survey.Opt[time.Time] {
		return survey.Known(time.Date(2026, m, d, 0, 0, 0, 0, time.UTC))
	}
	for _, c := range []struct {
		name   string
		review survey.Review
		passed bool
		says   string
	}{
		{"no review", survey.Review{}, false, "nobody has signed"},
		{"draft", survey.Review{State: survey.Draft}, false, "nobody has signed"},
		{"reviewed", survey.Review{State: survey.Reviewed}, false, "not signed"},
		{"signed after the survey", survey.Review{State: survey.Signed, By: "R. Vale", At: day(4, 2)}, true, "R. Vale"},
		{"signed on the day of the survey", survey.Review{State: survey.Signed, By: "R. Vale", At: day(4, 1)}, true, "R. Vale"},
		{"surveyed after the signature", survey.Review{State: survey.Signed, By: "R. Vale", At: day(3, 31)}, false, "surveyed or tested after"},
		{"review overdue", survey.Review{State: survey.Signed, By: "R. Vale", At: day(4, 2), Due: day(5, 1)}, false, "2026-05-01"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := ask(t, firm(), func(in *answer.Input) { in.Site.Review = c.review })
			best, ok := a.Best()
			require.True(t, ok)
			for _, check := range best.Main.Checks {
				if check.Title == "sign-off" {
					assert.True(t, check.Ran)
					assert.Equal(t, c.passed, check.Passed)
					assert.Contains(t, check.Message, c.says)
					return
				}
			}
			assert.Fail(t, "no such check")
		})
	}
}
