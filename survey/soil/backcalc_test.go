package soil_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/soil"
)

// Pulls held on one usual stake and the strengths they show, lbf and kPa, by an
// independent solution of the same limit equilibrium, printed to two or three figures.
func TestStrengthFromPull(t *testing.T) {
	for pull, want := range map[float64]float64{300: 20.5, 400: 27.5, 450: 30.9, 500: 34.4, 600: 42.3, 650: 53, 700: 65} {
		cu, err := soil.CuFromPull(base(1, 250, 1), survey.Force(pull)*survey.PoundForce)
		require.NoError(t, err)
		near(t, want, cu.Kilopascals(), 0.015, "")
	}
}

func TestStrengthFromPullLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyRig(t)
		r.Ground = soil.ClayOf(survey.Pressure(rapid.Float64Range(1e3, 500e3).Draw(t, "true cu")))
		c := collapse(t, r)
		cu, err := soil.CuFromPull(r, c.Pull)
		require.NoError(t, err)
		r.Ground.Cu = cu
		assert.InEpsilon(t, float64(c.Pull), float64(collapse(t, r).Pull), 1e-6, "the strength found holds the pull")
	})
}

func TestStrengthFromPullRefusals(t *testing.T) {
	_, err := soil.CuFromPull(base(1, 250, 1), 50*kN)
	assert.ErrorIs(t, err, soil.ErrBarFirst)
	sand := base(1, 250, 1)
	sand.Ground = soil.SandOf(30 * geo.Degree)
	for name, r := range map[string]soil.Rig{"sand": sand, "no rows": base(1, 250)} {
		_, err := soil.CuFromPull(r, 1*kN)
		assert.Error(t, err, name)
	}
	_, err = soil.CuFromPull(base(1, 250, 1), 0)
	assert.Error(t, err, "no pull")
}
