package server_test

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// now is the day the tests are made on.
var now = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

var author = sqlite.Author{Who: "fixture"}

// fixture is an invented atlas: a riverbank with a good, a weak and a
// forbidden point, and an embankment that nobody has classified.
func fixture(t testing.TB, change ...func(*server.Config)) (*server.Server, *sqlite.Store) {
	t.Helper()
	policy, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	c := server.Config{Now: func() time.Time { return now }, Log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn})), Version: "test"}
	for _, f := range change {
		f(&c)
	}
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Policy: policy, Now: c.Now})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, store.Close()) })
	fill(t, store)
	c.Store = store
	s, err := server.New(c)
	require.NoError(t, err)
	return s, store
}

func fill(t testing.TB, store *sqlite.Store) {
	t.Helper()
	ctx := t.Context()
	day := func(y int, m time.Month, d int) survey.Opt[time.Time] {
		return survey.Known(time.Date(y, m, d, 10, 0, 0, 0, time.UTC))
	}
	river := survey.Site{
		ID: "s-alder", Name: "Alder Bend", Code: "AB-1", District: "North", Kind: "riverbank",
		Geometry: orb.LineString{{-91.2062, 44.6509}, {-91.2045, 44.6512}, {-91.2030, 44.6518}},
		Access:   "From Mill Lane, through the farm gate.\nGate code at dispatch.", Staging: "Gravel lay-by, room for two engines.",
		Contacts: []survey.Contact{{Who: "Farm on the lane", Phone: "555 0100", For: "gate"}},
		Hazards:  []string{"Undercut bank after high water", "Barbed wire along the crest"},
		Water:    survey.Water{Gauge: "Alder at the mill", WarnStageM: survey.Known(geo.Length(2.4))},
		Review:   survey.Review{State: survey.Signed, By: "rescue lead", At: day(2026, 4, 20), Due: day(2027, 4, 20)},
	}
	bank := survey.Site{
		ID: "s-cutting", Name: "Quarry Road cutting", Code: "QR-2", District: "North", Kind: "embankment",
		Geometry: orb.Point{-91.1985, 44.6547},
	}
	for _, s := range []survey.Site{river, bank} {
		_, err := store.PutSite(ctx, s, author, survey.Opt[int64]{})
		require.NoError(t, err)
	}
	good := survey.Point{
		ID: "p-good", Site: river.ID, Label: "A1", Position: orb.Point{-91.2045, 44.6513}, SurveyedAt: day(2026, 4, 12), SurveyedBy: "second crew",
		Fix: survey.Fix{Source: "gnss", AccuracyM: survey.Known(geo.Length(3))},
		Ground: survey.Ground{
			Class: survey.ClassA, Texture: survey.ClayLoam, Moisture: survey.Moist,
			Disturbed: survey.No, Fissured: survey.No, Seeping: survey.No, Vibration: survey.No, LayersDip: survey.No,
			Tests: []survey.GroundTest{
				{Kind: survey.PocketPenetrometer, Reading: survey.Num(2), Unit: "tsf", At: day(2026, 4, 12)},
				{Kind: survey.Visual, Reading: survey.Word("fine-grained, stands in clods"), At: day(2026, 4, 12)},
			},
		},
		Terrain:         survey.Terrain{SlopeDeg: survey.Known(35.0), HeightM: survey.Known(geo.Length(9)), FallLineDeg: survey.Known(geo.Bearing(168)), SetbackM: survey.Known(geo.Length(6)), Source: survey.TerrainMeasured},
		Pull:            survey.Pull{BearingDeg: survey.Known(168.0), North: survey.TrueNorth, Source: survey.PullMeasured},
		BuriedUtilities: survey.BuriedUtilities{State: survey.BuriedClear, Ticket: "T-77", Until: day(2026, 6, 1)},
		Overhead:        survey.Overhead{State: survey.OverheadNone},
		Anchors: []survey.Anchor{{
			ID: "T1", Kind: survey.KindTree, BearingDeg: survey.Known(geo.Bearing(350)), DistanceM: survey.Known(geo.Length(7)), DiameterMM: survey.Known(410.0), Condition: "living, rooted",
		}},
	}
	weak := good
	weak.ID, weak.Label, weak.Position, weak.Anchors = "p-weak", "A2", orb.Point{-91.2036, 44.6516}, nil
	weak.Ground.Class, weak.Ground.Texture, weak.Ground.Tests = survey.ClassC, survey.LoamySand, []survey.GroundTest{{Kind: survey.Visual, Reading: survey.Word("runs through the fingers"), At: day(2023, 4, 12)}}
	weak.SurveyedAt = day(2023, 4, 12)
	weak.PullTests = []survey.PullTest{{Rig: "1-1-1", ForceKN: 9, Outcome: survey.Moved, MovementMM: survey.Known(25.0), At: day(2023, 4, 12), Moisture: survey.Moist, Instrument: "load cell"}}
	barred := good
	barred.ID, barred.Label, barred.Position = "p-barred", "A10", orb.Point{-91.2056, 44.6511}
	barred.Anchors, barred.BuriedUtilities = nil, survey.BuriedUtilities{State: survey.BuriedPresent, Ticket: "T-78"}
	bare := survey.Point{ID: "p-bare", Site: bank.ID, Label: "Top <gate> & fence", Position: orb.Point{-91.1985, 44.6547}}
	for _, p := range []survey.Point{good, weak, barred, bare} {
		_, err := store.PutPoint(ctx, p, author, survey.Opt[int64]{})
		require.NoError(t, err)
	}
	water := survey.Layer{ID: "river", Title: "River", Role: survey.RoleWater, Licence: "invented", AsOf: day(2025, 1, 1)}
	addLayer(t, store, water, orb.Polygon{{{-91.2075, 44.6502}, {-91.2070, 44.6497}, {-91.2044, 44.6506}, {-91.2020, 44.6513}, {-91.2021, 44.6517}, {-91.2044, 44.6510}, {-91.2075, 44.6502}}})
	addLayer(t, store, survey.Layer{ID: "crest", Title: "Bank crest", Role: survey.RoleCrest}, orb.LineString{{-91.2072, 44.6506}, {-91.2044, 44.65125}, {-91.2022, 44.6519}})
	addLayer(t, store, survey.Layer{ID: "gas", Title: "Gas main", Role: survey.RoleBuried}, orb.LineString{{-91.2058, 44.6505}, {-91.2055, 44.6518}})
	addLayer(t, store, survey.Layer{ID: "roads", Title: "Roads", Role: survey.RoleRoad}, orb.LineString{{-91.2080, 44.6522}, {-91.2040, 44.6527}, {-91.1970, 44.6550}})
	addLayer(t, store, survey.Layer{ID: "wires", Title: "Overhead lines", Role: survey.RoleOverhead}, orb.LineString{{-91.2025, 44.6505}, {-91.2025, 44.6535}})
}

