package answer_test

import (
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
)

func mustAnswer(t require.TestingT, in answer.Input) answer.Answer {
	a, err := answer.For(in)
	require.NoError(t, err)
	return a
}

// Every valid point gets an answer under every valid policy: no error, no
// panic, no figure that JSON cannot write, and one that keeps its own rules.
func TestAnyPointGetsASoundAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		a := mustAnswer(t, in)
		raw, err := json.Marshal(a)
		require.NoError(t, err, "no NaN and no infinity")
		for _, slip := range []string{"null", "NaN", "Inf", "%!", "000000000000000000 "} {
			assert.False(t, strings.Contains(string(raw), slip), slip)
		}
		assert.NotEmpty(t, a.Sentence)
		require.NotEmpty(t, a.Options)
		assert.Equal(t, a.Options[0].Verdict, a.Verdict)
		for i, o := range a.Options {
			assert.Equal(t, i+1, o.Rank)
			assert.NotEmpty(t, o.Why)
			assert.Equal(t, o.Main.Verdict, o.Verdict)
			for _, p := range anchorsOf(o) {
				soundAnchor(t, p, a)
			}
		}
		assert.Equal(t, raw, must(json.Marshal(mustAnswer(t, in))), "the same question has the same answer")
	})
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

func anchorsOf(o answer.Option) []answer.Placed {
	if o.Belay == nil {
		return []answer.Placed{o.Main}
	}
	return []answer.Placed{o.Main, *o.Belay}
}

// soundAnchor holds one anchor against what its verdict promises.
func soundAnchor(t *rapid.T, p answer.Placed, a answer.Answer) {
	open, failed := 0, 0
	titles := map[string]bool{}
	for _, c := range p.Checks {
		assert.False(t, c.Passed && !c.Ran, "a check that did not run is never passed: %s", c.Title)
		assert.NotEmpty(t, c.Message, c.Title)
		assert.False(t, titles[c.Title], "shown once: %s", c.Title)
		titles[c.Title] = true
		if !(c.Ran && c.Passed) {
			assert.NotEmpty(t, c.Fix, "says how to make it pass: %s", c.Title)
		}
		switch {
		case c.Matters && c.Ran && !c.Passed:
			failed++
		case c.Matters && !c.Ran:
			open++
		}
	}
	for _, r := range p.Reasons {
		assert.NotEmpty(t, r)
	}
	ratio, known := p.Ratio.Get()
	used := 0
	for _, e := range p.Anchor.Evidence {
		assert.NotEmpty(t, e.Source)
		assert.GreaterOrEqual(t, e.HoldingN, 0.0)
		if e.Used {
			used++
		}
	}
	assert.Equal(t, known, p.Anchor.HoldingN.Known())
	assert.Equal(t, known, used > 0, "a figure that governs is among the evidence")
	switch p.Verdict {
	case answer.Holds:
		require.True(t, known)
		assert.GreaterOrEqual(t, ratio, a.RequiredRatio*(1-1e-6))
		assert.Zero(t, open+failed, "every check that matters ran and passed")
	case answer.Short:
		assert.Zero(t, open+failed)
		assert.True(t, !known || ratio < a.RequiredRatio)
	case answer.Unknown:
		assert.Zero(t, failed)
		assert.True(t, open > 0 || !known)
	case answer.No:
		assert.True(t, failed > 0 || known || p.Anchor.MostN.Known())
	}
	if failed > 0 {
		assert.Equal(t, answer.No, p.Verdict)
	}
}

// A brief says what the whole answer says, an engine what For says, and the
// what-ifs what a question about tonight would say.
func TestBriefAndEngineAgreeWithFor(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		a := mustAnswer(t, in)
		e, err := answer.NewEngine(in.Policy)
		require.NoError(t, err)
		for range 2 { // the second time from memory
			got, err := e.For(in)
			require.NoError(t, err)
			assert.Equal(t, a, got)
		}
		b, err := e.Brief(in)
		require.NoError(t, err)
		assert.Equal(t, a.Verdict, b.Verdict)
		assert.Equal(t, a.Ground.Class, b.Class)
		best := math.Inf(-1)
		for _, o := range a.Options {
			if r, ok := o.GoverningRatio.Get(); ok && o.Verdict == a.Verdict {
				best = max(best, r)
			}
		}
		if r, ok := b.Ratio.Get(); ok || !math.IsInf(best, -1) {
			assert.InDelta(t, best, r, 1e-9*best)
		}
		for _, f := range a.Ifs {
			in.Tonight = f.Moisture
			wet := mustAnswer(t, in)
			assert.Equal(t, wet.Verdict, f.Verdict)
			assert.Equal(t, wet.Ground.Class, f.Class)
			switch f.Moisture {
			case survey.Wet:
				if a.Ground.IfWet != "" {
					assert.Equal(t, a.Ground.IfWet, f.Class)
				}
			case survey.Submerged:
				if a.Ground.IfSubmerged != "" {
					assert.Equal(t, a.Ground.IfSubmerged, f.Class)
				}
			}
		}
	})
}

