package load_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/load"
)

// source: statics; the three rows are tabulated for mu 0.4 as 0.154/0.846,
// 0.424/0.990 and 0.666/1.066 of the weight.
func TestOnSlope(t *testing.T) {
	for _, c := range []struct{ deg, hold, raise float64 }{{30, 0.154, 0.846}, {45, 0.424, 0.990}, {60, 0.666, 1.066}} {
		h, r := load.OnSlope(1000, geo.Degrees(c.deg), 0.4)
		assert.InDelta(t, c.hold*1000, h.Newtons(), 0.5)
		assert.InDelta(t, c.raise*1000, r.Newtons(), 0.5)
	}
	h, r := load.OnSlope(1000, geo.Degrees(90), 0.4)
	assert.InDelta(t, 1000, h.Newtons(), 1e-9, "vertical is the weight, friction or not")
	assert.InDelta(t, 1000, r.Newtons(), 1e-9)
	h, _ = load.OnSlope(1000, geo.Degrees(10), 0.4)
	assert.Zero(t, h, "a load that friction holds does not pull")
}

// source: statics of two equal legs and of a folded rope; the usual chart
// values at 0, 30, 60, 90, 120 and 150° of interior angle.
func TestLegsAndRedirect(t *testing.T) {
	for _, c := range []struct{ deg, leg, redirect float64 }{
		{0, 0.5, 2}, {30, 0.5176, 1.9319}, {60, 0.5774, 1.7321}, {90, 0.7071, 1.4142}, {120, 1, 1}, {150, 0, 0.5176},
	} {
		assert.InDelta(t, c.redirect, load.Redirect(1, geo.Degrees(c.deg)).Newtons(), 5e-5)
		leg, warn, err := load.Leg(1, geo.Degrees(c.deg))
		if c.deg > 120 {
			require.ErrorIs(t, err, survey.ErrInvalid)
			continue
		}
		require.NoError(t, err)
		assert.InDelta(t, c.leg, leg.Newtons(), 5e-5)
		assert.Equal(t, c.deg > 90, warn != "", "warned above 90°")
	}
}

// source: tension method. Simple n:1 at efficiency e gives 1+e+…+e^(n−1):
// 3:1 at 0.9, 0.75, 0.5 is 2.71, 2.31, 1.75; 5:1 is 4.10, 3.05, 1.94;
// 9:1 compound is the square of the 3:1: 7.34, 5.35, 3.06.
func TestHaulAdvantage(t *testing.T) {
	for _, c := range []struct {
		system     string
		efficiency float64
		want       float64
	}{
		{"1:1", 0.9, 1},
		{"2:1", 1, 2},
		{"4:1", 1, 4},
		{"3:1", 0.9, 2.71},
		{"3:1", 0.75, 2.31},
		{"3:1", 0.5, 1.75},
		{"5:1", 0.9, 4.10},
		{"5:1", 0.75, 3.05},
		{"5:1", 0.5, 1.94},
		{"6:1", 1, 6},
		{"6:1", 0.9, 1.9 * 2.71},
		{"9:1", 0.9, 7.34},
		{"9:1", 0.75, 5.35},
		{"9:1", 0.5, 3.06},
		{"3:1 cd", 0.9, 2.71 * 0.9},
	} {
		h, err := load.ParseHaul(c.system)
		require.NoError(t, err)
		assert.InDelta(t, c.want, h.Advantage(c.efficiency), 0.006, "%s at %g", c.system, c.efficiency)
	}
	for _, bad := range []string{"", "7:1", "3", "3:2", "-1:1", "3:1 sideways"} {
		_, err := load.ParseHaul(bad)
		assert.ErrorIs(t, err, survey.ErrInvalid, bad)
	}
}

// A 3:1 without losses: the team pulls a third and walks towards the anchor,
// which feels the other two thirds (tension method: the anchor pulley carries
// two strands of T). With a change of direction at a pulley of its own the
// redirect carries 2T and the haul anchor is as before.
func TestHaulForcesWithoutLosses(t *testing.T) {
	for _, c := range []struct {
		system       string
		hand, anchor float64
	}{{"1:1", 3000, 0}, {"2:1", 1500, 1500}, {"3:1", 1000, 2000}, {"3:1 cd", 1000, 2000}, {"5:1", 600, 2400}, {"6:1", 500, 2500}, {"9:1", 333.333, 2666.667}} {
		h, err := load.ParseHaul(c.system)
		require.NoError(t, err)
		got := h.Work(3000, 1)
		assert.InDelta(t, c.hand, got.Hand.Newtons(), 0.01, c.system)
		assert.InDelta(t, c.anchor, got.Anchor.Newtons(), 0.01, c.system)
	}
}

