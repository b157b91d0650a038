package server_test

import (
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// shownPage is what the map draws.
type shownPage struct {
	Features []struct {
		ID         string
		Properties map[string]any
	}
}

// TestCasualtyPage asks the incident question as a plain page: no script has a
// part in it.
func TestCasualtyPage(t *testing.T) {
	s, _ := fixture(t)
	page := func(q url.Values) string {
		t.Helper()
		res := call(t, s, http.MethodGet, "/?"+q.Encode(), "")
		body := bodyOf(t, res)
		require.Equal(t, http.StatusOK, res.StatusCode, body)
		return body
	}
	// 23.6 m from A1 on 160° true. Source: GeodSolve -i, GeographicLib 2.1.2:
	// 44.6513 -91.2045 44.6511 -91.2044 gives 160.358 and 23.598 m.
	got := page(url.Values{"casualty": {"15T XK 42377 45761"}, "load": {"two-person"}})
	for _, word := range []string{"AB-1 A1", "160° true", "77 ft (23.6 m)", "Rope needed", "Off the pull bearing", "Two 3-2-1 rigs"} {
		assert.Contains(t, got, word)
	}
	assert.NotContains(t, got, "AB-1 A2", "outside the rope")
	assert.Contains(t, page(url.Values{"casualty": {"44.6511, -91.2044"}, "rope_m": {"15.24"}}), "No surveyed point reaches this place with 50 ft (15.2 m)")
	assert.Contains(t, page(url.Values{"casualty": {"the old mill"}}), "the old mill", "what was written stays in the form")

	// 44 40 S ... could be a band or a hemisphere: each reading is listed with
	// its address, and none is taken.
	both := page(url.Values{"casualty": {"15S 642364 3945775"}, "rope_m": {"60"}})
	assert.Contains(t, both, "This could be more than one place")
	assert.GreaterOrEqual(t, strings.Count(both, `href="/?casualty=`), 2)
	assert.Contains(t, both, "rope_m=60")
	assert.NotContains(t, both, "data-verdict")
}

// TestSearch finds sites by what people know of them, and lists every meaning
// of a position that has several.
func TestSearch(t *testing.T) {
	s, _ := fixture(t)
	for _, c := range []struct{ name, text, want string }{
		{"name", "alder", `<a href="/sites/s-alder">Alder Bend</a>`},
		{"code", "qr-2", `<a href="/sites/s-cutting">`},
		{"label", "A10", `<a href="/points/p-barred">A10</a>`},
		{"address text", "MILL LANE", "by its address text"},
		{"position", "15T XK 42377 45761", "15T XK 42377 45761"},
		{"plus code", "86P8MQ2W+FC", "Casualty here"},
		{"ambiguous", "15S 642364 3945775", "This could be more than one place"},
		{"a wildcard is a letter", "%", "Nothing here has that name"},
		{"nothing", "zzzz", "Nothing here has that name"},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.Contains(t, bodyOf(t, call(t, s, http.MethodGet, "/?"+url.Values{"q": {c.text}}.Encode(), "")), c.want)
		})
	}
}

// TestReachPage gives the lengths of bank without a script.
func TestReachPage(t *testing.T) {
	s, _ := fixture(t)
	got := bodyOf(t, call(t, s, http.MethodGet, "/?coverage=1&rope_m=30.48", ""))
	for _, word := range []string{"Bank crest", `<a href="/sites/AB-1">AB-1</a>`, "Longest stretches out of reach", "100 ft (30.5 m)"} {
		assert.Contains(t, got, word)
	}
	drawn := parse[shownPage](t, call(t, s, http.MethodGet, "/map/reaches?bbox=-91.21,44.65,-91.20,44.66&rope_m=30.48", ""))
	states := map[string]bool{}
	for _, f := range drawn.Features {
		states[f.Properties["state"].(string)] = true
	}
	assert.True(t, states["holds"] && states["uncovered"], "%v", states)
}

