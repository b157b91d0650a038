package soil_test

import (
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/soil"
)

// Tolerances, relative: closed forms and the recursion are printed to six
// figures; the springs depend on the mesh.
const (
	closedForm = 1e-5
	recursion  = 1e-4
	springs    = 1e-2
)

const kPa, kN, MPa = survey.Kilopascal, survey.Kilonewton, 1000 * survey.Kilopascal

type check struct {
	ID, Label, Inputs string
	Outputs           map[string]any
}

// num returns an output as a number.
func (c check) num(t *testing.T, name string) float64 {
	t.Helper()
	v, ok := c.Outputs[name].(float64)
	require.True(t, ok, "%s: no number %q", c.ID, name)
	return v
}

func (c check) list(name string) (out []any) {
	out, _ = c.Outputs[name].([]any)
	return out
}

// arg returns the number n-th from the end of the id's dash-separated parts.
func (c check) arg(t *testing.T, n int) float64 {
	t.Helper()
	parts := strings.Split(c.ID, "-")
	v, err := strconv.ParseFloat(parts[len(parts)-n], 64)
	require.NoError(t, err, c.ID)
	return v
}

// checks returns the records of testdata/checks.json whose id begins with
// prefix; its sources are in testdata/SOURCE.md and on each record.
func checks(t *testing.T, prefix string) []check {
	t.Helper()
	data, err := os.ReadFile("testdata/checks.json")
	require.NoError(t, err)
	var all, out []check
	require.NoError(t, json.Unmarshal(data, &all))
	for _, c := range all {
		if strings.HasPrefix(c.ID, prefix) {
			out = append(out, c)
		}
	}
	require.NotEmpty(t, out)
	return out
}

func near(t *testing.T, want, got, tolerance float64, what string) {
	t.Helper()
	if want == 0 {
		assert.InDelta(t, want, got, tolerance, what)
		return
	}
	assert.InEpsilon(t, want, got, tolerance, what)
}

func base(cu, fy float64, rows ...int) soil.Rig {
	r := soil.Rig{Geometry: soil.BaseGeometry(), Ground: soil.ClayOf(survey.Pressure(cu) * kPa), Rows: rows}
	r.Bar.Yield = survey.Pressure(fy) * MPa
	return r
}

func TestBarChecks(t *testing.T) {
	bar := soil.BaseGeometry().Bar
	s1 := checks(t, "S1")[0]
	near(t, s1.num(t, "EI_kNm2"), bar.Stiffness()/1e3, closedForm, "EI")
	near(t, s1.num(t, "My_kNm"), bar.YieldMoment().KilonewtonMetres(), closedForm, "My")
	near(t, s1.num(t, "Mp_kNm"), bar.PlasticMoment().KilonewtonMetres(), closedForm, "Mp")
	near(t, s1.num(t, "kappa_y"), bar.YieldCurvature(), closedForm, "yield curvature")
	for _, c := range checks(t, "S2") {
		k := c.arg(t, 1) * bar.YieldCurvature()
		near(t, c.num(t, "M_kNm"), bar.Moment(k).KilonewtonMetres(), closedForm, c.ID)
		near(t, -c.num(t, "M_kNm"), bar.Moment(-k).KilonewtonMetres(), closedForm, c.ID+" reversed")
	}
}

// One upright stake pulled square to its axis is Broms' own case.
func TestBromsSandChecks(t *testing.T) {
	for _, c := range checks(t, "B3-") {
		phi := geo.Degrees(c.arg(t, 2))
		near(t, c.num(t, "Kp"), soil.PassiveCoefficient(phi, 0), closedForm, c.ID)
		r := upright()
		r.Ground = soil.SandOf(phi)
		r.Ground.UnitWeight = soil.UnitWeight(c.arg(t, 1)) * soil.KilonewtonPerCubicMetre
		got := collapse(t, r)
		near(t, c.num(t, "P_kN_two_sided"), got.Pull.Kilonewtons(), closedForm, c.ID)
		assert.Equal(t, c.Outputs["mode"], got.Modes[0].String(), c.ID)
	}
}

