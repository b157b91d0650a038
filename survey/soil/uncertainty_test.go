package soil_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/soil"
)

// 5, 50 and 95 % in lbf of an independent Monte Carlo study of the same
// recursion: 3,000 draws, mild to cold-drawn steel, medians of OSHA Type A, B
// and C ground. Its own scatter is about 3 %, and how it drew the geometry is
// not known in detail, so 8 %.
func TestRangeAgainstMonteCarlo(t *testing.T) {
	draws, err := soil.NewDraws(soil.UsualDraws)
	require.NoError(t, err)
	for _, c := range []struct {
		cu, cov float64
		rows    []int
		want    [3]float64
	}{
		{100, 0.5, []int{1}, [3]float64{429, 736, 1232}},
		{100, 0.5, []int{1, 1, 1}, [3]float64{1308, 2141, 3400}},
		{48, 0.5, []int{1}, [3]float64{241, 549, 989}},
		{48, 0.5, []int{1, 1, 1}, [3]float64{901, 1735, 2903}},
		{15, 0.5, []int{1}, [3]float64{75, 183, 428}},
		{15, 0.5, []int{1, 1, 1}, [3]float64{306, 721, 1598}},
		{48, 0.3, []int{1}, [3]float64{306, 553, 950}},
		{48, 0.3, []int{1, 1, 1}, [3]float64{1061, 1733, 2771}},
	} {
		s := soil.UsualSpread()
		s.Cu = c.cov
		got, err := draws.Range(base(c.cu, 250, c.rows...), s)
		require.NoError(t, err)
		for i, f := range []survey.Force{got.Low, got.Median, got.High} {
			near(t, c.want[i], f.Pounds(), 0.08, fmt.Sprint(c.cu, c.cov, c.rows, i))
		}
	}
}

// With nothing but the model in doubt the answer is known: the strength times a
// log-normal factor of mean 1, whose fractiles are exp(±1.6449 σ - σ²/2) with
// σ² = ln(1 + COV²).
func TestRangeOfModelAlone(t *testing.T) {
	draws, err := soil.NewDraws(16)
	require.NoError(t, err)
	r := base(47.88, 250, 1, 1, 1)
	want, err := soil.NewCollapse(r)
	require.NoError(t, err)
	got, err := draws.Range(r, soil.Spread{Model: 0.25})
	require.NoError(t, err)
	sigma := math.Sqrt(math.Log(1 + 0.25*0.25))
	for z, f := range map[float64]survey.Force{-1.6448536: got.Low, 0: got.Median, 1.6448536: got.High} {
		near(t, want.Pull.Newtons()*math.Exp(z*sigma-sigma*sigma/2), f.Newtons(), 2e-3, fmt.Sprint(z))
	}
}

func TestRangeConverges(t *testing.T) {
	few, err := soil.NewDraws(soil.UsualDraws)
	require.NoError(t, err)
	many, err := soil.NewDraws(20000)
	require.NoError(t, err)
	sand := base(1, 250, 1, 1, 1)
	sand.Ground = soil.SandOf(33 * geo.Degree)
	for _, r := range []soil.Rig{base(15, 250, 1, 1, 1), base(48, 250, 1), base(48, 250, 3, 2, 1), base(100, 250, 1, 1), sand} {
		a, err := few.Range(r, soil.UsualSpread())
		require.NoError(t, err)
		b, err := many.Range(r, soil.UsualSpread())
		require.NoError(t, err)
		near(t, b.Low.Newtons(), a.Low.Newtons(), 0.04, "low")
		near(t, b.Median.Newtons(), a.Median.Newtons(), 0.04, "median")
		near(t, b.High.Newtons(), a.High.Newtons(), 0.04, "high")
	}
}

func TestRangeLaws(t *testing.T) {
	draws, err := soil.NewDraws(soil.UsualDraws)
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		r := anyRig(t)
		s := soil.UsualSpread()
		s.Cu = rapid.Float64Range(0, 1).Draw(t, "cov")
		got, err := draws.Range(r, s)
		require.NoError(t, err)
		assert.Less(t, 0.0, float64(got.Low))
		assert.Less(t, got.Low, got.Median)
		assert.Less(t, got.Median, got.High)
		assert.False(t, math.IsInf(float64(got.High), 0))
		again, err := draws.Range(r, s)
		require.NoError(t, err)
		assert.Equal(t, got, again, "same question, same answer")
	})
}

func TestRangeRefusals(t *testing.T) {
	_, err := soil.NewDraws(3)
	assert.Error(t, err)
	draws, err := soil.NewDraws(8)
	require.NoError(t, err)
	_, err = draws.Range(base(48, 250), soil.UsualSpread())
	assert.Error(t, err, "no rows")
	_, err = draws.Range(base(48, 250, 1), soil.Spread{Model: math.NaN()})
	assert.Error(t, err, "spread that is no number")
	steep := base(1, 250, 1)
	steep.Ground = soil.SandOf(30 * geo.Degree)
	steep.Ground.Fall = 40 * geo.Degree
	got, err := draws.Range(steep, soil.Spread{})
	require.NoError(t, err)
	assert.Zero(t, got.High, "sand steeper than its friction angle lends nothing")
}

func BenchmarkRange(b *testing.B) {
	draws, err := soil.NewDraws(soil.UsualDraws)
	if err != nil {
		b.Fatal(err)
	}
	r, s := base(47.88, 250, 1, 1, 1), soil.UsualSpread()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := draws.Range(r, s); err != nil {
			b.Fatal(err)
		}
	}
}
