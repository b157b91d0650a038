package survey_test

import (
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
)

func TestReviewCheck(t *testing.T) {
	now := time.Date(2026, 5, 4, 22, 0, 0, 0, time.UTC)
	day := func(days int) survey.Opt[time.Time] { return survey.Known(now.AddDate(0, 0, days)) }
	none := survey.Opt[time.Time]{}
	for name, c := range map[string]struct {
		review survey.Review
		wrong  []string // pointers under the review
	}{
		"nothing":                      {survey.Review{}, nil},
		"a draft by nobody":            {survey.Review{State: survey.Draft}, nil},
		"reviewed":                     {survey.Review{State: survey.Reviewed, By: "R. Vale", At: day(0)}, nil},
		"reviewed by nobody":           {survey.Review{State: survey.Reviewed, At: day(0)}, []string{"/by"}},
		"reviewed, due in the past":    {survey.Review{State: survey.Reviewed, By: "R. Vale", Due: day(-1)}, []string{"/due"}},
		"signed":                       {survey.Review{State: survey.Signed, By: "R. Vale", At: day(0), Due: day(365)}, nil},
		"signed where it is tomorrow":  {survey.Review{State: survey.Signed, By: "R. Vale", At: day(1), Due: day(365)}, nil},
		"signed for a day to come":     {survey.Review{State: survey.Signed, By: "R. Vale", At: day(2), Due: day(365)}, []string{"/at"}},
		"signed without an end":        {survey.Review{State: survey.Signed, By: "R. Vale", At: day(0)}, []string{"/due"}},
		"signed and run out":           {survey.Review{State: survey.Signed, By: "R. Vale", At: day(-400), Due: day(-35)}, []string{"/due"}},
		"signed to the very moment":    {survey.Review{State: survey.Signed, By: "R. Vale", At: day(0), Due: day(0)}, []string{"/due"}},
		"signed by nobody and no date": {survey.Review{State: survey.Signed, At: none}, []string{"/by", "/at", "/due"}},
	} {
		t.Run(name, func(t *testing.T) {
			err := c.review.Check(now)
			if c.wrong == nil {
				assert.NoError(t, err)
				return
			}
			var invalid *survey.InvalidError
			require.ErrorAs(t, err, &invalid)
			var got []string
			for _, p := range invalid.Problems {
				got = append(got, p.Pointer)
			}
			for i := range c.wrong {
				c.wrong[i] = "/properties/review" + c.wrong[i]
			}
			assert.Equal(t, c.wrong, got)
		})
	}
	t.Run("what is on file stays readable", func(t *testing.T) {
		old := survey.Site{Name: "N", Code: "C", Geometry: orb.Point{-91, 44}, Review: survey.Review{State: survey.Signed, By: "R. Vale", At: day(-400)}}
		require.Error(t, old.Review.Check(now))
		f, err := old.Feature()
		require.NoError(t, err)
		_, err = survey.ParseSite(f)
		assert.NoError(t, err)
	})
}