func twoPerson() survey.LoadCase {
	// source: 600 lbf two-person load, trade convention; 1 lbf = 4.4482216 N.
	return survey.LoadCase{ID: "two-person", Title: "two-person load", LoadN: 2668.93, Basis: survey.BasisGreater}
}

func TestWork(t *testing.T) {
	r, err := load.Work(twoPerson(), survey.Known(geo.Degrees(35)), 225, 0.8, survey.UnitsSI)
	require.NoError(t, err)
	assert.InDelta(t, 2669, r.ForceOnAnchorN, 0.5, "the hanging load is greater than what the slope asks")
	assert.InDelta(t, 2668.93*0.573576, r.RaisingN, 0.1) // sin 35°, no friction credited

	c := twoPerson()
	c.Friction = 0.6
	r, err = load.Work(c, survey.Known(geo.Degrees(60)), 225, 0.8, survey.UnitsSI)
	require.NoError(t, err)
	assert.InDelta(t, 2668.93*(0.866025+0.6*0.5), r.ForceOnAnchorN, 0.1, "friction makes raising the greater")

	c = twoPerson()
	c.Haul, c.RedirectDeg = "3:1 cd", survey.Known(90.0)
	r, err = load.Work(c, survey.Opt[geo.Angle]{}, 225, 1, survey.UnitsSI)
	require.NoError(t, err)
	hand, _ := r.HaulForceN.Get()
	assert.InDelta(t, 889.64, hand, 0.01) // a third
	people, _ := r.HaulPeople.Get()
	assert.Equal(t, 4.0, people) // 889.64 / 225 = 3.95
	redirect, _ := r.RedirectN.Get()
	assert.InDelta(t, 889.64*1.414214, redirect, 0.01)
	assert.NotEmpty(t, r.Doubts, "an unknown slope is said")
}

// source: W (sin a + μ cos a) is greatest at tan a = 1/μ, where it is W √(1+μ²):
// for μ 0.75 exactly 1.25 W.
func TestUnknownSlopeIsTheWorst(t *testing.T) {
	c := twoPerson()
	c.Friction = 0.75
	r, err := load.Work(c, survey.Opt[geo.Angle]{}, 225, 0.8, survey.UnitsSI)
	require.NoError(t, err)
	assert.InDelta(t, 1.25*2668.93, r.ForceOnAnchorN, 1e-6)
	rapid.Check(t, func(t *rapid.T) {
		c.Friction = rapid.Float64Range(0, 1.5).Draw(t, "mu")
		c.Basis = rapid.SampledFrom([]survey.LoadBasis{survey.BasisGreater, survey.BasisHanging, survey.BasisRaising}).Draw(t, "basis")
		unknown, err := load.Work(c, survey.Opt[geo.Angle]{}, 225, 0.8, survey.UnitsSI)
		require.NoError(t, err)
		at, err := load.Work(c, survey.Known(geo.Degrees(rapid.Float64Range(0, 90).Draw(t, "slope"))), 225, 0.8, survey.UnitsSI)
		require.NoError(t, err)
		assert.LessOrEqual(t, at.ForceOnAnchorN, unknown.ForceOnAnchorN+1e-6)
		assert.Greater(t, at.ForceOnAnchorN, 0.0, "a ratio to nothing says nothing")
	})
}

