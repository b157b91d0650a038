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

// spoil sets up to three of the fields to any number at all.
func spoil(t *rapid.T, fields ...*float64) {
	for i := range rapid.IntRange(0, 3).Draw(t, "spoilt") {
		f := fields[rapid.IntRange(0, len(fields)-1).Draw(t, fmt.Sprint("field", i))]
		*f = rapid.OneOf(
			rapid.Float64(),
			rapid.SampledFrom([]float64{0, -1, 1e-300, 1e300, math.Inf(1), math.Inf(-1), math.NaN(), math.MaxFloat64}),
			rapid.Map(rapid.Float64Range(-3, 3), func(x float64) float64 { return *f * math.Pow(10, x) }),
		).Draw(t, fmt.Sprint("value", i))
	}
}

// Whatever the numbers, an answer is either an error or a figure that is
// finite and not negative.
func TestNothingPanics(t *testing.T) {
	draws, err := soil.NewDraws(8)
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		r := anyRig(t)
		s := soil.SpringsOf(r.Ground)
		if rapid.Bool().Draw(t, "odd") {
			r.Rows = rapid.SliceOfN(rapid.IntRange(-1, 10), 0, 9).Draw(t, "odd rows")
			r.Ground.Kind = soil.Kind(rapid.IntRange(0, 3).Draw(t, "kind"))
			s.Law = soil.Law(rapid.IntRange(0, 6).Draw(t, "law"))
		}
		x := soil.UsualSpread()
		d := soil.Deadman{Log: true, Length: 3, Face: 0.3, Thickness: 0.3, Depth: 1.5, Line: 0.5, Soil: soil.Loam}
		pull, test := survey.Force(1500), survey.Force(3000)
		spoil(t, (*float64)(&r.Bar.Diameter), (*float64)(&r.Bar.Modulus), (*float64)(&r.Bar.Yield), (*float64)(&r.Length),
			(*float64)(&r.Embedment), (*float64)(&r.RopeHeight), (*float64)(&r.LashBelowHead), (*float64)(&r.Spacing),
			(*float64)(&r.Lean), (*float64)(&r.RopeAngle), (*float64)(&r.Lashing.Strength), &r.Lashing.Stiffness,
			(*float64)(&r.Lashing.Slack), (*float64)(&r.Ground.UnitWeight), (*float64)(&r.Ground.Cu), &r.Ground.J,
			(*float64)(&r.Ground.Phi), (*float64)(&r.Ground.DeadTop), (*float64)(&r.Ground.Fall), &s.Strain50, &s.Subgrade)
		spoil(t, &x.Cu, &x.TanPhi, &x.Model, &x.Yield, (*float64)(&x.Embedment), (*float64)(&x.RopeUp), (*float64)(&x.RopeDown),
			(*float64)(&x.DeadTop), (*float64)(&d.Length), (*float64)(&d.Face), (*float64)(&d.Depth), (*float64)(&d.Line),
			(*float64)(&pull), (*float64)(&test))
		sound := func(name string, err error, figures ...float64) {
			for _, v := range figures {
				assert.True(t, err != nil || v >= 0 && v < math.Inf(1), "%s: %v", name, v)
			}
		}
		c, err := soil.NewCollapse(r)
		sound("collapse", err, float64(c.Pull), float64(c.Credited), float64(c.FirstYield))
		curve, err := soil.NewLoadCurve(r, s, []geo.Length{0.01, 0.05})
		sound("curve", err, float64(curve.FirstYield))
		width, err := draws.Range(r, x)
		sound("range", err, float64(width.Low), float64(width.Median), float64(width.High))
		cu, err := soil.CuFromPull(r, pull)
		sound("strength", err, float64(cu))
		p, err := d.Holds()
		sound("deadman", err, float64(p))
		p, err = d.Passive(r.Ground.UnitWeight, r.Ground.Phi)
		sound("deadman by earth pressure", err, float64(p))
		k, err := soil.NewCharacteristic([]soil.PullTest{{Force: test}, {Force: 4000}, {Force: 5000}})
		sound("characteristic", err, float64(k.Value))
	})
}