// TestZones holds what is kept clear against the sources: 24 in beside a
// buried line is the default policy's tolerance, 20 ft below an overhead line
// of unknown voltage that of 350 kV in 29 CFR 1926.1408 Table A, 10 ft that
// of 50 kV and less. Half the pipe's width and a line's own tolerance count.
func TestZones(t *testing.T) {
	s, store := fixture(t)
	line := orb.LineString{{-91.2050, 44.6530}, {-91.2040, 44.6530}}
	for id, l := range map[string]struct {
		role  survey.Role
		props string
	}{
		"duct": {survey.RoleBuried, `{"tolerance_m": 1.5, "diameter_mm": 600}`},
		"kv12": {survey.RoleOverhead, `{"kv": 12}`},
	} {
		_, err := store.AddLayer(t.Context(), survey.Layer{ID: id, Title: id, Role: l.role}, func(yield func(survey.LayerFeature, error) bool) {
			yield(survey.LayerFeature{Geometry: line, Properties: []byte(l.props)}, nil)
		}, author)
		require.NoError(t, err)
	}
	widths := map[string]float64{}
	for _, f := range parse[shownPage](t, call(t, s, http.MethodGet, "/map/zones?bbox=-91.21,44.64,-91.19,44.66", "")).Features {
		widths[f.Properties["layer"].(string)] = f.Properties["width_m"].(float64)
	}
	assert.InDelta(t, 24*0.0254, widths["gas"], 0.01)
	assert.InDelta(t, 1.5+0.3, widths["duct"], 1e-9)
	assert.InDelta(t, 20*0.3048, widths["wires"], 1e-9)
	assert.InDelta(t, 10*0.3048, widths["kv12"], 1e-9)
	assert.InDelta(t, 3, widths["roads"], 1e-9, "a lane's room, of the department")
	assert.NotContains(t, widths, "river")

	// Beside the line but within its zone, the feature is still named.
	here := bodyOf(t, call(t, s, http.MethodGet, "/map/here?at=-91.2045,44.65302&within_m=1", ""))
	assert.Contains(t, here, "clearance for 12 kV by 29 CFR 1926.1408 Table A")
	assert.NotContains(t, bodyOf(t, call(t, s, http.MethodGet, "/map/here?at=-91.2045,44.65302&within_m=1&layers=gas", "")), "kv12", "switched off")
}

// TestMarksFollowTheAtlas changes what verdicts rest on; the map shows it at
// once.
func TestMarksFollowTheAtlas(t *testing.T) {
	s, store := fixture(t)
	verdicts := func() map[string]string {
		out := map[string]string{}
		for _, f := range parse[shownPage](t, call(t, s, http.MethodGet, "/map/points", "")).Features {
			out[f.ID] = fmt.Sprint(f.Properties["verdict"])
		}
		return out
	}
	before := verdicts()
	assert.Equal(t, map[string]string{"p-good": "holds", "p-weak": "short", "p-barred": "unknown", "p-bare": "unknown"}, before)

	row, err := store.Point(t.Context(), "p-good")
	require.NoError(t, err)
	changed := row.Item
	changed.BuriedUtilities.State = survey.BuriedNotLocated
	_, err = store.PutPoint(t.Context(), changed, author, survey.Opt[int64]{})
	require.NoError(t, err)
	assert.NotEqual(t, "holds", verdicts()["p-good"], "a point was changed")

	_, err = store.PutPoint(t.Context(), row.Item, author, survey.Opt[int64]{})
	require.NoError(t, err)
	addLayer(t, store, survey.Layer{ID: "main", Title: "Water main", Role: survey.RoleBuried}, orb.LineString{{-91.2050, 44.6513}, {-91.2040, 44.6513}})
	assert.NotEqual(t, "holds", verdicts()["p-good"], "a main was loaded that runs through the anchor")

	require.NoError(t, store.DeletePoint(t.Context(), "p-weak", author, survey.Opt[int64]{}))
	assert.NotContains(t, verdicts(), "p-weak")
}

