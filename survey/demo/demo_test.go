package demo_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/demo"
	"holdfast/survey/sqlite"
)

// The district must show everything the program can say, on whichever day it
// is made.
func TestDistrictShowsEverything(t *testing.T) {
	for _, now := range []time.Time{time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC), time.Date(2027, 11, 30, 23, 0, 0, 0, time.UTC)} {
		t.Run(now.Format(time.DateOnly), func(t *testing.T) {
			ctx := context.Background()
			p, err := survey.ParsePolicy(data.DefaultPolicy)
			require.NoError(t, err)
			clock := func() time.Time { return now }
			store, err := sqlite.Open(ctx, filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Policy: p, Now: clock})
			require.NoError(t, err)
			defer store.Close()
			require.NoError(t, demo.Fill(ctx, store, data.Demo, now))

			sites, err := store.Sites(ctx, sqlite.Filter{})
			require.NoError(t, err)
			assert.GreaterOrEqual(t, len(sites), 8)
			a := atlas.Atlas{Store: store, Now: clock}
			verdicts, classes := map[answer.Verdict]int{}, map[survey.GroundClass]int{}
			kinds, reviews := map[survey.AnchorKind]int{}, map[survey.ReviewState]int{}
			points, stale, tests := 0, 0, 0
			for _, s := range sites {
				reviews[s.Item.Review.State]++
				_, js, err := a.Site(ctx, s.Item.ID, atlas.Ask{})
				require.NoError(t, err)
				for _, j := range js {
					points++
					verdicts[j.Answer.Verdict]++
					classes[j.Answer.Ground.Class]++
					tests += len(j.Point.Item.PullTests)
					for _, x := range j.Point.Item.Anchors {
						kinds[x.Kind]++
					}
					if days, ok := survey.Age(j.Point.Item.SurveyedAt, now); ok && days > 730 {
						stale++
					}
					t.Logf("%s/%s %s", s.Item.Code, j.Point.Item.Label, j.Answer.Sentence)
				}
			}
			assert.GreaterOrEqual(t, points, 40)
			for _, v := range answer.Verdicts {
				assert.Positive(t, verdicts[v], v)
			}
			for _, c := range survey.GroundClasses {
				assert.Positive(t, classes[c], c)
			}
			for _, k := range survey.SurveyedKinds {
				assert.Positive(t, kinds[k], k)
			}
			for _, r := range []survey.ReviewState{survey.Draft, survey.Reviewed, survey.Signed} {
				assert.Positive(t, reviews[r], r)
			}
			assert.Positive(t, stale)
			assert.Positive(t, tests)
			t.Log(verdicts, classes, kinds, reviews, stale)
		})
	}
}