func TestRefusals(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*soil.Rig)
		says   string
	}{
		"no rows":            {func(r *soil.Rig) { r.Rows = nil }, "rows of stakes"},
		"too many rows":      {func(r *soil.Rig) { r.Rows = make([]int, 9) }, "rows of stakes"},
		"an empty row":       {func(r *soil.Rig) { r.Rows = []int{1, 0} }, "row 2"},
		"no ground":          {func(r *soil.Rig) { r.Ground = soil.Ground{} }, "soil kind"},
		"no strength":        {func(r *soil.Rig) { r.Ground.Cu = 0 }, "clay strength"},
		"too steep":          {func(r *soil.Rig) { r.Ground.Fall = 41 * geo.Degree }, "falling"},
		"all loose":          {func(r *soil.Rig) { r.Ground.DeadTop = r.Embedment }, "loose top"},
		"driven over length": {func(r *soil.Rig) { r.Embedment = r.Length * 2 }, "shorter than its embedment"},
		"rope over the head": {func(r *soil.Rig) { r.RopeHeight = 0.5 }, "rope height"},
		"rope over the lash": {func(r *soil.Rig) { r.RopeHeight = 0.29 }, "below the rope"},
		"unknown lashing":    {func(r *soil.Rig) { r.Lashing.Strength = 0 }, "lashing strength"},
		"no bar":             {func(r *soil.Rig) { r.Bar = soil.Bar{} }, "bar diameter"},
		"rows on each other": {func(r *soil.Rig) { r.Spacing = 0 }, "spacing"},
	} {
		t.Run(name, func(t *testing.T) {
			r := base(47.88, 250, 1, 1)
			c.change(&r)
			_, err := soil.NewCollapse(r)
			assert.ErrorContains(t, err, c.says)
		})
	}
}

// What is named as the reason is what the case was built to suffer from.
func TestReasons(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*soil.Rig)
		want   soil.Reason
		says   string
	}{
		"soft ground":    {func(r *soil.Rig) { r.Ground.Cu = 12 * kPa }, soil.SoilYields, "soil yields first"},
		"hard ground":    {func(r *soil.Rig) { r.Ground.Cu = 100 * kPa }, soil.BarBends, "front bar bends first"},
		"weak lashing":   {func(r *soil.Rig) { r.Lashing.Strength = 0.5 * kN }, soil.LashingLimits, "lashing limits"},
		"rope at 10 in":  {func(r *soil.Rig) { r.RopeHeight = 10 * geo.Inch }, soil.RopeHigh, "rope high"},
		"steep rope":     {func(r *soil.Rig) { r.RopeAngle = 45 * geo.Degree }, soil.RopeHigh, "rope high"},
		"falling ground": {func(r *soil.Rig) { r.Ground.Fall = 40 * geo.Degree }, soil.GroundFalls, "ground falls away"},
	} {
		t.Run(name, func(t *testing.T) {
			r := base(47.88, 250, 1, 1, 1)
			c.change(&r)
			got, err := soil.NewCollapse(r)
			require.NoError(t, err)
			assert.Equal(t, c.want, got.Governs)
			assert.Equal(t, c.says, got.Governs.String())
		})
	}
}

// A rope tied higher can help a chain on paper (the independent study: 1.12 at
// 4 in), and so can a lean of 30° (1.12 on one stake) or a rope that dips: none
// of it is credited.
func TestCredited(t *testing.T) {
	for name, c := range map[string]struct {
		rows   []int
		change func(*soil.Rig)
	}{
		"rope at 4 in": {[]int{1, 1, 1}, func(r *soil.Rig) { r.RopeHeight = 4 * geo.Inch }},
		"lean 30":      {[]int{1}, func(r *soil.Rig) { r.Lean = 30 * geo.Degree }},
		"rope dips 20": {[]int{1}, func(r *soil.Rig) { r.RopeAngle = -20 * geo.Degree }},
	} {
		t.Run(name, func(t *testing.T) {
			r := base(47.88, 250, c.rows...)
			plain, err := soil.NewCollapse(r)
			require.NoError(t, err)
			assert.Equal(t, plain.Pull, plain.Credited)
			c.change(&r)
			got, err := soil.NewCollapse(r)
			require.NoError(t, err)
			assert.Greater(t, got.Pull, plain.Pull)
			assert.InEpsilon(t, float64(plain.Pull), float64(got.Credited), 1e-12)
		})
	}
}

func ExampleNewCollapse() {
	r := soil.Rig{
		Geometry: soil.BaseGeometry(),
		Ground:   soil.ClayOf(survey.TonPerSquareFoot / 4), // half of 0.5 tsf: the foot of OSHA Type B
		Rows:     []int{1, 1, 1},
	}
	c, err := soil.NewCollapse(r)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f kN, %v\n", c.Pull.Kilonewtons(), c.Governs)
	// Output: 6.0 kN, front bar bends first
}