// TestMarksInStep changes an atlas at random and asks for the map between: it
// is the map of a server that has just read everything.
func TestMarksInStep(t *testing.T) {
	s, store := fixture(t)
	many(t, store, 60, -91.3, 44.6, 0.05)
	ctx, rng := t.Context(), rand.New(rand.NewPCG(7, 11)) // fixed seed
	look := func(s *server.Server) string {
		return bodyOf(t, call(t, s, http.MethodGet, "/map/points", "")) + bodyOf(t, call(t, s, http.MethodGet, "/map/ledger?bbox=-92,44,-91,45", ""))
	}
	look(s)
	for step := range 25 {
		rows, err := store.Points(ctx, sqlite.Filter{})
		require.NoError(t, err)
		p := rows[rng.IntN(len(rows))].Item
		site, err := store.Site(ctx, p.Site)
		require.NoError(t, err)
		switch rng.IntN(6) {
		case 0:
			require.NoError(t, store.DeletePoint(ctx, p.ID, author, survey.Opt[int64]{}))
		case 1: // to another site
			p.Site, p.Label = fmt.Sprintf("m-%05d", rng.IntN(3)), fmt.Sprint("moved ", step)
			_, err = store.PutPoint(ctx, p, author, survey.Opt[int64]{})
		case 2:
			p.Position[0] += 0.001
			_, err = store.PutPoint(ctx, p, author, survey.Opt[int64]{})
		case 3:
			p.ID, p.Label = fmt.Sprint("a new ", step), fmt.Sprint("new ", step)
			_, err = store.PutPoint(ctx, p, author, survey.Opt[int64]{})
		case 4:
			site.Item.Name = fmt.Sprint("Renamed ", step)
			_, err = store.PutSite(ctx, site.Item, author, survey.Opt[int64]{})
		case 5: // bears on all
			p.PullTests = append(p.PullTests, survey.PullTest{Rig: "1-1-1", ForceKN: 9.5, Outcome: survey.Held, At: survey.Known(now)})
			_, err = store.PutPoint(ctx, p, author, survey.Opt[int64]{})
		}
		require.NoError(t, err)
		fresh, err := server.New(server.Config{Store: store, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler), Version: "test"})
		require.NoError(t, err)
		require.Equal(t, look(fresh), look(s), "step %d", step)
	}
}

// many adds points over a square of a district, sites of twenty to each, in
// one import.
func many(t testing.TB, store *sqlite.Store, n int, west, south, side float64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(20261125, 1)) // fixed seed
	good, err := store.Point(t.Context(), "p-good")
	require.NoError(t, err)
	bare, err := store.Point(t.Context(), "p-bare")
	require.NoError(t, err)
	kinds := []survey.Point{good.Item, bare.Item}
	var sites []survey.Site
	points := make([]survey.Point, n)
	var middle orb.Point
	for i := range points {
		if i%20 == 0 {
			middle = orb.Point{west + side*rng.Float64(), south + side*rng.Float64()}
			k := i / 20
			sites = append(sites, survey.Site{ID: fmt.Sprintf("m-%05d", k), Code: fmt.Sprintf("M-%05d", k), Name: fmt.Sprintf("Reach %d", k), Geometry: middle})
		}
		points[i] = kinds[rng.IntN(2)]
		points[i].ID, points[i].Label, points[i].Site = fmt.Sprintf("m-%06d", i), fmt.Sprintf("P%d", i%20+1), sites[len(sites)-1].ID
		points[i].Position = orb.Point{middle[0] + 0.002*rng.Float64(), middle[1] + 0.002*rng.Float64()}
	}
	require.NoError(t, store.ImportAll(t.Context(), sites, points, author))
}

