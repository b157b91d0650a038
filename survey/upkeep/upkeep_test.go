package upkeep_test

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/upkeep"
)

// The rules are the program's own and are written out in the package's words;
// the expected lists are those words applied by hand.

var now = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

func day(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 0, 0, 0, 0, time.UTC) }

func place(site survey.Site, label string, surveyed survey.Opt[time.Time]) upkeep.Place {
	return upkeep.Place{Site: site, Point: survey.Point{ID: site.Code + label, Site: site.ID, Label: label, SurveyedAt: surveyed}}
}

func labels(ps []upkeep.Due) []string {
	var out []string
	for _, p := range ps {
		out = append(out, p.Point.Label)
	}
	return out
}

func TestStale(t *testing.T) {
	site := survey.Site{ID: "s", Code: "S"}
	policy := survey.Policy{ResurveyMonths: survey.Line[float64]{Value: 24}}
	got := upkeep.Stale([]upkeep.Place{
		place(site, "fresh", survey.Known(day(2025, 1, 1))),
		place(site, "old", survey.Known(day(2023, 1, 1))),
		place(site, "older", survey.Known(day(2021, 1, 1))),
		place(site, "undated", survey.Opt[time.Time]{}),
		place(site, "to come", survey.Known(day(2027, 1, 1))),
		place(site, "to the day", survey.Known(now.AddDate(0, -24, 0))),
	}, policy, now)
	assert.Equal(t, []string{"to come", "undated", "older", "old"}, labels(got))
	assert.False(t, got[0].Since.Known())
	since, ok := got[2].Since.Get()
	assert.True(t, ok)
	assert.Equal(t, day(2023, 1, 1), since, "two years after the survey")
}

func TestVouch(t *testing.T) {
	signed := func(at time.Time, due survey.Opt[time.Time]) survey.Review {
		return survey.Review{State: survey.Signed, By: "R. Vale", At: survey.Known(at), Due: due}
	}
	site := func(code string, r survey.Review) survey.Site {
		return survey.Site{ID: "s" + code, Code: code, Review: r}
	}
	later := survey.Known(day(2027, 1, 1))
	sites := []survey.Site{
		site("A", survey.Review{}),
		site("B", survey.Review{State: survey.Draft}),
		site("C", survey.Review{State: survey.Reviewed}),
		site("D", signed(day(2026, 1, 1), later)),
		site("E", signed(day(2026, 1, 1), survey.Known(day(2026, 4, 1)))),
		site("F", signed(day(2026, 1, 1), later)),
	}
	changed := func(s survey.Site, label string, at time.Time) upkeep.Place {
		p := place(s, label, survey.Opt[time.Time]{})
		p.ChangedAt = survey.Known(at)
		return p
	}
	places := []upkeep.Place{
		changed(sites[1], "P1", day(2026, 2, 1)),
		changed(sites[3], "P1", day(2025, 12, 31)),
		place(sites[3], "P2", survey.Known(day(2026, 1, 1).Add(9*time.Hour))), // on the day of the signature
		place(sites[5], "P2", survey.Known(day(2026, 1, 2))),
		changed(sites[5], "P1", day(2026, 3, 2)),
	}
	got := upkeep.Vouch(sites, places, now)
	want := map[string][]string{
		"E": {"signed, but review was due 2026-04-01"},
		"F": {"changed since it was signed: P1, P2"},
		"C": {"reviewed, not signed"},
		"B": {"draft: nobody has reviewed it"},
		"A": {"no review is recorded"},
	}
	var order []string
	for _, u := range got {
		order = append(order, u.Site.Code)
		assert.Equal(t, want[u.Site.Code], u.Why, u.Site.Code)
	}
	assert.Equal(t, []string{"E", "F", "C", "B", "A"}, order)
}

