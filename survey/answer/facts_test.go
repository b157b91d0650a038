package answer_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/surround"
)

const lbf = 4.4482216152605 // N, exact pound and standard gravity

// Common practice, no source, as check values.

func TestCommonPracticeTenKilonewtons(t *testing.T) {
	assert.InDelta(t, 2250, (10 * survey.Kilonewton).Pounds(), 5, "10 kN is about 2,250 lbf")
}

func TestCommonPracticeTwoPersonLoad(t *testing.T) {
	a := ask(t, firm())
	assert.InDelta(t, 600, a.LoadCase.Force().Pounds(), 1e-6)
	assert.Equal(t, 10.0, a.RequiredRatio, "10:1 is required")
}

func TestCommonPracticeRatings(t *testing.T) {
	a := ask(t, firm(), func(in *answer.Input) { in.Policy.SharingRigs.Value = 1 })
	for rig, pounds := range map[string]float64{"1": 700, "1-1": 1400} {
		hold, _ := option(t, a, rig).Main.Anchor.HoldingN.Get()
		assert.InDelta(t, pounds, hold/lbf, 0.01, rig)
	}
	// 1-1-1: "about 2,000" is quoted; the lower published 1,800 is used.
	three := option(t, a, "1-1-1").Main.Anchor
	hold, _ := three.HoldingN.Get()
	assert.InDelta(t, 1800, hold/lbf, 0.01)
	assert.Contains(t, three.Evidence[0].Note, "2,000 lbf")
}

func TestCommonPracticeSixThousandTestedGivesTenToOne(t *testing.T) {
	p := firm()
	p.PullTests = []survey.PullTest{{Rig: "1-1-1", ForceKN: 6000 * lbf / 1000, Outcome: survey.Held}}
	o := option(t, ask(t, p), "1-1-1")
	assert.InDelta(t, 10, ratio(o), 1e-9)
	assert.Equal(t, answer.Holds, o.Verdict)
	// Both statements appear, never blended: 3:1 by the handbook stands beside it.
	said := strings.Join(o.Main.Reasons, "; ")
	assert.Contains(t, said, "(tested here) against")
	assert.Contains(t, said, "handbook 3:1")
}

func TestCommonPracticeDisturbedOrWeakerGroundLowersTheFigure(t *testing.T) {
	figure := func(change func(*survey.Point)) float64 {
		p := firm()
		change(&p)
		hold, _ := option(t, ask(t, p, func(in *answer.Input) { in.Policy.SharingRigs.Value = 1 }), "1-1-1").Main.Anchor.HoldingN.Get()
		return hold
	}
	sound := figure(func(*survey.Point) {})
	assert.Less(t, figure(func(p *survey.Point) { p.Ground.Disturbed = survey.Yes }), sound)
	assert.Less(t, figure(func(p *survey.Point) { p.Ground.Tests[0].Reading = survey.Num(0.8) }), sound)
}

func TestCommonPracticeOneStakeLengthApartAndFifteenDegrees(t *testing.T) {
	l := option(t, ask(t, firm()), "1-1-1").Main.Layout
	assert.InDelta(t, 48, l.Stakes[1].MarkDistanceM.Inches(), 0.01)
	assert.Equal(t, 15.0, l.Stakes[0].LeanDeg)
	assert.InDelta(t, 15, l.LeanCheck, 1, "heel to toe")
}

func TestWords(t *testing.T) {
	// A ratio never promises more than there is.
	for r, want := range map[float64]string{9.99: "9.9:1", 10: "10:1", 9.99999999999: "10:1", 13.9: "13:1", 0.04: "0.04:1", 0.55: "0.55:1", 0.559: "0.55:1", 1.17: "1.1:1", 3: "3:1", 133.9: "130:1"} {
		assert.Equal(t, want, answer.RatioWords(r))
		assert.Equal(t, want, wording.Ratio(r), "on the page and the sheet too")
	}
	for d, want := range map[float64]string{0: "000°", 7.4: "007°", 99.6: "100°", 359.6: "000°", 214: "214°"} {
		assert.Equal(t, want, answer.BearingWords(d))
	}
}

