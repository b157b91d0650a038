package rig_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/rig"
)

func sharing(t require.TestingT, name string, c rig.Conditions, p survey.Policy) rig.Sharing {
	b, err := rig.NewBook(p)
	require.NoError(t, err)
	s, ok, err := b.Sharing(pattern(t, name), &c)
	require.NoError(t, err)
	require.True(t, ok)
	return s
}

// at reads lashing forces at a pull off the curve, straight between its points.
func at(t require.TestingT, s rig.Sharing, pull float64) []float64 {
	for i := 1; i < len(s.Points); i++ {
		a, b := s.Points[i-1], s.Points[i]
		if a.PullN <= pull && pull <= b.PullN {
			f := (pull - a.PullN) / (b.PullN - a.PullN)
			out := make([]float64, len(a.LashingsN))
			for k := range out {
				out[k] = a.LashingsN[k] + f*(b.LashingsN[k]-a.LashingsN[k])
			}
			return out
		}
	}
	require.FailNow(t, "pull not on the curve")
	return nil
}

// Common practice, no source: at a 10 kN pull the front lashing is tight and
// the rear one still slack. The springs show it in hard ground with strong bars
// and hand-tied lashings of 20 mm slack.
func TestCommonPracticeFrontTightRearSlackAtTenKilonewtons(t *testing.T) {
	p := policy(t)
	p.Stake.YieldMPa.Value, p.Stake.LashSlackM.Value = 370, 0.020
	ties := at(t, sharing(t, "1-1-1", inClay(survey.ClassA, 150), p), 10000)
	assert.Greater(t, ties[0], 1000.0, "the front lashing is tight")
	assert.Zero(t, ties[1], "the rear one is still slack")
}

// source: independent trial of the same springs, cu 120 kPa, fy 370 MPa, slack
// 10 mm: the rear lashing comes tight at 7 kN; at 10 kN the front one carries
// 3.7 kN and the rear one 0.7 kN.
func TestSharingAgainstTheTrial(t *testing.T) {
	p := policy(t)
	p.Stake.YieldMPa.Value, p.Stake.LashSlackM.Value = 370, 0.010
	s := sharing(t, "1-1-1", inClay(survey.ClassA, 120), p)
	require.Len(t, s.TightN, 2)
	assert.InDelta(t, 7000, s.TightN[1], 100)
	ties := at(t, s, 10000)
	assert.InDelta(t, 3700, ties[0], 50)
	assert.InDelta(t, 700, ties[1], 50)
}

// source: independent trial, cu 72 kPa, fy 250 MPa, slack 5 mm: soil shares of
// front, second and third row at 4 kN are 68, 29 and 3 %: never equal thirds.
func TestStakesNeverShareEqually(t *testing.T) {
	s := sharing(t, "1-1-1", inClay(survey.ClassA, 72), policy(t))
	for i := 1; i < len(s.Points); i++ {
		a, b := s.Points[i-1], s.Points[i]
		if a.PullN > 4000 || b.PullN < 4000 {
			continue
		}
		f := (4000 - a.PullN) / (b.PullN - a.PullN)
		for row, want := range []float64{0.68, 0.29, 0.03} {
			assert.InDelta(t, want, a.Shares[row]+f*(b.Shares[row]-a.Shares[row]), 0.03, "row %d", row+1)
		}
	}
	_, err := json.Marshal(s)
	assert.NoError(t, err)
}

func TestSharingHasNoCurveWithoutStrength(t *testing.T) {
	p := policy(t)
	b, err := rig.NewBook(p)
	require.NoError(t, err)
	for name, change := range map[string]func(*rig.Conditions){
		"no strength": func(c *rig.Conditions) { c.Ground.CuKPa = survey.Opt[float64]{} },
		"rock":        func(c *rig.Conditions) { c.Ground.Unsuitable = "rock" },
		"sand too steep": func(c *rig.Conditions) {
			c.Ground.CuKPa, c.Ground.PhiDeg, c.Fall = survey.Opt[float64]{}, survey.Known(28.0), survey.Known(geo.Degrees(35))
			c.Setback = survey.Opt[geo.Length]{}
		},
	} {
		c := clay(survey.ClassA)
		change(&c)
		_, ok, err := b.Sharing(pattern(t, "1-1-1"), &c)
		assert.NoError(t, err, name)
		assert.False(t, ok, name)
	}
	s := sharing(t, "1", clay(survey.ClassA), p)
	assert.Empty(t, s.TightN)
}
