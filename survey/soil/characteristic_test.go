package soil_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/survey"
	"holdfast/survey/soil"
)

// EN 1990:2002, Table D1, k_n for the 5 % characteristic value, V_X unknown
// (from memory). It prints two decimals, and 2.00 for 2.0095 and 1.76 for 1.7718.
func TestCharacteristicFactorTable(t *testing.T) {
	for n, want := range map[int]float64{3: 3.37, 4: 2.63, 5: 2.33, 6: 2.18, 8: 2.00, 10: 1.92, 20: 1.76, 30: 1.73, 1e6: 1.64} {
		got, err := soil.CharacteristicFactor(n)
		require.NoError(t, err)
		assert.InDelta(t, want, got, 0.0125, "n = %d", n)
	}
	for _, n := range []int{-1, 0, 1, 2} {
		_, err := soil.CharacteristicFactor(n)
		assert.ErrorIs(t, err, soil.ErrTooFewTests)
	}
}

// Student's t exceeded with probability 0.05 (Abramowitz and Stegun, Table
// 26.10, from memory), as k_n/√(1+1/n) with n-1 degrees of freedom.
func TestStudent(t *testing.T) {
	for freedom, want := range map[int]float64{2: 2.920, 3: 2.353, 4: 2.132, 5: 2.015, 7: 1.895, 10: 1.812, 20: 1.725, 30: 1.697, 60: 1.671, 120: 1.658} {
		n := freedom + 1
		k, err := soil.CharacteristicFactor(n)
		require.NoError(t, err)
		assert.InDelta(t, want, k/math.Sqrt(1+1/float64(n)), 6e-4, "%d degrees of freedom", freedom)
	}
	// The series ends and the expansion begins at 200: no step between them.
	before, err := soil.CharacteristicFactor(201)
	require.NoError(t, err)
	after, err := soil.CharacteristicFactor(202)
	require.NoError(t, err)
	assert.InDelta(t, before, after, 1e-4)
}

// By hand from EN 1990:2002 D7.2: forces e⁹, e⁹·⁵, e¹⁰ N have m = 9.5, s = 0.5,
// k_3 = 2.91999 √(4/3) = 3.37171, so exp(9.5 - 1.685857) = 2475.3 N.
func TestCharacteristicByHand(t *testing.T) {
	got, err := soil.NewCharacteristic([]soil.PullTest{
		{Force: survey.Force(math.Exp(9))}, {Force: survey.Force(math.Exp(9.5)), Stopped: true}, {Force: survey.Force(math.Exp(10))},
	})
	require.NoError(t, err)
	near(t, math.Exp(9.5-0.5*2.919986*math.Sqrt(4.0/3)), got.Value.Newtons(), 1e-5, "characteristic value")
	near(t, math.Exp(9.5), got.Median.Newtons(), 1e-9, "median")
	near(t, 0.5, got.Scatter, 1e-9, "scatter")
	assert.Equal(t, 3, got.Tests)
	assert.Equal(t, 1, got.Stopped)
}

func TestCharacteristicLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		forces := rapid.SliceOfN(rapid.Float64Range(100, 50e3), 3, 30).Draw(t, "forces")
		tests := make([]soil.PullTest, len(forces))
		most := 0.0
		for i, f := range forces {
			tests[i].Force = survey.Force(f)
			most = max(most, f)
		}
		got, err := soil.NewCharacteristic(tests)
		require.NoError(t, err)
		assert.LessOrEqual(t, float64(got.Value), most*(1+1e-9))
		assert.LessOrEqual(t, float64(got.Value), float64(got.Median)*(1+1e-9))
		assert.Greater(t, float64(got.Value), 0.0)
	})
	_, err := soil.NewCharacteristic([]soil.PullTest{{Force: 5}, {Force: 5}})
	assert.ErrorIs(t, err, soil.ErrTooFewTests)
	_, err = soil.NewCharacteristic([]soil.PullTest{{Force: 5}, {Force: 5}, {Force: survey.Force(math.NaN())}})
	assert.Error(t, err)
}