func TestTowardACasualty(t *testing.T) {
	toward := func(b geo.Bearing) func(*answer.Input) {
		return func(in *answer.Input) { in.Toward = survey.Known(b) }
	}
	// source: the working sector is ±15° (policy); the pull is 214°.
	for b, want := range map[geo.Bearing]answer.Verdict{214: answer.Holds, 199: answer.Holds, 229: answer.Holds, 198.9: answer.No, 230: answer.No, 34: answer.No} {
		assert.Equal(t, want, option(t, ask(t, firm(), toward(b)), "3-2-1").Verdict, b)
	}
	off, inside := answer.OffAxis(350, 10, policy(t))
	assert.InDelta(t, 20, off.Degrees(), 1e-9, "across north")
	assert.False(t, inside)
	p := firm()
	p.Pull = survey.Pull{}
	assert.Equal(t, answer.Unknown, ask(t, p, toward(214)).Verdict)
	p = firm()
	p.Anchors = []survey.Anchor{{ID: "T1", Kind: survey.KindTree, Condition: "living", DiameterMM: survey.Known(400.), RatedKN: survey.Known(40.), Evidence: survey.TestedHere}}
	assert.Equal(t, answer.Holds, option(t, ask(t, p, toward(300)), "T1").Verdict, "a tree has no working sector")
}

func TestKitAtHandRanksAnew(t *testing.T) {
	p := firm()
	p.Anchors = []survey.Anchor{
		{ID: "T1", Kind: survey.KindTree, Condition: "living", DiameterMM: survey.Known(400.), RatedKN: survey.Known(40.), Evidence: survey.TestedHere, BearingDeg: survey.Known(geo.Bearing(30)), DistanceM: survey.Known(geo.Length(12))},
	}
	full := ask(t, p)
	little := ask(t, p, func(in *answer.Input) { in.Carried.Stakes = survey.Known(3) })
	last := func(a answer.Answer) answer.Option { return option(t, a, "3-2-1") }
	assert.Empty(t, last(full).Kit.Short)
	assert.NotEmpty(t, last(little).Kit.Short)
	assert.Greater(t, last(little).Rank, option(t, little, "T1").Rank, "what cannot be built with three stakes ranks below the tree")
	for _, o := range little.Options {
		c := find(t, o.Main, "kit carried")
		assert.Equal(t, len(o.Kit.Short) == 0, c.Passed)
		assert.False(t, c.Matters)
	}
	short := ask(t, p, func(in *answer.Input) { in.Carried.RopeM = survey.Known(geo.Length(10)) })
	assert.False(t, find(t, last(short).Main, "rope to the toe").Passed)

	assert.NotContains(t, full.Sentence, "carried")
	p.Anchors = nil
	bare := ask(t, p, func(in *answer.Input) { in.Carried.Stakes = survey.Known(3) })
	require.Equal(t, answer.Holds, bare.Verdict, "the ground holds, whatever is on the truck")
	assert.Contains(t, bare.Sentence, "takes more than is carried: stakes: ")
}

func find(t testing.TB, p answer.Placed, title string) answer.Check {
	t.Helper()
	i := slices.IndexFunc(p.Checks, func(c answer.Check) bool { return c.Title == title })
	require.GreaterOrEqual(t, i, 0, title)
	return p.Checks[i]
}

// source: trigonometry: 3 m to the edge, 6 m of height at 35°, 3 m to tie in.
func TestRopeToTheToe(t *testing.T) {
	o := option(t, ask(t, firm()), "3-2-1")
	rope, ok := o.Kit.RopeM.Get()
	require.True(t, ok)
	assert.InDelta(t, 3+6/0.573576+3, rope.Metres(), 0.001)
	assert.True(t, find(t, o.Main, "rope to the toe").Passed)
}