// A failed check never ranks above a passed one of the same verdict; verdicts
// come in their order.
func TestRanking(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := mustAnswer(t, anyInput(t))
		failed := func(o answer.Option) (n int) {
			for _, c := range o.Main.Checks {
				if c.Ran && !c.Passed {
					n++
				}
			}
			return n
		}
		for i := 1; i < len(a.Options); i++ {
			x, y := a.Options[i-1], a.Options[i]
			assert.LessOrEqual(t, x.Verdict.Rank(), y.Verdict.Rank())
			if x.Verdict != y.Verdict {
				continue
			}
			assert.LessOrEqual(t, failed(x), failed(y))
			rx, _ := x.GoverningRatio.Get()
			ry, _ := y.GoverningRatio.Get()
			if failed(x) == failed(y) {
				assert.GreaterOrEqual(t, min(rx, a.RequiredRatio), min(ry, a.RequiredRatio))
			}
		}
	})
}

// holdings are the figures of one rig of each kind, per rig that shares.
func holdings(a answer.Answer) map[string]float64 {
	out := map[string]float64{}
	for _, o := range a.Options {
		if f, ok := o.Main.Anchor.HoldingN.Get(); ok {
			name := o.Main.Anchor.Rig + o.Main.Anchor.ID
			out[name] = f / float64(max(o.Main.Anchor.Count, 1))
		}
	}
	return out
}

// noHigher fails when b rates any rig higher than a.
func noHigher(t *rapid.T, a, b answer.Answer, what string) {
	was := holdings(a)
	for name, f := range holdings(b) {
		if before, ok := was[name]; ok {
			assert.LessOrEqual(t, f, before*(1+1e-9)+1e-6, "%s: %s", what, name)
		} else {
			assert.Fail(t, "a figure out of nothing", "%s: %s", what, name)
		}
	}
	// A worse answer may make other open questions matter no more, so that what
	// was unknown is known; otherwise nothing gets better.
	better := b.Verdict.Rank() < a.Verdict.Rank() && a.Verdict != answer.Unknown && b.Verdict != answer.Unknown
	assert.False(t, better, "%s: the verdict may not get better: %s was %s", what, b.Verdict, a.Verdict)
}

// More stakes never hold less, through the whole answer.
func TestMoreStakesNeverHoldLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := holdings(mustAnswer(t, anyInput(t)))
		for _, pair := range [][2]string{{"1", "1-1"}, {"1-1", "1-1-1"}, {"1-1", "2-1"}, {"1-1-1", "3-2-1"}, {"2-1", "3-2-1"}} {
			small, ok := h[pair[0]]
			if ok {
				assert.LessOrEqual(t, small, h[pair[1]]*(1+1e-9)+1e-6, pair)
			}
		}
	})
}

// A wetter night never raises a figure or betters a verdict.
func TestWetterNeverHelps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		in.Tonight = ""
		was := mustAnswer(t, in)
		for _, m := range []survey.Moisture{survey.Moist, survey.Wet, survey.Submerged, survey.Frozen} {
			in.Tonight = m
			if m == survey.Moist && in.Point.Ground.Moisture == "" {
				continue // it answers a question that was open
			}
			now := mustAnswer(t, in)
			if in.Point.Ground.Moisture != "" {
				noHigher(t, was, now, string(m)+" tonight")
			}
			was = now
		}
	})
}