func TestAfterFlood(t *testing.T) {
	river := survey.Site{ID: "r", Code: "R", Water: survey.Water{Gauge: "Alder weir", DatumM: survey.Known(geo.Length(200))}}
	hill := survey.Site{ID: "h", Code: "H", Water: survey.Water{Gauge: "Mill bridge"}}
	bare := survey.Site{ID: "b", Code: "B"}
	at := func(p upkeep.Place, elevation geo.Length) upkeep.Place {
		p.Point.ElevationM = survey.Known(elevation)
		return p
	}
	before := survey.Known(day(2025, 6, 1))
	places := []upkeep.Place{
		at(place(river, "low", before), 203),
		at(place(river, "lower", before), 201.5),
		at(place(river, "high but near", before), 210),
		at(place(river, "high and far", before), 210),
		place(river, "no elevation", before),
		at(place(river, "seen since", survey.Known(day(2026, 4, 20))), 201),
		place(hill, "other gauge", before),
		place(bare, "no gauge", survey.Opt[time.Time]{}),
	}
	distance := map[string]geo.Length{"low": 60, "high but near": 12}
	water := func(p survey.Point) (geo.Length, bool, bool, error) {
		d, ok := distance[p.Label]
		return d, ok, true, nil
	}

	t.Run("with a stage", func(t *testing.T) {
		got, err := upkeep.AfterFlood(places, upkeep.Flood{Ended: day(2026, 4, 10), Gauge: "alder weir", Stage: survey.Known(geo.Length(4)), Within: 30}, water)
		require.NoError(t, err)
		type row struct {
			label  string
			reason upkeep.Reason
		}
		var rows []row
		for _, w := range got.Walk {
			rows = append(rows, row{w.Point.Label, w.Reason})
		}
		assert.Equal(t, []row{
			{"lower", upkeep.UnderWater},
			{"low", upkeep.UnderWater},
			{"high but near", upkeep.NearWater},
			{"no gauge", upkeep.CannotTell},
			{"no elevation", upkeep.CannotTell},
		}, rows)
		depth, _ := got.Walk[0].Depth.Get()
		assert.InDelta(t, 2.5, depth.Metres(), 1e-9, "200 + 4 - 201.5")
		assert.Equal(t, []int{1, 1, 1}, []int{got.Done, got.Dry, got.Foreign})
	})
	t.Run("without a stage only nearness counts", func(t *testing.T) {
		got, err := upkeep.AfterFlood(places, upkeep.Flood{Ended: day(2026, 4, 10), Within: 30}, water)
		require.NoError(t, err)
		require.Len(t, got.Walk, 1)
		assert.Equal(t, "high but near", got.Walk[0].Point.Label)
	})
	t.Run("without a water layer nothing is dry", func(t *testing.T) {
		got, err := upkeep.AfterFlood(places, upkeep.Flood{Ended: day(2026, 4, 10), Stage: survey.Known(geo.Length(4)), Within: 30},
			func(survey.Point) (geo.Length, bool, bool, error) { return 0, false, false, nil })
		require.NoError(t, err)
		assert.Zero(t, got.Dry)
		assert.Len(t, got.Walk, len(places)-1)
	})
	t.Run("an error of the layers is passed on", func(t *testing.T) {
		broken := errors.New("broken")
		_, err := upkeep.AfterFlood(places, upkeep.Flood{Ended: now}, func(survey.Point) (geo.Length, bool, bool, error) { return 0, false, false, broken })
		assert.ErrorIs(t, err, broken)
	})
}

// TestFloodLaws: every point is accounted for once, and a higher stage or a
// wider strip never takes a point off the list.
func TestFloodLaws(t *testing.T) {
	opt := func(r *rapid.T, name string) survey.Opt[geo.Length] {
		if rapid.Bool().Draw(r, name+" known") {
			return survey.Known(geo.Length(rapid.Float64Range(0, 20).Draw(r, name)))
		}
		return survey.Opt[geo.Length]{}
	}
	rapid.Check(t, func(r *rapid.T) {
		var places []upkeep.Place
		near := map[string]survey.Opt[geo.Length]{}
		for i := range rapid.IntRange(0, 8).Draw(r, "points") {
			p := place(survey.Site{ID: "s", Code: "S", Water: survey.Water{DatumM: opt(r, "zero")}}, string(rune('a'+i)), survey.Opt[time.Time]{})
			p.Point.ElevationM = opt(r, "elevation")
			near[p.Point.Label] = opt(r, "distance")
			places = append(places, p)
		}
		known := rapid.Bool().Draw(r, "water on file")
		water := func(p survey.Point) (geo.Length, bool, bool, error) {
			d, ok := near[p.Label].Get()
			return d, ok && known, known, nil
		}
		f := upkeep.Flood{Ended: now, Stage: opt(r, "stage"), Within: geo.Length(rapid.Float64Range(0, 20).Draw(r, "within"))}
		worse := f
		worse.Within += geo.Length(rapid.Float64Range(0, 5).Draw(r, "wider"))
		if s, ok := f.Stage.Get(); ok {
			worse.Stage = survey.Known(s + geo.Length(rapid.Float64Range(0, 5).Draw(r, "higher")))
		}
		a, err := upkeep.AfterFlood(places, f, water)
		require.NoError(r, err)
		b, err := upkeep.AfterFlood(places, worse, water)
		require.NoError(r, err)
		assert.Equal(r, len(places), len(a.Walk)+a.Dry+a.Done+a.Foreign)
		listed := map[string]bool{}
		for _, w := range b.Walk {
			listed[w.Point.Label] = true
		}
		for _, w := range a.Walk {
			assert.True(r, listed[w.Point.Label], w.Point.Label)
		}
	})
}