func addLayer(t testing.TB, store *sqlite.Store, l survey.Layer, shapes ...orb.Geometry) {
	t.Helper()
	_, err := store.AddLayer(t.Context(), l, func(yield func(survey.LayerFeature, error) bool) {
		for _, g := range shapes {
			if !yield(survey.LayerFeature{Geometry: g, Properties: []byte(`{"name":"` + l.Title + `"}`)}, nil) {
				return
			}
		}
	}, author)
	require.NoError(t, err)
}

// call makes one request from this machine; headers come as "Name: value".
func call(t testing.TB, h http.Handler, method, target, body string, headers ...string) *http.Response {
	t.Helper()
	return callAs(t, h, "localhost", method, target, body, headers...)
}

// callAs is call to a host of another name.
func callAs(t testing.TB, h http.Handler, host, method, target, body string, headers ...string) *http.Response {
	t.Helper()
	var in io.Reader
	if body != "" {
		in = strings.NewReader(body)
	}
	r := httptest.NewRequestWithContext(t.Context(), method, target, in)
	r.Host = host
	for _, one := range headers {
		name, value, ok := strings.Cut(one, ": ")
		require.True(t, ok, "header %q", one)
		r.Header.Set(name, value)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}

func bodyOf(t testing.TB, res *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return string(b)
}
