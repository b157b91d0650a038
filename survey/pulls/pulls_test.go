package pulls_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/pulls"
)

// at is a point in firm clay loam with the given pulls.
func at(id string, tests ...survey.PullTest) survey.Point {
	return survey.Point{
		ID: id, Site: "s", Label: id,
		Ground: survey.Ground{
			Texture: survey.ClayLoam, Moisture: survey.Moist, Disturbed: survey.No,
			Tests: []survey.GroundTest{{Kind: survey.PocketPenetrometer, Reading: survey.Num(2), Unit: "tsf"}, {Kind: survey.Visual, Reading: survey.Word("clumps")}},
		},
		PullTests: tests,
	}
}

func pulled(rig string, kN float64, o survey.TestOutcome, day int) survey.PullTest {
	return survey.PullTest{Rig: rig, ForceKN: kN, Outcome: o, At: survey.Known(time.Date(2026, 4, day, 0, 0, 0, 0, time.UTC))}
}

// Five tests of unknown scatter take k_n 2.33 (EN 1990:2002, Table D1, row
// "V_X unknown"). With 10, 12, 14, 16 and 18 kN, by a pocket calculator: m of
// ln F 2.6179, s 0.2322, so exp(m - 2.33 s) is 7.98 kN and exp(m) 13.71 kN.
func TestValue(t *testing.T) {
	log := pulls.Read([]survey.Point{
		at("A", pulled("1-1", 10, survey.Moved, 1), pulled("1-1", 12, survey.Held, 2), pulled("1-1", 14, survey.Failed, 3)),
		at("B", pulled("1-1", 16, survey.Moved, 4), pulled("1-1", 18, survey.Held, 5), pulled("1", 3, survey.Held, 6), pulled("T1", 30, survey.Held, 7)),
	}, map[string]survey.Site{"s": {ID: "s", Code: "S-1"}})
	require.Len(t, log.Groups, 2)
	one, two := log.Groups[0], log.Groups[1]
	assert.Equal(t, "1", one.Rig)
	assert.False(t, one.Value.Known())
	assert.Equal(t, 2, one.Needed())

	assert.Equal(t, "1-1", two.Rig)
	assert.Equal(t, survey.ClassA, two.Class)
	assert.Equal(t, survey.FactorA, two.Factor)
	c, ok := two.Value.Get()
	require.True(t, ok)
	assert.InDelta(t, 7.98, c.Value.Kilonewtons(), 0.02)
	assert.InDelta(t, 13.71, c.Median.Kilonewtons(), 0.01)
	assert.InDelta(t, 2.33, c.Factor, 0.01)
	assert.Equal(t, 2, c.Stopped, "held ones")
	day, _ := two.Tests[0].At.Get()
	assert.Equal(t, 5, day.Day(), "the latest first")
	assert.Equal(t, "S-1", two.Tests[0].Site.Code)

	require.Len(t, log.Found, 1)
	assert.Equal(t, "T1", log.Found[0].Rig)
}

func TestKindsOfGroundStandApart(t *testing.T) {
	wet, dug, vague := at("A", pulled("1", 3, survey.Held, 1)), at("B", pulled("1", 3, survey.Held, 1)), at("C", pulled("1", 3, survey.Held, 1))
	wet.Ground.Moisture = survey.Wet
	dug.Ground.Disturbed = survey.AnswerUnknown
	vague.Ground = survey.Ground{Disturbed: survey.No}
	log := pulls.Read([]survey.Point{wet, dug, vague, at("D", pulled("1", 3, survey.Held, 1))}, nil)
	require.Len(t, log.Groups, 3)
	assert.Len(t, log.Groups[0].Tests, 2, "moisture is of the test, not of the kind")
	assert.True(t, log.Groups[1].Disturbed, "not known is taken as disturbed")
	assert.Equal(t, survey.ClassUnknown, log.Groups[2].Class)
}

// Nothing is made of tests in ground of no known class, and of pulls of no force.
func TestNoValue(t *testing.T) {
	vague := at("A", pulled("1", 3, survey.Held, 1), pulled("1", 4, survey.Held, 2), pulled("1", 5, survey.Held, 3))
	vague.Ground = survey.Ground{}
	log := pulls.Read([]survey.Point{vague, at("B", pulled("1", 0, survey.Held, 1), pulled("1", 0, survey.Held, 2), pulled("1", 0, survey.Held, 3))}, nil)
	for _, g := range log.Groups {
		assert.False(t, g.Value.Known(), g.Class)
	}
}

// NAVEDTRA 14251: a single holds about 700 lbf in undisturbed loam; halved in
// ground of class B by the default policy's factor.
func TestRated(t *testing.T) {
	p := survey.Policy{
		Ratings:       []survey.Rating{{Rig: "1", HoldingN: 3113.755}},
		GroundFactors: []survey.GroundFactor{{Ground: survey.FactorB, Factor: survey.Known(0.5)}, {Ground: survey.FactorSand}},
	}
	f, ok := pulls.Group{Rig: "1", Factor: survey.FactorB}.Rated(p).Get()
	require.True(t, ok)
	assert.InDelta(t, 350, f.Pounds(), 0.1)
	for name, g := range map[string]pulls.Group{
		"another rig":        {Rig: "1-1", Factor: survey.FactorB},
		"no factor":          {Rig: "1", Factor: survey.FactorA},
		"ground of no use":   {Rig: "1", Factor: survey.FactorSand},
		"ground not settled": {Rig: "1"},
	} {
		assert.False(t, g.Rated(p).Known(), name)
	}
}