// In clay Broms counts nothing for 1.5 diameters and 9 cu D below, where our
// limit after Matlock grows from 3 to 9: never more, and not by much less.
func TestBromsClayChecks(t *testing.T) {
	broms := func(name string, want float64, r soil.Rig) {
		share := collapse(t, r).Pull.Kilonewtons() / want
		assert.True(t, share > 0.8 && share <= 1, "%s: %.3f of Broms", name, share)
	}
	r := upright()
	r.Bar = soil.Bar{Diameter: 0.305, Modulus: soil.Steel, Yield: survey.Pressure(math.Inf(1))}
	r.Length, r.Embedment, r.RopeHeight = 4, 2.44, 0.61
	r.Ground = soil.ClayOf(47.9 * kPa)
	broms("published example", checks(t, "B0")[0].num(t, "P_kN_published_root"), r)
	for _, c := range checks(t, "B1-") {
		r := upright()
		r.Bar.Yield = survey.Pressure(math.Inf(1))
		if !strings.Contains(c.ID, "None") {
			r.Bar.Yield = survey.Pressure(c.arg(t, 1)) * MPa
		}
		r.Ground = soil.ClayOf(survey.Pressure(c.arg(t, 2)) * kPa)
		broms(c.ID, c.num(t, "P_kN"), r)
	}
}

func TestGroundChecks(t *testing.T) {
	for _, c := range checks(t, "Q1-") {
		fall := geo.Degrees(c.arg(t, 1))
		near(t, c.num(t, "Kp"), soil.PassiveCoefficient(35*geo.Degree, fall), closedForm, c.ID)
		near(t, c.num(t, "clay_factor"), soil.WedgeFactor(fall), closedForm, c.ID)
	}
	for _, c := range checks(t, "L0-") {
		s, q := soil.LimitIntegrals(soil.ClayOf(47.88*kPa), 0.0254, c.arg(t, 1))
		near(t, c.num(t, "S_kN"), s/1e3, closedForm, c.ID)
		near(t, c.num(t, "Q_kNm"), q/1e3, closedForm, c.ID)
	}
	g1, g := checks(t, "G1")[0], soil.BaseGeometry()
	near(t, g1.num(t, "crope"), g.RopeFactor(), closedForm, "rope factor")
	near(t, g1.num(t, "clash"), g.LashFactor(), closedForm, "lashing factor")
	near(t, g1.num(t, "lash_angle_deg"), g.LashAngle().Degrees(), closedForm, "lashing angle")
}

func TestRecursionChecks(t *testing.T) {
	changes := map[string]func(*soil.Rig){
		"Le=.6096":           func(r *soil.Rig) { r.Embedment = 0.6096 },
		"Le=.8128":           func(r *soil.Rig) { r.Embedment = 0.8128 },
		"e=.1524":            func(r *soil.Rig) { r.RopeHeight = 0.1524 },
		"slope 30 deg":       func(r *soil.Rig) { r.Ground.Fall = 30 * geo.Degree },
		"lash strength 1 kN": func(r *soil.Rig) { r.Lashing.Strength = 1 * kN },
		"lean 0":             func(r *soil.Rig) { r.Lean = 0 },
		"D=.01905":           func(r *soil.Rig) { r.Bar.Diameter = 0.01905 },
	}
	verify := func(c check, r soil.Rig) {
		t.Run(c.ID, func(t *testing.T) {
			got, err := soil.NewCollapse(r)
			require.NoError(t, err)
			near(t, c.num(t, "P_kN"), got.Pull.Kilonewtons(), recursion, "pull")
			for i, tie := range c.list("ties_kN") {
				near(t, tie.(float64), got.Ties[i].Kilonewtons(), recursion, "tie")
			}
			for i, mode := range c.list("modes") {
				assert.Equal(t, mode, got.Modes[i].String(), "mode of row %d", i)
			}
		})
	}
	for _, c := range checks(t, "L1-") {
		var rows []int
		parts := strings.Split(c.ID, "-")
		for _, p := range parts[2 : len(parts)-1] {
			n, err := strconv.Atoi(p)
			require.NoError(t, err)
			rows = append(rows, n)
		}
		cu, err := strconv.ParseFloat(parts[1], 64)
		require.NoError(t, err)
		verify(c, base(cu, c.arg(t, 1), rows...))
	}
	for _, c := range checks(t, "L2-") {
		parts := strings.Split(c.ID, "-")
		change := changes[parts[1]]
		require.NotNil(t, change, c.ID)
		r := base(47.88, 250, []int{1, 1, 1}[:int(c.arg(t, 1))]...)
		change(&r)
		verify(c, r)
	}
}