// source: trigonometry. The edge is 3 m in front of the point along the pull of
// 214°; a tree right behind the point adds its distance, one off to the side
// the way to the same place on the edge less the point's own 3 m.
func TestRopeFromAnAnchorBehind(t *testing.T) {
	tree := func(id string, bearing, distance float64) survey.Anchor {
		return survey.Anchor{
			ID: id, Kind: survey.KindTree, Condition: "living", DiameterMM: survey.Known(400.), RatedKN: survey.Known(60.), Evidence: survey.TestedHere,
			BearingDeg: survey.Known(geo.Bearing(bearing)), DistanceM: survey.Known(geo.Length(distance)),
		}
	}
	p := firm()
	blind := tree("far", 0, 40)
	blind.BearingDeg = survey.Opt[geo.Bearing]{}
	lost := tree("lost", 0, 0)
	lost.DistanceM = survey.Opt[geo.Length]{}
	p.Anchors = []survey.Anchor{tree("behind", 34, 22), tree("side", 124, 4), blind, lost}
	alone := ask(t, p, func(in *answer.Input) { in.Carried.RopeM = survey.Known(geo.Length(30)) })
	plain := 3 + 6/math.Sin(35*math.Pi/180) + 3
	for id, back := range map[string]float64{"behind": 22, "side": 5 - 3, "far": 40} {
		o := option(t, alone, id)
		if o.Belay != nil && o.Belay.Anchor.ID != "" {
			b := map[string]float64{"behind": 22, "side": 2, "far": 40}[o.Belay.Anchor.ID]
			back = math.Max(back, b)
		}
		rope, ok := o.Kit.RopeM.Get()
		require.True(t, ok, id)
		assert.InDelta(t, plain+back, rope.Metres(), 1e-3, id)
		assert.Equal(t, plain+back <= 30, find(t, o.Main, "rope to the toe").Passed, id)
	}
	o := option(t, alone, "lost")
	assert.False(t, o.Kit.RopeM.Known(), "its distance is not recorded")
	assert.False(t, find(t, o.Main, "rope to the toe").Ran)
}

func TestIfItIsWetTonight(t *testing.T) {
	a := ask(t, firm())
	require.Len(t, a.Ifs, 2)
	wet, under := a.Ifs[0], a.Ifs[1]
	// 1.75 tsf halves to 0.875: Type B; under water every soil is C.
	require.Equal(t, "two 3-2-1 rigs", a.Options[0].Main.Anchor.Name())
	same, _ := wet.SameRatio.Get()
	assert.InDelta(t, 2*4000*0.5/600, same, 1e-9, "the rigs that rank first, at half the rating")
	assert.Equal(t, answer.If{
		Moisture: survey.Wet, Class: survey.ClassB, Verdict: answer.Holds, Ratio: wet.Ratio, Anchor: "three 3-2-1 rigs",
		SameVerdict: answer.Short, SameRatio: wet.SameRatio,
	}, wet)
	r, _ := wet.Ratio.Get()
	assert.InDelta(t, 10, r, 1e-9, "three 3-2-1 rigs at half the rating")
	assert.Equal(t, survey.ClassC, under.Class)
	assert.Equal(t, answer.Short, under.Verdict)
	assert.Len(t, ask(t, firm(), func(in *answer.Input) { in.Tonight = survey.Wet }).Ifs, 1)
	assert.Equal(t, survey.Wet, ask(t, firm(), func(in *answer.Input) { in.Tonight = survey.Wet }).Tonight)
	_, err := answer.For(answer.Input{Point: firm(), Policy: policy(t), AsOf: asOf, Tonight: "soggy"})
	assert.ErrorIs(t, err, survey.ErrInvalid)
}

func TestFirstYieldShare(t *testing.T) {
	o := option(t, ask(t, firm(), func(in *answer.Input) { in.Policy.SharingRigs.Value = 1 }), "1-1-1")
	y, _ := o.Main.Anchor.YieldN.Get()
	share, ok := o.Main.YieldShare.Get()
	require.True(t, ok)
	assert.InDelta(t, 600*lbf/y, share, 1e-9)
	assert.Contains(t, strings.Join(o.Main.Reasons, ";"), "starts to bend")
}

