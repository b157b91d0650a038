package soil_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/soil"
)

// anyRig draws a rig of the usual kind in clay or sand.
func anyRig(t *rapid.T) soil.Rig {
	g := soil.BaseGeometry()
	g.Bar.Diameter = geo.Length(rapid.Float64Range(0.012, 0.08).Draw(t, "diameter"))
	g.Bar.Yield = survey.Pressure(rapid.Float64Range(200e6, 600e6).Draw(t, "yield"))
	g.Length = geo.Length(rapid.Float64Range(0.9, 1.6).Draw(t, "length"))
	g.Embedment = g.Length * geo.Length(rapid.Float64Range(0.4, 0.8).Draw(t, "driven"))
	out := g.Length - g.Embedment
	g.LashBelowHead = out * geo.Length(rapid.Float64Range(0, 0.3).Draw(t, "lash"))
	g.RopeHeight = out * geo.Length(rapid.Float64Range(0, 0.6).Draw(t, "rope"))
	g.Spacing = geo.Length(rapid.Float64Range(0.9, 1.8).Draw(t, "spacing"))
	g.Lean = geo.Degrees(rapid.Float64Range(0, 30).Draw(t, "lean"))
	g.RopeAngle = geo.Degrees(rapid.Float64Range(-10, 45).Draw(t, "rope angle"))
	g.Lashing.Slack = geo.Length(rapid.Float64Range(0, 0.02).Draw(t, "slack"))
	g.Lashing.Strength = survey.Force(rapid.Float64Range(500, 50e3).Draw(t, "lash strength"))
	r := soil.Rig{Geometry: g, Rows: rapid.SliceOfN(rapid.IntRange(1, 4), 1, 4).Draw(t, "rows")}
	if rapid.Bool().Draw(t, "clay") {
		r.Ground = soil.ClayOf(survey.Pressure(rapid.Float64Range(8e3, 200e3).Draw(t, "cu")))
	} else {
		r.Ground = soil.SandOf(geo.Degrees(rapid.Float64Range(25, 45).Draw(t, "phi")))
	}
	r.Ground.DeadTop = g.Embedment * geo.Length(rapid.Float64Range(0, 0.5).Draw(t, "dead top"))
	r.Ground.Fall = geo.Degrees(rapid.Float64Range(0, 20).Draw(t, "fall"))
	return r
}

func collapse(t require.TestingT, r soil.Rig) soil.Collapse {
	c, err := soil.NewCollapse(r)
	require.NoError(t, err)
	return c
}

func TestCollapseLaws(t *testing.T) {
	more := map[string]func(t *rapid.T, r *soil.Rig){
		"a stake more in a row": func(t *rapid.T, r *soil.Rig) {
			r.Rows = append([]int(nil), r.Rows...)
			r.Rows[rapid.IntRange(0, len(r.Rows)-1).Draw(t, "row")]++
		},
		"a row more": func(t *rapid.T, r *soil.Rig) { r.Rows = append(append([]int(nil), r.Rows...), 1) },
		"stronger soil": func(t *rapid.T, r *soil.Rig) {
			r.Ground.Cu *= 1.2
			r.Ground.Phi *= 1.05
		},
		"heavier soil":    func(t *rapid.T, r *soil.Rig) { r.Ground.UnitWeight *= 1.1 },
		"stronger steel":  func(t *rapid.T, r *soil.Rig) { r.Bar.Yield *= 1.2 },
		"stronger lash":   func(t *rapid.T, r *soil.Rig) { r.Lashing.Strength *= 1.5 },
		"flatter ground":  func(t *rapid.T, r *soil.Rig) { r.Ground.Fall *= 0.7 },
		"less loose top":  func(t *rapid.T, r *soil.Rig) { r.Ground.DeadTop *= 0.7 },
		"longer embedded": func(t *rapid.T, r *soil.Rig) { r.Embedment *= 1.05; r.Length += r.Embedment - r.Embedment/1.05 },
	}
	for name, change := range more {
		t.Run(name+" never holds less", func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				r := anyRig(t)
				before := collapse(t, r)
				change(t, &r)
				after := collapse(t, r)
				assert.GreaterOrEqual(t, float64(after.Pull), float64(before.Pull)*(1-1e-9))
			})
		})
	}
	t.Run("a flatter rope is never credited with less", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			r := anyRig(t)
			before := collapse(t, r)
			r.RopeAngle -= 0.05
			if r.RopeAngle > r.Lean {
				assert.GreaterOrEqual(t, float64(collapse(t, r).Credited), float64(before.Credited)*(1-1e-9))
			}
		})
	})
	t.Run("every figure is positive, finite and in order", func(t *testing.T) {
		rapid.Check(t, func(t *rapid.T) {
			c := collapse(t, anyRig(t))
			assert.Greater(t, float64(c.Pull), 0.0)
			assert.False(t, math.IsInf(float64(c.Pull), 0))
			assert.Greater(t, float64(c.FirstYield), 0.0)
			assert.LessOrEqual(t, c.FirstYield, c.Pull)
			assert.LessOrEqual(t, c.Credited, c.Pull)
			assert.Greater(t, float64(c.Credited), 0.0)
			assert.NotEqual(t, "unknown", c.Governs.String())
		})
	})
}

func BenchmarkCollapse(b *testing.B) {
	r := base(47.88, 250, 1, 1, 1)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := soil.NewCollapse(r); err != nil {
			b.Fatal(err)
		}
	}
}
