package rig_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/ground"
	"holdfast/survey/rig"
)

func TestScreeningWords(t *testing.T) {
	for condition, fails := range map[string]bool{
		"living, well rooted": false, "dead": true, "Dying back": true, "rotten at the base": true, "root rot": true, "trunk CRACKED": true,
		"no visible cracks": false, "not dead": false, "without rust": false, "corroded bolts": true, "undercut by the river": true,
		"protected by a rail": false, "sound": false, "loose in the ground": true, "sound, not dead; cracked": true,
	} {
		a := survey.Anchor{ID: "T1", Kind: survey.KindTree, DiameterMM: survey.Known(400.0), Condition: condition}
		assert.Equal(t, fails, rig.Screen(a, survey.UnitsUS).Fails != "", condition)
	}
}

// Common practice, no source: a tree under 6 in is no anchor.
func TestCommonPracticeSixInchTree(t *testing.T) {
	tree := func(mm float64) survey.Anchor {
		return survey.Anchor{ID: "T1", Kind: survey.KindTree, DiameterMM: survey.Known(mm), Condition: "living"}
	}
	assert.NotEmpty(t, rig.Screen(tree(150), survey.UnitsUS).Fails)
	assert.Empty(t, rig.Screen(tree(152.4), survey.UnitsUS).Fails)
	assert.NotEmpty(t, rig.Screen(survey.Anchor{ID: "T1", Kind: survey.KindTree, Condition: "living"}, survey.UnitsUS).Missing)
}

func log(depth, length, face geo.Length) survey.Anchor {
	return survey.Anchor{
		ID: "D1", Kind: survey.KindDeadman, Condition: "planned", DepthM: survey.Known(depth), LengthM: survey.Known(length),
		DiameterMM: survey.Known(float64(face / geo.Millimetre)),
	}
}

// source: TM 5-5420-278-10, WP 0035, Table 9: mean depth 5 ft, line 1:1 (the
// slope it has one assume when none is known): 2,800 lb/ft² in loam, half in
// wet or sandy ground; the cable's trench takes 1 ft of the length.
func TestDeadmanByTheTable(t *testing.T) {
	p := policy(t)
	c := clay(survey.ClassA)
	a := rig.Surveyed(log(5*geo.Foot, 5*geo.Foot, 1*geo.Foot), &c, &p)
	assert.InDelta(t, 2800*4*lbf, figure(t, a, survey.Handbook).HoldingN, 1)
	c.Surveyed = survey.Wet
	a = rig.Surveyed(log(5*geo.Foot, 5*geo.Foot, 1*geo.Foot), &c, &p)
	assert.InDelta(t, 1400*4*lbf, figure(t, a, survey.Handbook).HoldingN, 1)
	c.Surveyed, c.Ground.Factor = survey.Moist, survey.FactorCCohesive
	a = rig.Surveyed(log(5*geo.Foot, 5*geo.Foot, 1*geo.Foot), &c, &p)
	assert.InDelta(t, 1400*4*lbf, figure(t, a, survey.Handbook).HoldingN, 1, "soft or disturbed ground counts as the half")
}

// source: ½ Kp γ cos² θ + γ tan φ sin² θ times depth squared, γ 105 lb/ft³, φ 32°,
// at 45°: (170.9 + 65.6)/2 lb/ft² per ft² of depth, within 14 % above the table.
func TestDeadmanPassiveCheck(t *testing.T) {
	p := policy(t)
	c := clay(survey.ClassA)
	a := rig.Surveyed(log(5*geo.Foot, 5*geo.Foot, 1*geo.Foot), &c, &p)
	assert.InEpsilon(t, (170.9+65.6)/2*25*4*lbf, figure(t, a, survey.Mechanics).HoldingN, 0.002)
	assert.Equal(t, survey.Handbook, a.Governs, "the lower governs")
	a = rig.Surveyed(log(5*geo.Foot, 7*geo.Foot, 3*geo.Foot), &c, &p)
	assert.Equal(t, survey.Mechanics, a.Governs, "earth pressure does not grow with a tall face")
}

