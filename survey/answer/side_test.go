package answer_test

import (
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/surround"
)

// low is low ground so far off on a bearing from the point: a line across it.
func low(role survey.Role, name string, bearing geo.Bearing, metres float64) survey.LayerFeature {
	at, _ := geodesic.Direct(firm().Position, bearing, geo.Length(metres))
	a, _ := geodesic.Direct(at, bearing.Turn(90*geo.Degree), 50)
	b, _ := geodesic.Direct(at, bearing.Turn(-90*geo.Degree), 50)
	return survey.LayerFeature{Layer: string(role) + "s", Role: role, ID: name, Geometry: orb.LineString{a, b}, Properties: []byte(`{"name":"` + name + `"}`)}
}

func around(fs ...survey.LayerFeature) func(*answer.Input) {
	return func(in *answer.Input) {
		in.Around = surround.Read(in.Point.Position, fs, map[survey.Role]bool{survey.RoleWater: true, survey.RoleToe: true})
	}
}

// A point is pulled to 214°: the water behind it, on 34°, is not what the bearing
// is compared with when other low ground lies ahead, and is named.
func TestWaterOnBothSides(t *testing.T) {
	river, canal := low(survey.RoleWater, "Old River", 34, 20), low(survey.RoleWater, "Long Canal", 214, 60)
	check := func(p survey.Point, fs ...survey.LayerFeature) (answer.Check, answer.Answer) {
		a := ask(t, p, around(fs...))
		return find(t, option(t, a, "1").Main, "pull bearing"), a
	}
	c, a := check(firm(), river, canal)
	assert.True(t, c.Ran && c.Passed, c.Message)
	assert.Regexp(t, "^2 readings agree within 20°: ", c.Message)
	assert.Contains(t, c.Message, "water on both sides: compared with water Long Canal (197 ft (60.0 m) on 214°); water Old River (66 ft (20.0 m) on 034°) lies behind the pull")
	assert.Empty(t, a.Pull.Doubts)
	assert.InDelta(t, 214, a.Pull.Readings[1].TrueDeg.Degrees(), 0.01)

	askew := low(survey.RoleWater, "Long Canal", 184, 60) // 30° off
	c, _ = check(firm(), river, askew)
	assert.False(t, c.Passed, "the water on the pull's own side still disagrees")
	assert.Contains(t, c.Message, "30° away")

	c, a = check(firm(), river)
	assert.False(t, c.Passed, "nothing says that the ground falls away from the only water")
	assert.Contains(t, c.Message, "180° away")
	assert.Contains(t, c.Message, "Old River")
	assert.Contains(t, c.Message, "written the wrong way round")
	assert.NotEmpty(t, a.Pull.Doubts)

	falls := firm()
	falls.Terrain.FallLineDeg = survey.Known(geo.Bearing(220))
	c, _ = check(falls, river)
	assert.True(t, c.Passed, "the fall line surveyed says so")
	assert.Contains(t, c.Message, "not compared with water Old River (66 ft (20.0 m) on 034°) lies behind the pull")
	c, _ = check(firm(), river, low(survey.RoleToe, "dry foot", 214, 10))
	assert.True(t, c.Passed, "a toe on file says so")

	bare := firm()
	bare.Pull = survey.Pull{}
	c, a = check(bare, river, canal)
	assert.False(t, c.Passed, "the nearer water alone is no answer")
	assert.Contains(t, strings.Join(a.Pull.Doubts, ";"), "the ground may fall to either side: water Old River (66 ft (20.0 m) on 034°), and water Long Canal (197 ft (60.0 m) on 214°)")
}

// What the survey did not see and a layer has is pointed out, and beyond the
// clearance refuses nothing.
func TestOverheadLineThatWasNotSeen(t *testing.T) {
	check := func(metres float64) (answer.Check, answer.Answer) {
		a := ask(t, firm(), near(survey.RoleOverhead, metres, `{"kv":12.5}`))
		best, _ := a.Best()
		return find(t, best.Main, "overhead lines"), a
	}
	c, a := check(31)
	assert.False(t, c.Ran, "never a silent pass")
	assert.False(t, c.Matters)
	assert.Contains(t, c.Message, "none was recorded, but a line is on file")
	assert.Contains(t, c.Message, "look again")
	assert.Equal(t, answer.Holds, a.Verdict)
	assert.Contains(t, a.Sentence, "But of overhead lines none was recorded, but a line is on file")
	// source: 100 ft of ladder (common practice) and 20 ft, 29 CFR 1926.1408(a)(2):
	// 36.6 m; the rig reaches 2.1 m north of the point.
	c, _ = check(38.6)
	assert.False(t, c.Ran)
	c, a = check(39.5)
	assert.True(t, c.Passed)
	assert.NotContains(t, a.Sentence, "overhead")
	c, a = check(1)
	assert.True(t, c.Ran && !c.Passed && c.Matters, "inside 10 ft (29 CFR 1926.1408 Table A)")
	assert.Equal(t, answer.No, a.Verdict)
}

// A held pull of no recorded bearing counts, and the sentence says so.
func TestAPullOfNoBearing(t *testing.T) {
	p := firm()
	p.PullTests = []survey.PullTest{{Rig: "1-1-1", ForceKN: 26.69, Outcome: survey.Held}}
	a := ask(t, p)
	assert.Equal(t, answer.Holds, a.Verdict)
	assert.Contains(t, a.Sentence, "But it rests on a rig or anchor pulled on a bearing that is not recorded.")
	p.PullTests[0].BearingDeg = survey.Known(geo.Bearing(210))
	assert.NotContains(t, ask(t, p).Sentence, "not recorded")
}

// Nobody has rated it: that is not to say that it is weak.
func TestAnUnratedAnchorIsNotCalledWeak(t *testing.T) {
	p := firm()
	p.Ground.Texture = survey.Cobbles // no stake figure
	a := ratedTree()
	a.RatedKN, a.Evidence = survey.Opt[float64]{}, ""
	p.Anchors = []survey.Anchor{a}
	got := ask(t, p)
	assert.Equal(t, answer.Short, got.Verdict)
	assert.Contains(t, got.Sentence, "tree T1, which nobody has rated: what it holds is not known, and it is not known to be weak")
	assert.Contains(t, got.Sentence, "It stands 19 ft 8 in (6.00 m) from the marked point, on 034° true")
}