// The haul anchor and the redirect carry different forces. source: statics; a
// 3:1 without losses pulls 2/3 of the load's tension on its anchor.
func TestEachAnchorHasItsForce(t *testing.T) {
	c := twoPerson()
	c.Haul, c.RedirectDeg = "3:1 cd", survey.Known(120.0)
	r, err := load.Work(c, survey.Known(geo.Degrees(90)), 225, 1, survey.UnitsSI)
	require.NoError(t, err)
	anchor, _ := r.HaulAnchorN.Get()
	redirect, _ := r.RedirectN.Get()
	assert.InDelta(t, 2668.93*2/3, anchor, 0.01)
	assert.InDelta(t, 2668.93/3, redirect, 0.01, "at 120° the redirect carries as much as the rope")

	c.Haul = "" // the main line itself bent round a redirect
	r, err = load.Work(c, survey.Known(geo.Degrees(90)), 225, 1, survey.UnitsSI)
	require.NoError(t, err)
	redirect, _ = r.RedirectN.Get()
	assert.InDelta(t, 2668.93, redirect, 0.01)
	assert.InDelta(t, 2668.93, r.ForceOnAnchorN, 0.01)
}

func TestPeopleAreWhole(t *testing.T) {
	c := twoPerson()
	c.LoadN, c.Haul = 2700, "3:1" // source: 2,700 / 3 = 900 = 4 × 225 N
	r, err := load.Work(c, survey.Known(geo.Degrees(90)), 225, 1, survey.UnitsSI)
	require.NoError(t, err)
	people, _ := r.HaulPeople.Get()
	assert.Equal(t, 4.0, people)
}

func TestFind(t *testing.T) {
	p := survey.Policy{LoadCases: []survey.LoadCase{twoPerson()}}
	for id, want := range map[string]float64{
		"": 2668.93, "two-person": 2668.93,
		"200 kg": 1961.33, "3.5 kN": 3500, "600lbf": 2668.93, // source: g = 9.80665 m/s²
		" 3500 N ": 3500, "3.5kn": 3500, "600 LBF": 2668.93, "600 lb": 2668.93, "1e2 kg": 980.665,
	} {
		c, err := load.Find(p, id)
		require.NoError(t, err, id)
		assert.InDelta(t, want, c.LoadN, 0.01, id)
	}
	for _, bad := range []string{"three-person", "-5 kN", "NaN kg", "kg", "600", "1e-9 kN", "1e300 kN", "Inf kg", "0 kg", "5 tons", "3,5 kN"} {
		_, err := load.Find(p, bad)
		assert.ErrorIs(t, err, survey.ErrInvalid, bad)
	}
}

func TestLoadLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := survey.Force(rapid.Float64Range(1, 1e5).Draw(t, "w"))
		a := geo.Degrees(rapid.Float64Range(0, 90).Draw(t, "slope"))
		mu := rapid.Float64Range(0, 1.5).Draw(t, "mu")
		hold, raise := load.OnSlope(w, a, mu)
		assert.LessOrEqual(t, hold, raise+1e-9, "raising never asks less than holding")
		assert.GreaterOrEqual(t, hold, survey.Force(0))
		h, err := load.ParseHaul(rapid.SampledFrom([]string{"1:1", "2:1", "3:1", "4:1", "5:1", "6:1", "9:1", "3:1 cd", "9:1 cd"}).Draw(t, "system"))
		require.NoError(t, err)
		e := rapid.Float64Range(0.3, 1).Draw(t, "e")
		assert.LessOrEqual(t, h.Work(w, 1).Hand, h.Work(w, e).Hand+1e-9, "worse pulleys never ease the haul")
		assert.LessOrEqual(t, h.Work(w, e).Anchor, w+1e-9)
	})
}

// A bare edge as the efficiency of a load case: e^(−μθ), with 0.3 round a right
// angle. source: the capstan equation T₂ = T₁·e^(μθ): e^(0.3·π/2) = 1.6020.
func TestABareEdgeByTheCapstanEquation(t *testing.T) {
	c := survey.LoadCase{ID: "x", Title: "x", LoadN: 1000, EdgeEfficiency: survey.Known(math.Exp(-0.3 * math.Pi / 2))}
	r, err := load.Work(c, survey.Known(90*geo.Degree), 225, 0.9, survey.UnitsSI)
	require.NoError(t, err)
	assert.InDelta(t, 1602.0, r.ForceOnAnchorN, 0.1)
	c.EdgeEfficiency = survey.Opt[float64]{}
	r, err = load.Work(c, survey.Known(90*geo.Degree), 225, 0.9, survey.UnitsSI)
	require.NoError(t, err)
	assert.InDelta(t, 1000, r.ForceOnAnchorN, 1e-9)
	assert.Contains(t, r.Steps[2].Source, "no friction and no loss at the edge", "what is left out is said")
}