// What is worse for the soil, or not known of it, never raises a figure above
// that of sound ground.
func TestWorseOrUnknownGroundNeverHelps(t *testing.T) {
	questions := map[string]func(*survey.Ground) *survey.Answer{
		"disturbed": func(g *survey.Ground) *survey.Answer { return &g.Disturbed }, "fissured": func(g *survey.Ground) *survey.Answer { return &g.Fissured },
		"seeping": func(g *survey.Ground) *survey.Answer { return &g.Seeping }, "vibration": func(g *survey.Ground) *survey.Answer { return &g.Vibration },
		"dipping": func(g *survey.Ground) *survey.Answer { return &g.LayersDip },
	}
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		in.Tests = nil // tests in ground of another class come and go with the class
		for name, q := range questions {
			sound := in
			*q(&sound.Point.Ground) = survey.No
			was := mustAnswer(t, sound)
			for _, a := range []survey.Answer{survey.Yes, survey.AnswerUnknown, ""} {
				worse := in
				*q(&worse.Point.Ground) = a
				now := mustAnswer(t, worse)
				noHigher(t, was, now, name+" "+string(a))
			}
		}
	})
}

// A failed pull more, or a weaker policy, never raises a figure.
func TestStricterNeverHelps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		was := mustAnswer(t, in)
		worse := in
		worse.Point.PullTests = append([]survey.PullTest{{Rig: word(t, "failed rig", rigNames...), ForceKN: number(t, "failed at", 0, 30), Outcome: survey.Failed}}, in.Point.PullTests...)
		noHigher(t, was, mustAnswer(t, worse), "a failed pull more")

		worse = in
		worse.Required = survey.Known(min(was.RequiredRatio+number(t, "more", 0, 20), 100))
		noHigher(t, was, mustAnswer(t, worse), "a greater ratio")

		worse = in
		worse.Policy.SectorDeg.Value /= 2
		if in.Toward.Known() {
			noHigher(t, was, mustAnswer(t, worse), "a narrower sector")
		}
	})
}

// The blanked inputs matter to a driven rig: without any one of them nothing
// may be said to hold.
func TestUnknownNeverHolds(t *testing.T) {
	blanks := map[string]func(*survey.Point){
		"soil tests":        func(p *survey.Point) { p.Ground.Tests = nil },
		"texture":           func(p *survey.Point) { p.Ground.Texture = "" },
		"moisture":          func(p *survey.Point) { p.Ground.Moisture = "" },
		"disturbed":         func(p *survey.Point) { p.Ground.Disturbed = "" },
		"disturbed?":        func(p *survey.Point) { p.Ground.Disturbed = survey.AnswerUnknown },
		"fissured":          func(p *survey.Point) { p.Ground.Fissured = "" },
		"seeping":           func(p *survey.Point) { p.Ground.Seeping = "" },
		"vibration":         func(p *survey.Point) { p.Ground.Vibration = "" },
		"layers dip":        func(p *survey.Point) { p.Ground.LayersDip = "" },
		"setback":           func(p *survey.Point) { p.Terrain.SetbackM = survey.Opt[geo.Length]{} },
		"pull bearing":      func(p *survey.Point) { p.Pull = survey.Pull{} },
		"buried utilities":  func(p *survey.Point) { p.BuriedUtilities = survey.BuriedUtilities{} },
		"buried utilities?": func(p *survey.Point) { p.BuriedUtilities.State = survey.BuriedUnknown },
		"locate's end": func(p *survey.Point) {
			p.BuriedUtilities = survey.BuriedUtilities{State: survey.BuriedClear}
		},
		"overhead lines":  func(p *survey.Point) { p.Overhead = survey.Overhead{} },
		"overhead lines?": func(p *survey.Point) { p.Overhead.State = survey.OverheadUnknown },
		"overhead clearance": func(p *survey.Point) {
			p.Overhead = survey.Overhead{State: survey.OverheadPresent, KV: survey.Known(10.0)}
		},
	}
	rapid.Check(t, func(t *rapid.T) {
		p := firm()
		p.Ground.Tests[0].Reading = survey.Num(number(t, "tsf", 1.5, 4.5)) // Type A: every question matters
		p.Position[0], p.Position[1] = number(t, "lon", -180, 180), number(t, "lat", -80, 80)
		p.Terrain.SlopeDeg = maybe(t, "slope", func() float64 { return number(t, "slope", 0, 90) })
		require.Equal(t, answer.Holds, mustAnswer(t, answer.Input{Point: p, Policy: policy(t), AsOf: asOf}).Verdict)
		for name, blank := range blanks {
			q := p
			q.Ground.Tests = slices.Clone(p.Ground.Tests)
			blank(&q)
			a := mustAnswer(t, answer.Input{Point: q, Policy: policy(t), AsOf: asOf})
			assert.Equal(t, answer.Unknown, a.Verdict, name)
			assert.NotEmpty(t, a.Settles, name)
		}
	})
}

