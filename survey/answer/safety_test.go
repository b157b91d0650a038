package answer_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
)

// ratedTree stands 6 m behind the point, tested to 40 kN.
func ratedTree() survey.Anchor {
	return survey.Anchor{
		ID: "T1", Kind: survey.KindTree, DiameterMM: survey.Known(400.), Condition: "living, well rooted",
		RatedKN: survey.Known(40.), Evidence: survey.TestedHere,
		BearingDeg: survey.Known(geo.Bearing(34)), DistanceM: survey.Known(geo.Length(6)),
	}
}

// What nobody has said to be good is not taken to be good.
func TestAConditionMustBeSaid(t *testing.T) {
	for condition, want := range map[string]answer.Verdict{
		"living, well rooted": answer.Holds, "sound": answer.Holds, "solid, no cracks": answer.Holds,
		"": answer.Unknown, "unknown": answer.Unknown, "not checked": answer.Unknown, "not living": answer.Unknown,
		"dead": answer.No, "stump": answer.No, "living, roots exposed": answer.No, "sound but leaning over the edge": answer.No,
	} {
		p := firm()
		a := ratedTree()
		a.Condition = condition
		p.Anchors = []survey.Anchor{a}
		assert.Equal(t, want, option(t, ask(t, p), "T1").Verdict, condition)
	}
}

// The crest is 3 m from the point, on 214°.
func TestAnAnchorBeyondTheCrest(t *testing.T) {
	for _, c := range []struct {
		bearing, distance float64
		kind              survey.AnchorKind
		want              answer.Verdict
	}{
		{34, 6, survey.KindTree, answer.Holds},
		{214, 2.5, survey.KindTree, answer.Holds},
		{214, 20, survey.KindTree, answer.No},
		{214, 2.5, survey.KindDeadman, answer.No}, // a deadman needs earth in front of it
		{34, 6, survey.KindDeadman, answer.Holds},
	} {
		p := firm()
		a := ratedTree()
		a.Kind, a.BearingDeg, a.DistanceM = c.kind, survey.Known(geo.Bearing(c.bearing)), survey.Known(geo.Length(c.distance))
		if c.kind == survey.KindDeadman {
			a.DiameterMM, a.DepthM, a.LengthM = survey.Known(304.8), survey.Known(5*geo.Foot), survey.Known(5*geo.Foot)
		}
		p.Anchors = []survey.Anchor{a}
		assert.Equal(t, c.want, option(t, ask(t, p), "T1").Verdict, "%+v", c)
	}
}

func TestATestedRatingInWetterGround(t *testing.T) {
	p := firm()
	p.Anchors = []survey.Anchor{ratedTree()}
	o := option(t, ask(t, p, func(in *answer.Input) { in.Tonight = survey.Submerged }), "T1")
	assert.NotEqual(t, answer.Holds, o.Verdict)
	require.NotEmpty(t, o.Main.Anchor.Evidence)
	assert.False(t, o.Main.Anchor.Evidence[0].Used, "shown, not used")
}

// "holds" says in the same breath what does not decide it and must not be
// missed.
func TestTheSentenceCarriesItsReservations(t *testing.T) {
	written := firm()
	written.Ground.Class, written.Ground.Tests = survey.ClassA, nil
	a := ask(t, written)
	assert.Contains(t, a.Sentence, "no test behind it")

	old := firm()
	old.SurveyedAt = survey.Known(asOf.AddDate(-9, 0, 0))
	assert.Contains(t, ask(t, old).Sentence, "days old")
	undated := firm()
	undated.SurveyedAt = survey.Opt[time.Time]{}
	assert.Contains(t, ask(t, undated).Sentence, "not recorded")

	weak := firm()
	weak.Ground.Tests[0].Reading = survey.Num(1.0) // three rigs, whose legs need 4.6 m before the edge
	assert.Contains(t, ask(t, weak).Sentence, "Set them back 5 ft 4 in (1.63 m) from the marked point, on 034° true")
	assert.Contains(t, ask(t, weak).Sentence, "But the rigs take 13 ft 5 in (4.07 m) of ground behind the point; whether it is there is not recorded.")
	assert.NotContains(t, ask(t, firm()).Sentence, "But")
}

// Tests that say one thing and estimates that say another are a doubt.
func TestTestsAgainstTheHandbook(t *testing.T) {
	p := firm()
	p.PullTests = []survey.PullTest{{Rig: "1-1-1", ForceKN: 26.69, Outcome: survey.Held}}
	o := option(t, ask(t, p), "1-1-1")
	assert.Contains(t, o.Main.Reasons[len(o.Main.Reasons)-1], "doubt: the tests say")
}
