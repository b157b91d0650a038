package answer_test

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/surround"
)

var asOf = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

func policy(t testing.TB) survey.Policy {
	t.Helper()
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	return p
}

// firm is a point with nothing left to ask: Type A clay loam, level ground
// round the stake, the bank 3 m away, locate in date, nothing overhead.
func firm() survey.Point {
	surveyed := time.Date(2026, 4, 1, 9, 0, 0, 0, time.UTC)
	return survey.Point{
		ID: "p1", Position: orb.Point{-91.2, 44.65}, ElevationM: survey.Known(geo.Length(240)),
		Site: "s1", Label: "P1", SurveyedAt: survey.Known(surveyed), SurveyedBy: "crew",
		Fix: survey.Fix{Source: "gnss", AccuracyM: survey.Known(geo.Length(2))},
		Ground: survey.Ground{
			Texture: survey.ClayLoam, Moisture: survey.Moist,
			Disturbed: survey.No, Fissured: survey.No, Seeping: survey.No, Vibration: survey.No, LayersDip: survey.No,
			Tests: []survey.GroundTest{
				{Kind: survey.PocketPenetrometer, Reading: survey.Num(1.75), Unit: "tsf"},
				{Kind: survey.Visual, Reading: survey.Word("fine-grained, in clumps, no cracks")},
			},
			DepthToRefusalM: survey.Known(geo.Length(1.5)),
		},
		Terrain: survey.Terrain{
			SlopeDeg: survey.Known(35.0), HeightM: survey.Known(geo.Length(6)), SetbackM: survey.Known(geo.Length(3)), Source: survey.TerrainMeasured,
		},
		Pull:            survey.Pull{BearingDeg: survey.Known(214.0), North: survey.TrueNorth, Source: survey.PullMeasured},
		BuriedUtilities: survey.BuriedUtilities{State: survey.BuriedClear, Ticket: "T-1", Until: survey.Known(asOf.AddDate(0, 1, 0))},
		Overhead:        survey.Overhead{State: survey.OverheadNone},
	}
}

func ask(t testing.TB, p survey.Point, change ...func(*answer.Input)) answer.Answer {
	t.Helper()
	in := answer.Input{Point: p, Site: survey.Site{ID: "s1", Code: "S1"}, Policy: policy(t), AsOf: asOf, Around: surround.Around{Roles: map[survey.Role]bool{}}}
	for _, c := range change {
		c(&in)
	}
	a, err := answer.For(in)
	require.NoError(t, err)
	return a
}

func option(t testing.TB, a answer.Answer, rig string) answer.Option {
	t.Helper()
	for _, o := range a.Options {
		if o.Main.Anchor.Rig == rig || o.Main.Anchor.ID == rig {
			return o
		}
	}
	t.Fatalf("no option for %s in %v", rig, a.Options)
	return answer.Option{}
}

func ratio(o answer.Option) float64 {
	r, ok := o.GoverningRatio.Get()
	if !ok {
		return math.NaN()
	}
	return r
}

func TestLook(t *testing.T) {
	a := ask(t, firm())
	b, _ := json.MarshalIndent(a, "", " ")
	fmt.Println(string(b)[:6000])
	fmt.Println(a.Sentence)
	for _, o := range a.Options {
		fmt.Println(o.Rank, o.Verdict, o.Summary, "|", o.Why, "|", o.People, o.Minutes, o.Kit)
		assert.NotEmpty(t, o.Main.Reasons)
	}
}
