package answer_test

import (
	"fmt"
	"iter"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/surround"
)

// busy is a point with a rated tree, a deadman and an unrated tree, a pull test,
// and crest, toe, water, road, parcel, gas main and power line around it.
func busy(tb testing.TB) answer.Input {
	p := firm()
	p.Anchors = []survey.Anchor{
		{ID: "T1", Kind: survey.KindTree, Condition: "living", DiameterMM: survey.Known(400.), RatedKN: survey.Known(40.), Evidence: survey.TestedHere, BearingDeg: survey.Known(geo.Bearing(30)), DistanceM: survey.Known(geo.Length(12))},
		{ID: "T2", Kind: survey.KindTree, Condition: "living", DiameterMM: survey.Known(300.), BearingDeg: survey.Known(geo.Bearing(80)), DistanceM: survey.Known(geo.Length(9))},
		{ID: "D1", Kind: survey.KindDeadman, Condition: "planned", DepthM: survey.Known(geo.Length(1.5)), LengthM: survey.Known(geo.Length(1.4)), DiameterMM: survey.Known(300.), BearingDeg: survey.Known(geo.Bearing(20)), DistanceM: survey.Known(geo.Length(7))},
	}
	p.PullTests = []survey.PullTest{{Rig: "1", ForceKN: 3, Outcome: survey.Held, Moisture: survey.Moist}}
	in := answer.Input{Point: p, Policy: policy(tb), AsOf: asOf}
	var fs []survey.LayerFeature
	roles := map[survey.Role]bool{}
	for role, north := range map[survey.Role]float64{
		survey.RoleCrest: -3.2, survey.RoleToe: -14, survey.RoleWater: -20, survey.RoleRoad: 18, survey.RoleParcel: 30, survey.RoleBuried: 9, survey.RoleOverhead: 25,
	} {
		var l orb.LineString
		for i := -20; i <= 20; i++ {
			l = append(l, orb.Point{p.Position[0] + float64(i)*0.0001, p.Position[1] + north/111132 + float64(i%3)*1e-6})
		}
		fs = append(fs, survey.LayerFeature{Layer: string(role), Role: role, ID: "1", Geometry: l, AsOf: survey.Known(asOf.AddDate(0, -5, 0)), Properties: []byte(`{"name":"x"}`)})
		roles[role] = true
	}
	in.Around = surround.Read(p.Position, fs, roles)
	return in
}

func engine(t require.TestingT, p survey.Policy) *answer.Engine {
	e, err := answer.NewEngine(p)
	require.NoError(t, err)
	return e
}

// A whole answer keeps within its budget of allocations, a verdict alone within
// a handful, so that a district is judged in seconds.
func TestAllocations(t *testing.T) {
	e := engine(t, policy(t))
	for name, in := range map[string]answer.Input{"plain point": {Point: firm(), AsOf: asOf}, "busy point": busy(t)} {
		count := func(ask func() error) float64 {
			return testing.AllocsPerRun(50, func() {
				if err := ask(); err != nil {
					t.Fatal(err)
				}
			})
		}
		whole := count(func() error { _, err := e.For(in); return err })
		assert.LessOrEqual(t, whole, 100.0, name)
		brief := count(func() error { _, err := e.Brief(in); return err })
		assert.LessOrEqual(t, brief, 20.0, name)
		t.Logf("%s: %.0f allocations, verdict alone %.0f", name, whole, brief)
	}
}

// Answer is all rigs, main and belay, ranked, and the answers if it is wet or
// under water. Warm is an engine that has met such ground before, as it has
// after the first few points of a district; cold is a single question.
func BenchmarkAnswer(b *testing.B) {
	plain := answer.Input{Point: firm(), Policy: policy(b), AsOf: asOf}
	for _, c := range []struct {
		name string
		in   answer.Input
	}{{"plain point", plain}, {"busy point", busy(b)}} {
		b.Run(c.name, func(b *testing.B) {
			e := engine(b, policy(b))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := e.For(c.in); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("cold", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := answer.For(plain); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func BenchmarkBrief(b *testing.B) {
	e, in := engine(b, policy(b)), answer.Input{Point: firm(), AsOf: asOf}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.Brief(in); err != nil {
			b.Fatal(err)
		}
	}
}

// loaded gives points that need no loading.
func loaded(points iter.Seq[answer.Input]) iter.Seq[func() (answer.Input, error)] {
	return func(yield func(func() (answer.Input, error)) bool) {
		for in := range points {
			if !yield(func() (answer.Input, error) { return in, nil }) {
				return
			}
		}
	}
}

// district makes points of many grounds: 18 penetrometer readings, four
// textures, slopes by the degree.
func district(n int) iter.Seq[answer.Input] {
	return func(yield func(answer.Input) bool) {
		base := firm()
		for i := range n {
			p := base
			p.ID, p.Position = fmt.Sprint(i), orb.Point{-91.2 + float64(i%300)*1e-4, 44.65 + float64(i/300)*1e-4}
			p.Ground.Texture = []survey.Texture{survey.ClayLoam, survey.SiltyClay, survey.SandyLoam, survey.Sand}[i%4]
			p.Ground.Tests = []survey.GroundTest{
				{Kind: survey.PocketPenetrometer, Reading: survey.Num(0.25 * float64(1+i%18)), Unit: "tsf"}, {Kind: survey.Visual, Reading: survey.Word("clumps")},
			}
			p.Terrain.SlopeDeg = survey.Known(float64(20 + i%50))
			if !yield(answer.Input{Point: p, AsOf: asOf}) {
				return
			}
		}
	}
}

// Judging 100,000 points under the policy as it is and under a changed one.
func BenchmarkChanges100000(b *testing.B) {
	before, after := policy(b), policy(b)
	after.RequiredRatio.Value = 12
	for b.Loop() {
		got, err := answer.Changes(engine(b, before), engine(b, after), loaded(district(100_000)))
		if err != nil {
			b.Fatal(err)
		}
		if len(got.Changes) == 0 {
			b.Fatal("nothing changed")
		}
	}
}
