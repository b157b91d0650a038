package survey_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/survey"
)

func TestKeep(t *testing.T) {
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	assert.Empty(t, p.Outdated(now), "the default keeps everything")
	for name, c := range map[string]struct {
		keep survey.Keeping
		says string // "": is right
	}{
		"right":                    {survey.Keeping{Of: survey.KeptPhotos, Months: 24, Source: "department"}, ""},
		"of nothing":               {survey.Keeping{Months: 24, Source: "department"}, "is missing"},
		"of what is never removed": {survey.Keeping{Of: "revisions", Months: 24, Source: "department"}, "is not one of"},
		"no time":                  {survey.Keeping{Of: survey.KeptPhotos, Source: "department"}, "outside 1 to 1200"},
		"too short":                {survey.Keeping{Of: survey.KeptPhotos, Months: 0.5, Source: "department"}, "outside 1 to 1200"},
		"no source":                {survey.Keeping{Of: survey.KeptPhotos, Months: 24}, "is empty"},
	} {
		t.Run(name, func(t *testing.T) {
			p := p
			p.Keep = []survey.Keeping{c.keep}
			if err := p.Validate(); c.says != "" {
				assert.ErrorContains(t, err, c.says)
			} else {
				assert.NoError(t, err)
			}
			for _, at := range p.Outdated(now) { // as another station may have it, unchecked
				assert.False(t, at.After(now.AddDate(0, 0, -31)), "nothing goes within a month")
			}
		})
	}
	p.Keep = []survey.Keeping{{Of: survey.KeptPhotos, Months: 1e300}, {Of: survey.KeptLayers, Months: 24}}
	at := p.Outdated(now)
	assert.Less(t, at[survey.KeptPhotos].Year(), 1930)
	assert.False(t, at[survey.KeptLayers].After(now.AddDate(-2, 0, 0)), "24 months are no less than two years")
}
