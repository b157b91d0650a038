package server_test

import (
	"net/http"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// resurvey changes p-good twice and takes it out and puts it back.
func resurvey(t *testing.T, store *sqlite.Store) {
	t.Helper()
	row, err := store.Point(t.Context(), "p-good")
	require.NoError(t, err)
	p := row.Item
	p.Terrain.SlopeDeg, p.Terrain.SetbackM = survey.Known(40.0), survey.Opt[geo.Length]{}
	_, err = store.PutPoint(t.Context(), p, sqlite.Author{Who: "B. Other", Device: "tablet 3"}, survey.Known(row.Revision))
	require.NoError(t, err)
}

func post(t *testing.T, h http.Handler, path string, form url.Values) *http.Response {
	t.Helper()
	return call(t, h, http.MethodPost, path, form.Encode(), "Content-Type: application/x-www-form-urlencoded", "Accept: text/html")
}

func TestHistoryPages(t *testing.T) {
	s, store := fixture(t)
	resurvey(t, store)
	page := func(path string) string {
		res := call(t, s, http.MethodGet, path, "", "Accept: text/html")
		require.Equal(t, http.StatusOK, res.StatusCode, path)
		return bodyOf(t, res)
	}
	past, err := store.History(t.Context(), sqlite.Points, "p-good")
	require.NoError(t, err)
	require.Len(t, past, 2)

	for _, path := range []string{"/points/p-good", "/points/p-good/revisions"} {
		text := page(path)
		assert.Contains(t, text, `Bank, slope: <span class="was">35°</span>`)
		assert.Contains(t, text, "<b>40°</b>")
		assert.Contains(t, text, `setback from the crest: <span class="was">19 ft 8 in (6.00 m)</span>`) // 236.2 in at 25.4 mm exactly
		assert.Contains(t, text, "<b>not recorded</b>", "what was removed is not zero")
		assert.Contains(t, text, "tablet 3")
		assert.Contains(t, text, "First survey.")
	}
	old := "/points/p-good/revisions/4"
	text := page(old)
	assert.Contains(t, text, "This is how it was on 4 May 2026 08:00 UTC, not how it is.")
	assert.Contains(t, text, "Put this version back")
	assert.NotContains(t, page("/points/p-good/revisions/"+strconv.FormatInt(past[0].Number, 10)), "Put this version back")

	// Someone else was faster.
	res := post(t, s, old, url.Values{"seen": {"4"}})
	assert.Equal(t, http.StatusPreconditionFailed, res.StatusCode)
	res = post(t, s, old, url.Values{})
	assert.Equal(t, http.StatusBadRequest, res.StatusCode)
	res = post(t, s, old, url.Values{"seen": {strconv.FormatInt(past[0].Number, 10)}})
	require.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
	assert.Equal(t, "/points/p-good", res.Header.Get("Location"))
	row, err := store.Point(t.Context(), "p-good")
	require.NoError(t, err)
	slope, _ := row.Item.Terrain.SlopeDeg.Get()
	assert.Equal(t, 35.0, slope)
	past, err = store.History(t.Context(), sqlite.Points, "p-good")
	require.NoError(t, err)
	assert.Len(t, past, 3, "putting back is a revision more, not one less")

	require.NoError(t, store.DeletePoint(t.Context(), "p-good", author, survey.Opt[int64]{}))
	text = page("/points/p-good/revisions")
	assert.Contains(t, text, "taken out of the atlas")
	assert.Contains(t, page(old), "It is no longer in the atlas")
	res = post(t, s, old, url.Values{"seen": {"0"}})
	assert.Equal(t, http.StatusSeeOther, res.StatusCode)
	_, err = store.Point(t.Context(), "p-good")
	assert.NoError(t, err)
	assert.Equal(t, http.StatusNotFound, call(t, s, http.MethodGet, "/points/p-good/revisions/2", "").StatusCode, "that is the revision of a site")
}

// apart has the fixture and a copy of it change apart, the copy an hour later,
// and brings both together in the fixture.
func apart(t *testing.T, store *sqlite.Store, here, there func(*sqlite.Store)) {
	t.Helper()
	ctx := t.Context()
	away, err := sqlite.Open(ctx, filepath.Join(t.TempDir(), "away.db"), sqlite.Options{Create: true, Now: func() time.Time { return now.Add(time.Hour) }})
	require.NoError(t, err)
	defer away.Close()
	pass := func(from, to *sqlite.Store) {
		p, err := from.Parcel(ctx, sqlite.Mark{}, 0)
		require.NoError(t, err)
		_, err = to.Take(ctx, p, author)
		require.NoError(t, err)
	}
	pass(store, away)
	here(store)
	there(away)
	pass(away, store)
}

// dispute has two stations record p-good and s-alder differently.
func dispute(t *testing.T, store *sqlite.Store) {
	t.Helper()
	ctx := t.Context()
	good := func(who string, slope, bearing float64) func(*sqlite.Store) {
		return func(s *sqlite.Store) {
			row, err := s.Point(ctx, "p-good")
			require.NoError(t, err)
			row.Item.Terrain.SlopeDeg = survey.Known(slope)
			row.Item.Pull.BearingDeg = survey.Known(bearing)
			_, err = s.PutPoint(ctx, row.Item, sqlite.Author{Who: who}, survey.Known(row.Revision))
			require.NoError(t, err)
		}
	}
	apart(t, store, func(s *sqlite.Store) {
		good("headquarters", 40, 160)(s)
		require.NoError(t, s.DeletePoint(ctx, "p-bare", author, survey.Opt[int64]{}))
	}, func(s *sqlite.Store) {
		good("river station", 45, 165)(s)
		bare, err := s.Point(ctx, "p-bare")
		require.NoError(t, err)
		bare.Item.SurveyedBy = "river crew"
		_, err = s.PutPoint(ctx, bare.Item, author, survey.Known(bare.Revision))
		require.NoError(t, err)
		site, err := s.Site(ctx, "s-alder")
		require.NoError(t, err)
		site.Item.Access = "By the towpath."
		_, err = s.PutSite(ctx, site.Item, author, survey.Known(site.Revision))
		require.NoError(t, err)
	})
}

func TestDisputed(t *testing.T) {
	s, store := fixture(t)
	dispute(t, store)
	page := func(path string) string {
		res := call(t, s, http.MethodGet, path, "", "Accept: text/html")
		require.Equal(t, http.StatusOK, res.StatusCode, path)
		return bodyOf(t, res)
	}
	text := page("/points/p-good")
	assert.Contains(t, text, "Two stations recorded this differently")
	assert.Contains(t, text, "<b>45°</b> <span>by river station, 4 May 2026 09:00 UTC, used now</span>")
	assert.Contains(t, text, "<b>40°</b> <span>by headquarters, 4 May 2026 08:00 UTC</span>")
	assert.Contains(t, text, "<legend>Pull</legend>", "a bearing and its north are one")
	assert.NotContains(t, page("/sites/s-alder"), "Two stations", "what does not touch is merged")
	assert.Contains(t, page("/sites/s-alder"), "By the towpath.")
	assert.Contains(t, page("/points/p-bare"), "taken out of the atlas")

	open, err := store.ConflictsOf(t.Context(), sqlite.Points, "p-good")
	require.NoError(t, err)
	require.Len(t, open, 2)
	form := url.Values{"seen": {strconv.FormatInt(open[0].Revision, 10)}}
	for _, c := range open {
		form.Set("choose:"+c.Path, c.Sides[1].Of)
	}
	half := url.Values{"seen": form["seen"], "choose:" + open[0].Path: {open[0].Sides[1].Of}}
	res := post(t, s, "/points/p-good/conflicts", half)
	assert.Equal(t, http.StatusBadRequest, res.StatusCode)
	assert.Contains(t, bodyOf(t, res), "nothing is chosen for: Bank, slope", "what stays open is named")
	stale := url.Values{"seen": {"1"}}
	assert.Equal(t, http.StatusPreconditionFailed, post(t, s, "/points/p-good/conflicts", stale).StatusCode)
	assert.Equal(t, http.StatusBadRequest, post(t, s, "/points/p-good/conflicts", url.Values{}).StatusCode)
	res = post(t, s, "/points/p-good/conflicts", form)
	require.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
	row, err := store.Point(t.Context(), "p-good")
	require.NoError(t, err)
	assert.Equal(t, survey.Known(40.0), row.Item.Terrain.SlopeDeg)
	assert.Equal(t, survey.Known(160.0), row.Item.Pull.BearingDeg)
	assert.NotContains(t, page("/points/p-good"), "Two stations")
	assert.Equal(t, http.StatusNotFound, post(t, s, "/points/p-good/conflicts", url.Values{"seen": {strconv.FormatInt(row.Revision, 10)}}).StatusCode)
}

func TestHistoryAPI(t *testing.T) {
	s, store := fixture(t)
	resurvey(t, store)
	type revisions struct {
		Revisions []struct {
			Number  int64
			Who     string
			Verb    string
			Changes []struct {
				Path          string
				Before, After any
			}
			Links []struct{ Href string }
		}
	}
	at := "/api/collections/points/items/p-good"
	got := parse[revisions](t, call(t, s, http.MethodGet, at+"/revisions", "")).Revisions
	require.Len(t, got, 2)
	assert.Equal(t, "B. Other", got[0].Who)
	require.Len(t, got[0].Changes, 2)
	assert.Equal(t, "/properties/terrain/setback_m", got[0].Changes[0].Path)
	assert.Equal(t, 6.0, got[0].Changes[0].Before)
	assert.Nil(t, got[0].Changes[0].After)
	assert.Equal(t, "create", got[1].Verb)

	res := call(t, s, http.MethodGet, strings.TrimPrefix(got[1].Links[0].Href, "http://localhost"), "")
	require.Equal(t, http.StatusOK, res.StatusCode)
	assert.Equal(t, "application/geo+json", res.Header.Get("Content-Type"))
	assert.Contains(t, bodyOf(t, res), `"slope_deg":35`)

	require.NoError(t, store.DeletePoint(t.Context(), "p-good", author, survey.Opt[int64]{}))
	got = parse[revisions](t, call(t, s, http.MethodGet, at+"/revisions", "")).Revisions
	require.Len(t, got, 3)
	assert.Empty(t, got[0].Links)
	assert.Equal(t, http.StatusGone, call(t, s, http.MethodGet, at+"/revisions/"+strconv.FormatInt(got[0].Number, 10), "").StatusCode)
	for path, want := range map[string]int{
		"/api/collections/points/items/nobody/revisions": 404, at + "/revisions/0": 404, at + "/revisions/x": 404, at + "/revisions?limit=3": 400,
		"/api/collections/gas/items/1/revisions": 404, "/api/collections/nowhere/items/1/revisions": 404,
	} {
		assert.Equal(t, want, call(t, s, http.MethodGet, path, "").StatusCode, path)
	}
}