func TestDeadmanRules(t *testing.T) {
	p := policy(t)
	c := clay(survey.ClassA)
	// source: TM 5-5420-278-10: length over diameter of a log at most 5.
	assert.Empty(t, rig.Screen(log(1.5, 1.5, 0.3), survey.UnitsUS).Fails)
	assert.NotEmpty(t, rig.Screen(log(1.5, 1.6, 0.3), survey.UnitsUS).Fails)
	timber := log(1.5, 2.7, 0.3) // and of a timber 9
	timber.Material = "oak timber"
	assert.Empty(t, rig.Screen(timber, survey.UnitsUS).Fails)
	assert.NotEmpty(t, rig.Screen(log(0.5, 1.2, 0.3), survey.UnitsUS).Fails, "the table begins at 3 ft")
	without := survey.Anchor{ID: "D1", Kind: survey.KindDeadman, Condition: "planned"}
	assert.False(t, rig.Surveyed(without, &c, &p).HoldingN.Known(), "no measures, no figure")
	assert.Len(t, rig.Screen(without, survey.UnitsUS).Missing, 3)
	unknown := c
	unknown.Ground = ground.Result{Class: survey.ClassUnknown}
	assert.False(t, rig.Surveyed(log(1.5, 1.5, 0.3), &unknown, &p).HoldingN.Known(), "unknown ground, no figure")
	frozen := c
	frozen.Tonight = survey.Frozen
	assert.False(t, rig.Surveyed(log(1.5, 1.5, 0.3), &frozen, &p).HoldingN.Known())
}

func TestDeadmanLaws(t *testing.T) {
	p := policy(t)
	rapid.Check(t, func(t *rapid.T) {
		depth, face := geo.Length(rapid.Float64Range(0.92, 2.1).Draw(t, "depth")), geo.Length(rapid.Float64Range(0.2, 0.6).Draw(t, "face"))
		length := face * geo.Length(rapid.Float64Range(2, 4.5).Draw(t, "slenderness"))
		c := clay(rapid.SampledFrom([]survey.GroundClass{survey.ClassA, survey.ClassB, survey.ClassC}).Draw(t, "class"))
		hold := func(a survey.Anchor, c rig.Conditions) float64 {
			v, _ := rig.Surveyed(a, &c, &p).HoldingN.Get()
			return v
		}
		base := hold(log(depth, length, face), c)
		assert.LessOrEqual(t, base, hold(log(depth+0.05, length, face), c)+1e-9, "deeper")
		assert.LessOrEqual(t, base, hold(log(depth, length*1.1, face), c)+1e-9, "longer")
		for _, m := range []survey.Moisture{survey.Wet, survey.Submerged, ""} {
			w := c
			w.Surveyed = m
			assert.LessOrEqual(t, hold(log(depth, length, face), w), base+1e-9, "wetter or unknown: %q", m)
		}
	})
}

func TestSurveyedAnchors(t *testing.T) {
	p := policy(t)
	c := clay(survey.ClassA)
	tree := survey.Anchor{ID: "T1", Kind: survey.KindTree, Condition: "living", RatedKN: survey.Known(40.0), Evidence: survey.Handbook}
	assert.InDelta(t, 40000, holding(t, rig.Surveyed(tree, &c, &p)), 1e-9)
	tree.Evidence = survey.Assumed
	assert.False(t, rig.Surveyed(tree, &c, &p).HoldingN.Known(), "assumed: shown, not used")
	assert.Len(t, rig.Surveyed(tree, &c, &p).Evidence, 1)
	tree.Evidence = survey.TestedHere
	c.Tests = []survey.PullTest{pull("T1", 10, survey.Failed)}
	assert.InDelta(t, 10000, holding(t, rig.Surveyed(tree, &c, &p)), 1e-9, "a failed pull caps everything")
	tree.RatedKN, tree.Evidence = survey.Opt[float64]{}, ""
	c.Tests = []survey.PullTest{pull("T1", 10, survey.Held)}
	a := rig.Surveyed(tree, &c, &p)
	assert.InDelta(t, 10000, holding(t, a), 1e-9)
	assert.Equal(t, survey.TestedHere, a.Governs)
	c.Tests[0].Outcome = survey.Failed
	a = rig.Surveyed(tree, &c, &p)
	assert.False(t, a.HoldingN.Known(), "what failed gives no rating")
	most, _ := a.MostN.Get()
	assert.InDelta(t, 10000, most, 1e-9, "and bounds every other")
	c.Tests[0].Outcome = survey.Held
	c.Tonight = survey.Submerged
	assert.False(t, rig.Surveyed(tree, &c, &p).HoldingN.Known(), "rooted in drier ground when it was pulled")
}
