package near_test

import (
	"math"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/near"
	"holdfast/survey/surround"
)

var asOf = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

// bank is a point on a bank that falls south at 45°, 7 m high, its edge 3 m
// off, where only a tree 20 m behind the point can hold: cobbles take no stake.
func bank() survey.Point {
	day := survey.Known(asOf.AddDate(0, -1, 0))
	return survey.Point{
		ID: "p", Site: "s", Label: "P1", Position: orb.Point{-91.2, 44.65}, SurveyedAt: day,
		Fix: survey.Fix{Source: "gnss", AccuracyM: survey.Known(geo.Length(1))},
		Ground: survey.Ground{
			Texture: survey.Cobbles, Moisture: survey.Moist, Disturbed: survey.No, Fissured: survey.No, Seeping: survey.No, Vibration: survey.No, LayersDip: survey.No,
			Tests: []survey.GroundTest{{Kind: survey.Visual, Reading: survey.Word("cobbles in gravel")}},
		},
		Terrain:         survey.Terrain{SlopeDeg: survey.Known(45.0), HeightM: survey.Known(geo.Length(7)), SetbackM: survey.Known(geo.Length(3)), Source: survey.TerrainMeasured},
		Pull:            survey.Pull{BearingDeg: survey.Known(180.0), North: survey.TrueNorth, Source: survey.PullMeasured},
		BuriedUtilities: survey.BuriedUtilities{State: survey.BuriedClear, Ticket: "T-1", Until: survey.Known(asOf.AddDate(0, 1, 0))},
		Overhead:        survey.Overhead{State: survey.OverheadNone},
		Anchors: []survey.Anchor{{
			ID: "T1", Kind: survey.KindTree, Condition: "living, rooted", DiameterMM: survey.Known(500.), RatedKN: survey.Known(60.), Evidence: survey.TestedHere,
			BearingDeg: survey.Known(geo.Bearing(0)), DistanceM: survey.Known(geo.Length(20)),
		}},
	}
}

func judge(t *testing.T, p survey.Point, rope geo.Length) (near.Found, bool) {
	t.Helper()
	policy, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	e, err := answer.NewEngine(policy)
	require.NoError(t, err)
	foot, _ := geodesic.Direct(p.Position, 180, 10) // at the toe: 3 m to the edge, 7 m of face
	f, ok, err := near.Judge(e, near.Question{At: foot, Rope: rope}, answer.Input{
		Point: p, Site: survey.Site{ID: "s", Code: "S-1"}, Policy: policy, AsOf: asOf, Around: surround.Around{Roles: map[survey.Role]bool{}},
	})
	require.NoError(t, err)
	return f, ok
}

// source: plane geometry. From the point: 3 m to the edge, 7/sin 45° = 9.9 m
// down, 3 m to tie in; from the tree 20 m more.
func TestRopeIsCountedFromTheAnchor(t *testing.T) {
	want := 3 + 7/math.Sin(math.Pi/4) + 3 + 20
	f, ok := judge(t, bank(), 60)
	require.True(t, ok)
	assert.InDelta(t, want, f.RopeM.Metres(), 0.01)
	assert.Contains(t, f.Anchor, "tree T1")
	_, ok = judge(t, bank(), geo.Length(want-1))
	assert.False(t, ok, "the rope does not reach down from the tree, and nothing else holds here")

	lost := bank()
	lost.Anchors[0].DistanceM = survey.Opt[geo.Length]{}
	f, ok = judge(t, lost, 60)
	require.True(t, ok)
	assert.NotEqual(t, answer.Holds, f.Verdict, "how far it stands is not recorded")
}

// TestReservationsAreSaid: what the answer of the point would say against it is
// said here too.
func TestReservationsAreSaid(t *testing.T) {
	f, ok := judge(t, bank(), 60)
	require.True(t, ok)
	require.Equal(t, answer.Holds, f.Verdict)
	assert.Contains(t, f.Doubts, "no independent belay anchor")
	assert.Contains(t, f.Doubts, "sign-off: draft: nobody has signed it")
	assert.Contains(t, f.Sentence, ". But no independent belay anchor; ")
}