// TestManyPoints gathers points that lie too close into marks that show the
// worst of them, and never more marks than a screen can show.
func TestManyPoints(t *testing.T) {
	s, store := fixture(t)
	many(t, store, 600, -91.3, 44.6, 0.2)
	type page struct {
		NumberMatched, NumberReturned int
		Features                      []struct {
			Properties struct {
				Count, Worst int
				Verdict      string
				Tally        map[string]int
				Bounds       []float64
			}
		}
	}
	rank := map[string]int{"holds": 0, "short": 1, "unknown": 2, "no": 3} // the order in which options are ranked
	for zoom := 3; zoom <= 20; zoom++ {
		got := parse[page](t, call(t, s, http.MethodGet, fmt.Sprintf("/map/points?bbox=-92,44,-90,46&zoom=%d", zoom), ""))
		assert.Equal(t, 604, got.NumberMatched)
		assert.Len(t, got.Features, got.NumberReturned)
		sum := 0
		for _, f := range got.Features {
			p := f.Properties
			if p.Count == 0 {
				sum++
				continue
			}
			sum += p.Count
			total := 0
			for verdict, n := range p.Tally {
				total += n
				assert.LessOrEqual(t, rank[verdict], rank[p.Verdict], "zoom %d: a worse verdict is hidden", zoom)
			}
			assert.Equal(t, p.Count, total)
			assert.Equal(t, p.Tally[p.Verdict], p.Worst)
		}
		assert.Equal(t, 604, sum, "zoom %d: points are lost", zoom)
		if zoom <= 10 {
			assert.Less(t, got.NumberReturned, 100)
		}
	}
	few := parse[page](t, call(t, s, http.MethodGet, "/map/points?bbox=-91.21,44.65,-91.20,44.66&zoom=10", ""))
	for _, f := range few.Features {
		assert.Zero(t, f.Properties.Count, "few points are drawn one by one")
	}
	list := bodyOf(t, call(t, s, http.MethodGet, "/map/ledger?bbox=-92,44,-90,46", ""))
	assert.Contains(t, list, "604 points at 32 sites in view")
	assert.Less(t, len(list), 40_000)
}

// TestPrintMap lays out a view for paper with all that belongs on it.
func TestPrintMap(t *testing.T) {
	s, _ := fixture(t)
	for _, paper := range []string{"letter", "a4"} {
		got := bodyOf(t, call(t, s, http.MethodGet, "/map/print?bbox=-91.2075,44.6497,-91.2020,44.6530&casualty=44.6511,-91.2044&paper="+paper, ""))
		for _, word := range []string{"print-page " + paper, "scale 1:", "<svg", "USNG", "CASUALTY", "160° true", "Bank crest", "date not recorded", "as of 1 Jan 2025", "A1", "Atlas revision", "it does not certify an anchor"} {
			assert.True(t, strings.Contains(got, word), "%s lacks %q", paper, word)
		}
	}
}

// TestPagesShowTheirLayers draws the site with its layers and names, on the
// page of a point, each layer its checks looked at with its date, and what the
// atlas has no layer of.
func TestPagesShowTheirLayers(t *testing.T) {
	s, _ := fixture(t)
	site := bodyOf(t, call(t, s, http.MethodGet, "/sites/s-alder", ""))
	for _, word := range []string{"Map of the site", "<svg", "bank crest", "buried utility"} {
		assert.True(t, strings.Contains(site, word), "the site's page lacks %q", word)
	}
	point := bodyOf(t, call(t, s, http.MethodGet, "/points/p-good", ""))
	point = regexp.MustCompile(`<td [^>]*>`).ReplaceAllString(point, "<td>")
	for _, word := range []string{"Layers the checks looked at", "<td>River</td><td>water</td><td>as of 1 Jan 2025</td>", "<td>date not recorded</td>", "no layer of bank toe, parcel, building, access, elevation", "How a 3-2-1 rig shares the pull"} {
		assert.True(t, strings.Contains(point, word), "the point's page lacks %q", word)
	}
}