func TestDeadmanInTheAnswer(t *testing.T) {
	p := firm()
	p.Anchors = []survey.Anchor{{
		ID: "D1", Kind: survey.KindDeadman, Condition: "planned", BearingDeg: survey.Known(geo.Bearing(34)), DistanceM: survey.Known(geo.Length(6)),
		DepthM: survey.Known(5 * geo.Foot), LengthM: survey.Known(5 * geo.Foot), DiameterMM: survey.Known(304.8),
	}}
	o := option(t, ask(t, p), "D1")
	// source: TM 5-5420-278-10 Table 9, 5 ft deep, 1:1: 2,800 lb/ft² on 4 ft² is 11,200 lbf, 18.7 times 600.
	assert.InDelta(t, 11200./600, ratio(o), 0.01)
	assert.Equal(t, answer.Holds, o.Verdict)
	p.BuriedUtilities.State = survey.BuriedNotLocated
	assert.Equal(t, answer.Unknown, option(t, ask(t, p), "D1").Verdict, "a trench is dug: the locate matters")
	p = firm()
	p.Anchors = []survey.Anchor{{ID: "D1", Kind: survey.KindDeadman, Condition: "planned"}}
	assert.Equal(t, answer.Unknown, option(t, ask(t, p), "D1").Verdict, "no measures, no figure")
}

// A bank that falls 60° beyond a setback of unknown length gives no number and
// no verdict; the setback settles it.
func TestSteepGroundOfUnknownSetback(t *testing.T) {
	p := firm()
	p.Terrain.SlopeDeg, p.Terrain.SetbackM = survey.Known(60.), survey.Opt[geo.Length]{}
	o := option(t, ask(t, p), "3-2-1")
	assert.Equal(t, answer.Unknown, o.Verdict)
	assert.False(t, o.Main.Anchor.HoldingN.Known())
	p.Terrain.SlopeDeg = survey.Known(40.)
	assert.True(t, option(t, ask(t, p), "3-2-1").Main.Anchor.HoldingN.Known(), "exactly 40° still has a figure")
}

// Beside a short slope the belay is turned to face the load.
func TestBelayFacesTheLoad(t *testing.T) {
	p := firm()
	p.Terrain.HeightM, p.Terrain.SetbackM = survey.Known(geo.Length(2)), survey.Known(geo.Length(2))
	o := option(t, ask(t, p), "3-2-1")
	require.NotNil(t, o.Belay)
	require.NotNil(t, o.Belay.Layout)
	aim := o.Belay.Layout.Stakes[0].LeanTowardDeg.Back()
	// source: trigonometry: the legs of two rigs 2 ft apart meet at 15° after
	// 1 ft / tan 7.5°, at the edge; the foot lies 2/sin 35° further. A rig that far
	// to the right must be pulled to the left by the angle between.
	right := geodesic.Distance(o.Main.Layout.Front(), o.Belay.Layout.Front())
	assert.InDelta(t, 214-deg(float64(right), 0.3048/math.Tan(7.5*math.Pi/180)+2/0.573576), aim.Degrees(), 0.01)
	assert.True(t, find(t, *o.Belay, "working sector").Passed)
	p.Terrain.HeightM = survey.Known(geo.Length(20))
	assert.Equal(t, geo.Bearing(214), option(t, ask(t, p), "3-2-1").Belay.Layout.Stakes[0].LeanTowardDeg.Back(), "from far below both pull along their own line")
}

func TestMainAndBelayStandApart(t *testing.T) {
	o := option(t, ask(t, firm()), "3-2-1")
	least := geo.Length(1e9)
	for _, s := range o.Main.Layout.Stakes {
		for _, b := range o.Belay.Layout.Stakes {
			least = min(least, geodesic.Distance(orb.Point{s.Lon, s.Lat}, orb.Point{b.Lon, b.Lat}))
		}
	}
	assert.GreaterOrEqual(t, least.Metres(), 2.0, "the policy's separation")
}

func TestSharingCurve(t *testing.T) {
	e, err := answer.NewEngine(policy(t))
	require.NoError(t, err)
	s, ok, err := e.Sharing(answer.Input{Point: firm(), AsOf: asOf}, "1-1-1")
	require.NoError(t, err)
	require.True(t, ok)
	assert.Equal(t, "1-1-1", s.Rig)
	assert.Greater(t, len(s.Points), 10)
	_, _, err = e.Sharing(answer.Input{Point: firm(), AsOf: asOf}, "a lot")
	assert.ErrorIs(t, err, survey.ErrInvalid)
	p := firm()
	p.Ground.Texture = survey.Cobbles
	_, ok, err = e.Sharing(answer.Input{Point: p, AsOf: asOf}, "1-1-1")
	require.NoError(t, err)
	assert.False(t, ok)
}

