package answer_test

import (
	"math"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/tangent"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/surround"
)

// loamB is firm with a penetrometer at 1.0 tsf: three 3-2-1 rigs share the load.
func loamB() survey.Point {
	p := firm()
	p.Ground.Tests[0].Reading = survey.Num(1.0)
	return p
}

// reach3 is how far ahead the legs of three rigs 2 ft apart meet at 15° (policy).
// source: trigonometry: half of 4 ft / tan 7.5°, 4.630 m.
var reach3 = 2 * 0.3048 / math.Tan(7.5*math.Pi/180)

// Rigs whose legs need more room than there is before the edge stand further
// back, and every position is that of where they stand.
func TestSharingRigsStandWhereTheirLegsMeet(t *testing.T) {
	p := loamB()
	a := ask(t, p)
	best, ok := a.Best()
	require.True(t, ok)
	require.Equal(t, 3, best.Main.Anchor.Count)
	l := best.Main.Layout
	back := reach3 - 3 // the crest is 3 m from the point
	assert.InDelta(t, back, l.BehindM.Metres(), 1e-9)
	assert.InDelta(t, back, l.MarkDistanceM.Metres(), 1e-9)
	to, _ := l.MarkBearingDeg.Get()
	assert.InDelta(t, 34, to.Degrees(), 1e-6, "along the back-bearing of 214°")

	// By geodesics, which their own package holds against GeodSolve: the middle of
	// the front is that far from the point, and the middle rig's rows go on from it.
	want, _ := geodesic.Direct(p.Position, 34, geo.Length(back))
	assert.InDelta(t, 0, geodesic.Distance(want, l.Front()).Metres(), 1e-6)
	for _, s := range l.Stakes {
		// source: trigonometry: rigs 2 ft apart, bars of 1 in touching, rows 48 in apart.
		right := 0.6096*float64(s.Rig-2) + 0.0254*(float64(s.Place)-float64(3-s.Row+2)/2)
		behind := back + 1.2192*float64(s.Row-1)
		assert.InDelta(t, math.Hypot(right, behind), s.MarkDistanceM.Metres(), 1e-6)
		az, _ := s.MarkBearingDeg.Get()
		assert.InDelta(t, 34-deg(right, behind), az.Degrees(), 1e-4, "rig %d row %d place %d", s.Rig, s.Row, s.Place)
	}

	// The rope is as much longer: 3 m to the edge, 6/sin 35° to the foot, 3 m to tie in.
	rope, _ := best.Kit.RopeM.Get()
	assert.InDelta(t, 3+6/0.573576+3+back, rope.Metres(), 1e-3)
	require.NotNil(t, best.Belay)
	assert.InDelta(t, back, best.Belay.Layout.BehindM.Metres(), 0.3, "the belay's legs meet before the edge too; it is turned a little")
	assert.Contains(t, find(t, best.Main, "sharing the load").Message, "so they stand 5 ft 4 in (1.63 m) behind it")

	far := loamB()
	far.Terrain.SetbackM = survey.Known(geo.Length(4.64))
	stays, _ := ask(t, far).Best()
	assert.Zero(t, stays.Main.Layout.BehindM, "the edge is far enough")
	one := option(t, ask(t, loamB(), func(in *answer.Input) { in.Policy.SharingRigs.Value = 1 }), "3-2-1")
	assert.Zero(t, one.Main.Layout.BehindM, "one rig stands at the point")
	unknown := loamB()
	unknown.Terrain.SetbackM = survey.Opt[geo.Length]{}
	for _, o := range ask(t, unknown).Options {
		if o.Main.Layout != nil {
			assert.Zero(t, o.Main.Layout.BehindM, "how far back is not known")
		}
		assert.NotEqual(t, answer.Holds, o.Verdict)
	}
}