// Over any point: an option that holds names no check that did not run, and
// blanking what its ground rests on takes its verdict away.
func TestBlankingNeverMakesItHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		was := mustAnswer(t, in)
		if was.Verdict == answer.Holds {
			return
		}
		blank := in
		switch word(t, "blank", "texture", "tests", "moisture", "setback", "buried", "overhead", "pull", "refusal") {
		case "texture":
			blank.Point.Ground.Texture = ""
		case "tests":
			blank.Point.Ground.Tests = nil
		case "moisture":
			blank.Point.Ground.Moisture, blank.Tonight = "", ""
		case "setback":
			blank.Point.Terrain.SetbackM = survey.Opt[geo.Length]{}
			blank.Around.Setback = survey.Opt[geo.Length]{}
		case "buried":
			blank.Point.BuriedUtilities = survey.BuriedUtilities{}
		case "overhead":
			blank.Point.Overhead = survey.Overhead{}
		case "pull":
			blank.Point.Pull = survey.Pull{}
		case "refusal":
			return // a bar that stops too early is seen while driving
		}
		for _, o := range mustAnswer(t, blank).Options {
			if o.Main.Anchor.Kind == survey.KindRig && o.Verdict == answer.Holds && was.Options[0].Main.Anchor.Kind == survey.KindRig {
				assert.Fail(t, "blanking made a rig hold", "%v", o.Main.Reasons)
			}
		}
	})
}

// Loads written in any unit give the same answer.
func TestUnitsOfTheLoad(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kg := number(t, "kg", 20, 500)
		ask := func(id string) answer.Answer {
			return mustAnswer(t, answer.Input{Point: firm(), Policy: policy(t), AsOf: asOf, LoadID: id})
		}
		// source: 9.80665 m/s² and 0.45359237 kg, exact by definition.
		a := ask(sprint(kg) + " kg")
		for _, id := range []string{sprint(kg*9.80665/1000) + " kN", sprint(kg*9.80665) + "N", sprint(kg/0.45359237) + " lbf", sprint(kg/0.45359237) + " LB"} {
			b := ask(id)
			assert.InEpsilon(t, a.LoadCase.ForceOnAnchorN, b.LoadCase.ForceOnAnchorN, 1e-9)
			assert.Equal(t, a.Verdict, b.Verdict)
			for i := range a.Options {
				ra, _ := a.Options[i].GoverningRatio.Get()
				rb, _ := b.Options[i].GoverningRatio.Get()
				assert.InEpsilon(t, ra, rb, 1e-9)
			}
		}
	})
}

func sprint(v float64) string { return string(must(json.Marshal(v))) }

// A what-if gives the verdicts that the answers give, in the order of the points.
func TestChangesAgreeWithAnswers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		before, after := policy(t), policy(t)
		after.RequiredRatio.Value = number(t, "ratio", 2, 30)
		after.SetbackM.Value = geo.Length(number(t, "setback", 0, 6))
		var points []answer.Input
		for range rapid.IntRange(0, 8).Draw(t, "points") {
			in := anyInput(t)
			in.Point.ID, in.Required, in.LoadID = strings.Repeat("p", len(points)+1), survey.Opt[float64]{}, ""
			points = append(points, in)
		}
		got, err := answer.Changes(engine(t, before), engine(t, after), loaded(slices.Values(points)))
		require.NoError(t, err)
		var want []string
		for _, in := range points {
			in.Policy = before
			was := mustAnswer(t, in)
			in.Policy = after
			if now := mustAnswer(t, in); now.Verdict != was.Verdict {
				want = append(want, in.Point.ID)
				c := got.Changes[len(want)-1]
				assert.Equal(t, in.Point.ID, c.Point)
				assert.Equal(t, was.Verdict, c.Before.Verdict)
				assert.Equal(t, now.Verdict, c.After.Verdict)
			}
		}
		assert.Len(t, got.Changes, len(want))
		n := 0
		for _, k := range got.Before {
			n += k
		}
		assert.Equal(t, len(points), n)
	})
}

// A point that cannot be loaded ends a what-if with the reason.
func TestChangesEndWithTheFirstError(t *testing.T) {
	e := engine(t, policy(t))
	broken := errors.New("no such layer")
	asked := 0
	_, err := answer.Changes(e, e, func(yield func(func() (answer.Input, error)) bool) {
		for range 1_000_000 {
			asked++
			if !yield(func() (answer.Input, error) { return answer.Input{}, broken }) {
				return
			}
		}
	})
	require.ErrorIs(t, err, broken)
	assert.Less(t, asked, 1_000_000)
}