// near puts a line due east-west so many metres north of the point.
func near(role survey.Role, metres float64, props string, change ...func(*survey.LayerFeature)) func(*answer.Input) {
	return func(in *answer.Input) {
		at := in.Point.Position
		lat := at.Lat() + metres/111132                                                                                                                                       // metres in a degree of latitude near 45°, WGS 84
		f := survey.LayerFeature{Layer: string(role), Role: role, ID: "1", Properties: []byte(props), Geometry: orb.LineString{{at[0] - 0.0005, lat}, {at[0] + 0.0005, lat}}} // 80 m, so short that it does not bow
		for _, c := range change {
			c(&f)
		}
		in.Around = surround.Read(at, []survey.LayerFeature{f}, map[survey.Role]bool{role: true})
	}
}

func TestBuriedLineOfItsOwnWidthAndTolerance(t *testing.T) {
	// source: 24 in each side of the edge (policy). The rear rows of a rig pulled
	// to 214° stand up to 2.1 m north of the point; the point is known to ±2 m.
	verdict := func(metres float64, props string) answer.Verdict {
		one := func(in *answer.Input) { in.Policy.SharingRigs.Value = 1 }
		return option(t, ask(t, firm(), one, near(survey.RoleBuried, metres, props)), "1").Verdict
	}
	precise := func(in *answer.Input) { in.Point.Fix.AccuracyM = survey.Known(geo.Length(0.01)) }
	single := func(metres float64, props string) string {
		p := firm()
		p.Terrain.SetbackM = survey.Known(geo.Length(3))
		a := ask(t, p, precise, near(survey.RoleBuried, metres, props), func(in *answer.Input) { in.Policy.SharingRigs.Value = 1 })
		c := find(t, option(t, a, "1").Main, "buried utilities")
		switch {
		case !c.Ran:
			return "not run"
		case c.Passed:
			return "passed"
		}
		return "failed"
	}
	assert.Equal(t, answer.No, verdict(0.3, ""))
	assert.Equal(t, "failed", single(0.60, ""))
	assert.Equal(t, "passed", single(0.63, ""))
	assert.Equal(t, "failed", single(0.63, `{"diameter_mm":100}`), "half of 100 mm more")
	assert.Equal(t, "failed", single(0.9, `{"tolerance_m":1}`), "its owner asks for more")
	assert.Equal(t, "passed", single(0.7, `{"tolerance_m":0.3}`), "never less than the policy's")
	assert.Equal(t, "failed", single(0.7, `{"width_m":0.4}`))
	assert.Equal(t, "failed", single(0.65, `{"DN":"100"}`))
}

func TestOverheadLineOfItsOwnVoltage(t *testing.T) {
	// source: 29 CFR 1926.1408 Table A: 10 ft to 50 kV, 15 ft to 200 kV, 20 ft to 350 kV.
	check := func(metres float64, props string) answer.Check {
		return find(t, option(t, ask(t, firm(), near(survey.RoleOverhead, metres, props), func(in *answer.Input) { in.Policy.SharingRigs.Value = 1 }), "1").Main, "overhead lines")
	}
	assert.False(t, check(3.0, `{"kv":12.5}`).Passed, "inside 10 ft (3.05 m)")
	assert.False(t, check(3.1, `{"kv":12.5}`).Ran, "clear of it; but the survey saw none")
	assert.False(t, check(4.5, `{"voltage":"110000;20000"}`).Passed, "110 kV asks for 15 ft (4.57 m)")
	assert.False(t, check(4.7, `{"voltage":110000}`).Ran, "clear of it; but the survey saw none")
	assert.False(t, check(6.0, ``).Passed, "unknown voltage is taken as 350 kV: 20 ft (6.10 m)")
	assert.False(t, check(6.2, ``).Ran, "clear of it; but the survey saw none")

	p := firm()
	p.Overhead = survey.Overhead{State: survey.OverheadPresent, KV: survey.Known(12.5), ClearanceM: survey.Known(geo.Length(4))}
	assert.True(t, find(t, option(t, ask(t, p), "1").Main, "overhead lines").Passed)
	c := find(t, option(t, ask(t, p, near(survey.RoleOverhead, 2, `{"kv":132}`)), "1").Main, "overhead lines")
	assert.False(t, c.Passed, "the layer's greater voltage asks for the greater clearance")
}