// The room behind the point is the surveyor's to say: not recorded it is a
// reservation, too little of it rules the rig out.
func TestRoomBehindThePoint(t *testing.T) {
	// source: trigonometry: 1.630 m back and two rows of 48 in, 4.068 m.
	need := reach3 - 3 + 2*1.2192
	says := func(room survey.Opt[geo.Length]) (answer.Check, answer.Option, string) {
		p := loamB()
		p.Terrain.RoomBehindM = room
		a := ask(t, p)
		o := option(t, a, "3-2-1")
		return find(t, o.Main, "room behind the point"), o, a.Sentence
	}
	c, o, sentence := says(survey.Opt[geo.Length]{})
	assert.False(t, c.Ran)
	assert.Equal(t, answer.Holds, o.Verdict)
	assert.Contains(t, sentence, "whether it is there is not recorded")
	// Two rigs stand at the point: their legs meet after 2.32 m.
	c, o, _ = says(survey.Known(geo.Length(need - 0.01)))
	assert.True(t, c.Ran && c.Passed)
	assert.Equal(t, answer.Short, o.Verdict)
	assert.Equal(t, 2, o.Main.Anchor.Count)
	assert.Zero(t, o.Main.Layout.BehindM)
	assert.Contains(t, strings.Join(o.Main.Reasons, "; "), "3 rigs would have to share, and there is no room for them: room behind the point, 13 ft 4 in (4.06 m) recorded")
	c, o, sentence = says(survey.Known(geo.Length(need + 0.01)))
	assert.True(t, c.Ran && c.Passed)
	assert.Equal(t, answer.Holds, o.Verdict)
	assert.NotContains(t, sentence, "is not recorded")

	p := firm() // stands at the point: 2.44 m of rows
	p.Terrain.RoomBehindM = survey.Known(geo.Length(2.4))
	assert.Equal(t, answer.No, option(t, ask(t, p), "3-2-1").Verdict)
	p.Terrain.RoomBehindM = survey.Known(geo.Length(2.45))
	assert.Equal(t, answer.Holds, option(t, ask(t, p), "3-2-1").Verdict)
}

// across is lines square to the pull of 214°, so far behind the point.
func across(role survey.Role, lines ...float64) func(*answer.Input) {
	return func(in *answer.Input) {
		plane := tangent.At(in.Point.Position)
		at := func(behind, along float64) orb.Point {
			sin, cos := math.Sincos(34 * math.Pi / 180)
			return plane.Position(tangent.XY{X: behind*sin + along*cos, Y: behind*cos - along*sin})
		}
		var fs []survey.LayerFeature
		for _, b := range lines {
			fs = append(fs, survey.LayerFeature{Layer: string(role), Role: role, ID: "1", Geometry: orb.LineString{at(b, -40), at(b, 40)}})
		}
		in.Around = surround.Read(in.Point.Position, fs, map[survey.Role]bool{role: true})
	}
}

// What depends on the place is looked at where the rigs stand: 1.63 m behind the
// point to 4.07 m behind it. Where it fails two rigs are left, at the point.
func TestChecksAreMadeWhereTheRigsStand(t *testing.T) {
	precise := func(in *answer.Input) { in.Point.Fix.AccuracyM = survey.Known(geo.Length(0.01)) }
	stand := func(title string, line func(*answer.Input)) bool {
		o := option(t, ask(t, loamB(), precise, line), "3-2-1")
		if o.Main.Anchor.Count == 3 {
			return find(t, o.Main, title).Passed
		}
		assert.Contains(t, strings.Join(o.Main.Reasons, "; "), "no room for them: "+title)
		return false
	}
	// source: 24 in of tolerance (policy).
	assert.True(t, stand("buried utilities", across(survey.RoleBuried, 0)), "at the point, where no stake is driven")
	assert.True(t, stand("buried utilities", across(survey.RoleBuried, reach3-3-0.62)))
	assert.False(t, stand("buried utilities", across(survey.RoleBuried, reach3-3-0.60)))
	assert.False(t, stand("buried utilities", across(survey.RoleBuried, 4.07+0.60)))
	// source: 29 CFR 1926.1408 Table A: 20 ft to 350 kV, which an unknown voltage is taken for.
	assert.False(t, stand("overhead lines", across(survey.RoleOverhead, 4.07+6.0)))
	// source: two lanes of 3 m, where a road's width is not recorded (department).
	assert.True(t, stand("road and traffic", across(survey.RoleRoad, 4.07+3.1)))
	assert.False(t, stand("road and traffic", across(survey.RoleRoad, 4.07+2.9)))
	// A levee: its other crest may be too close to where they stand, or before it.
	assert.False(t, stand("setback from the crest", across(survey.RoleCrest, 4.07+1.9)))
	assert.True(t, stand("setback from the crest", across(survey.RoleCrest, 4.07+2.1)), "2 m is needed (policy)")
	steep := loamB()
	steep.Terrain.SetbackM = survey.Known(geo.Length(2.1))
	o := option(t, ask(t, steep, precise, across(survey.RoleCrest, -2.1, 2.2)), "3-2-1")
	assert.Equal(t, answer.No, o.Verdict, "one rig is too near the other crest, two or three stand beyond it")
	assert.Contains(t, strings.Join(o.Main.Reasons, "; "), "beyond a bank crest on file")
}