func TestAgeOfTheLayers(t *testing.T) {
	// source: 36 months (policy).
	check := func(change ...func(*survey.LayerFeature)) answer.Check {
		return find(t, option(t, ask(t, firm(), near(survey.RoleRoad, 40, "", change...)), "1").Main, "age of the layers")
	}
	dated := func(months int) func(*survey.LayerFeature) {
		return func(f *survey.LayerFeature) { f.AsOf = survey.Known(asOf.AddDate(0, -months, 0)) }
	}
	assert.True(t, check(dated(35)).Passed)
	assert.True(t, check(dated(37)).Ran && !check(dated(37)).Passed)
	assert.False(t, check().Ran, "a layer of no date")
}

func TestRoadParcelBuildingAndWater(t *testing.T) {
	square := func(f *survey.LayerFeature) {
		f.Geometry = orb.Polygon{{{-91.201, 44.649}, {-91.199, 44.649}, {-91.199, 44.651}, {-91.201, 44.651}, {-91.201, 44.649}}}
	}
	for role, c := range map[survey.Role]struct {
		title        string
		ran, matters bool
	}{
		survey.RoleRoad: {"road and traffic", true, false}, survey.RoleParcel: {"owner's leave", false, false},
		survey.RoleBuilding: {"buildings", true, false}, survey.RoleWater: {"water", true, true},
	} {
		got := find(t, option(t, ask(t, firm(), near(role, 0, `{"owner":"N. Orrel"}`, square)), "1").Main, c.title)
		assert.Equal(t, c.ran, got.Ran, c.title)
		assert.False(t, got.Passed, c.title)
		assert.Equal(t, c.matters, got.Matters, c.title)
		far := find(t, option(t, ask(t, firm(), near(role, 60, "")), "1").Main, c.title)
		assert.True(t, far.Passed, c.title)
	}
}

func TestWaterAtTheWarningStage(t *testing.T) {
	water := func(datum float64) answer.Check {
		a := ask(t, firm(), func(in *answer.Input) {
			in.Site.Water = survey.Water{Gauge: "G1", DatumM: survey.Known(geo.Length(datum)), WarnStageM: survey.Known(geo.Length(3))}
		})
		return find(t, a.Options[0].Main, "water")
	}
	assert.False(t, water(236).Ran, "the point stands at 240 m, the water at 239 m: read the gauge")
	assert.True(t, water(237).Ran)
	assert.False(t, water(237).Passed, "the water reaches the point")
}

func TestPointBelowItsCrest(t *testing.T) {
	p := firm()
	p.Pull, p.Terrain.SetbackM = survey.Pull{}, survey.Opt[geo.Length]{}
	a := ask(t, p, func(in *answer.Input) {
		line := func(role survey.Role, m float64) survey.LayerFeature {
			lat := p.Position.Lat() + m/111132
			return survey.LayerFeature{Layer: string(role), Role: role, ID: "1", Geometry: orb.LineString{{-91.21, lat}, {-91.19, lat}}}
		}
		in.Around = surround.Read(p.Position, []survey.LayerFeature{line(survey.RoleCrest, 5), line(survey.RoleToe, -12)}, map[survey.Role]bool{})
	})
	o := option(t, a, "1-1-1")
	assert.Equal(t, answer.No, o.Verdict)
	assert.Contains(t, find(t, o.Main, "setback from the crest").Message, "below the crest")
}

// deg is the angle whose tangent is a over b, degrees.
func deg(a, b float64) float64 { return math.Atan2(a, b) * 180 / math.Pi }
