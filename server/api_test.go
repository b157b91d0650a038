package server_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
)

const geoJSON = "application/geo+json"

func parse[T any](t testing.TB, res *http.Response) T {
	t.Helper()
	var v T
	require.NoError(t, json.Unmarshal([]byte(bodyOf(t, res)), &v))
	return v
}

type problem struct {
	Type, Title, Detail, Instance string
	Status                        int
	Errors                        []struct{ Pointer, Parameter, Detail string }
	Yours, Current                map[string]any
	CurrentETag                   string `json:"current_etag"`
}

// checkProblem requires an answer to be a problem of RFC 9457 with a sentence
// for people.
func checkProblem(t *testing.T, res *http.Response, code int) problem {
	t.Helper()
	require.Equal(t, code, res.StatusCode)
	require.Equal(t, "application/problem+json", res.Header.Get("Content-Type"))
	checkHeaders(t, res)
	p := parse[problem](t, res)
	assert.Equal(t, code, p.Status)
	assert.Equal(t, http.StatusText(code), p.Title)
	assert.Regexp(t, regexp.MustCompile(`^[A-Z"].*[.!?]$`), strings.ReplaceAll(p.Detail, "\n", " "))
	assert.Contains(t, p.Instance, res.Header.Get("X-Request-Id"))
	return p
}

func TestErrors(t *testing.T) {
	s, _ := fixture(t)
	feature := `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"site":"s-alder","label":"N1"}}`
	for name, c := range map[string]struct {
		method, target, body string
		headers              []string
		code                 int
		names                string // parameter or pointer that is named
	}{
		"unknown parameter":        {target: "/api/collections/points/items?nonsense=1", code: 400, names: "nonsense"},
		"site is for points":       {target: "/api/collections/sites/items?site=AB-1", code: 400, names: "site"},
		"repeated parameter":       {target: "/api/collections/points/items?limit=1&limit=2", code: 400, names: "limit"},
		"limit is a word":          {target: "/api/collections/points/items?limit=many", code: 400, names: "limit"},
		"limit is nothing":         {target: "/api/collections/points/items?limit=0", code: 400, names: "limit"},
		"bbox of three":            {target: "/api/collections/points/items?bbox=1,2,3", code: 400, names: "bbox"},
		"bbox is no number":        {target: "/api/collections/points/items?bbox=NaN,0,1,1", code: 400, names: "bbox"},
		"bbox upside down":         {target: "/api/collections/points/items?bbox=0,50,10,40", code: 400, names: "bbox"},
		"bbox off the globe":       {target: "/api/collections/points/items?bbox=0,-91,10,10", code: 400, names: "bbox"},
		"datetime is a word":       {target: "/api/collections/points/items?datetime=lately", code: 400, names: "datetime"},
		"datetime backwards":       {target: "/api/collections/points/items?datetime=2030-01-01T00:00:00Z/2020-01-01T00:00:00Z", code: 400, names: "datetime"},
		"cursor of another kind":   {target: "/api/collections/river/items?after=x", code: 400, names: "after"},
		"form not offered":         {target: "/api/collections?f=pdf", code: 400, names: "f"},
		"no acceptable form":       {target: "/api/collections", headers: []string{"Accept: image/png"}, code: 406},
		"unknown collection":       {target: "/api/collections/none", code: 404},
		"unknown point":            {target: "/api/collections/points/items/none", code: 404},
		"a code is not an id":      {target: "/api/collections/sites/items/AB-1", code: 404},
		"unknown layer feature":    {target: "/api/collections/river/items/77", code: 404},
		"unknown path":             {target: "/api/none", code: 404},
		"unknown load":             {target: "/api/collections/points/items/p-good/options?load=whale", code: 400},
		"ratio is a word":          {target: "/api/collections/points/items/p-good/options?required=much", code: 400, names: "required"},
		"ratio below one":          {target: "/api/collections/points/items/p-good/options?required=0.5", code: 400, names: "required"},
		"ground not a state":       {target: "/api/collections/points/items/p-good/options?tonight=muddy", code: 400, names: "tonight"},
		"no position":              {target: "/api/convert", code: 400, names: "position"},
		"not a position":           {target: "/api/convert?position=somewhere", code: 400, names: "position"},
		"day is a word":            {target: "/api/convert?position=44.65,-91.2&at=today", code: 400, names: "at"},
		"wrong method":             {method: "PATCH", target: "/api/collections", code: 405},
		"layers are not edited":    {method: "POST", target: "/api/collections/river/items", body: feature, headers: []string{"Content-Type: " + geoJSON}, code: 405},
		"body of another type":     {method: "POST", target: "/api/collections/points/items", body: "x", headers: []string{"Content-Type: text/plain"}, code: 415},
		"body cut short":           {method: "POST", target: "/api/collections/points/items", body: feature[:30], headers: []string{"Content-Type: " + geoJSON}, code: 400},
		"body is no Feature":       {method: "POST", target: "/api/collections/points/items", body: `{"type":"Point","coordinates":[1,2]}`, headers: []string{"Content-Type: " + geoJSON}, code: 400},
		"misspelt property":        {method: "POST", target: "/api/collections/points/items", body: strings.Replace(feature, "label", "lable", 1), headers: []string{"Content-Type: " + geoJSON}, code: 400, names: "/properties/lable"},
		"latitude first":           {method: "POST", target: "/api/collections/points/items", body: strings.Replace(feature, "-91.2,44.65", "44.65,-91.2", 1), headers: []string{"Content-Type: " + geoJSON}, code: 400, names: "/geometry/coordinates"},
		"site does not exist":      {method: "POST", target: "/api/collections/points/items", body: strings.Replace(feature, "s-alder", "none", 1), headers: []string{"Content-Type: " + geoJSON}, code: 400, names: "/properties/site"},
		"two ids":                  {method: "PUT", target: "/api/collections/points/items/p-good", body: strings.Replace(feature, `"Feature"`, `"Feature","id":"p-weak"`, 1), headers: []string{"Content-Type: " + geoJSON, `If-Match: *`}, code: 400, names: "/id"},
		"no version named":         {method: "PUT", target: "/api/collections/points/items/p-good", body: feature, headers: []string{"Content-Type: " + geoJSON}, code: 428},
		"nothing to replace":       {method: "PUT", target: "/api/collections/points/items/none", body: feature, headers: []string{"Content-Type: " + geoJSON, `If-Match: "3"`}, code: 412},
		"nothing to delete":        {method: "DELETE", target: "/api/collections/points/items/none", headers: []string{`If-Match: "3"`}, code: 404},
		"a site that has points":   {method: "DELETE", target: "/api/collections/sites/items/s-alder", headers: []string{`If-Match: *`}, code: 409},
		"from a page elsewhere":    {method: "POST", target: "/api/collections/points/items", body: feature, headers: []string{"Content-Type: " + geoJSON, "Sec-Fetch-Site: cross-site"}, code: 403},
		"calculator, wrong ground": {method: "POST", target: "/api/options", body: strings.Replace(feature, `"label":"N1"`, `"ground":{"class":"D"}`, 1), headers: []string{"Content-Type: " + geoJSON}, code: 400, names: "/properties/ground/class"},
	} {
		t.Run(name, func(t *testing.T) {
			method := c.method
			if method == "" {
				method = http.MethodGet
			}
			p := checkProblem(t, call(t, s, method, c.target, c.body, c.headers...), c.code)
			if c.names != "" {
				require.NotEmpty(t, p.Errors)
				assert.Contains(t, []string{p.Errors[0].Pointer, p.Errors[0].Parameter}, c.names)
			}
		})
	}
}

func TestErrorPage(t *testing.T) {
	s, _ := fixture(t)
	res := call(t, s, http.MethodGet, `/sites/%3Cb%3Enone`, "", "Accept: text/html,application/xhtml+xml,*/*;q=0.8")
	assert.Equal(t, http.StatusNotFound, res.StatusCode)
	assert.Equal(t, "text/html; charset=utf-8", res.Header.Get("Content-Type"))
	checkHeaders(t, res)
	text := bodyOf(t, res)
	assert.Contains(t, text, "There is no site")
	assert.NotContains(t, text, "<b>none")
}

// TestInternalErrorsStayInside closes the store under the server: the answer
// must not tell what broke inside.
func TestInternalErrorsStayInside(t *testing.T) {
	s, store := fixture(t)
	require.NoError(t, store.Close())
	p := checkProblem(t, call(t, s, http.MethodGet, "/api/collections", ""), http.StatusInternalServerError)
	assert.NotContains(t, p.Detail, "sql")
	assert.NotContains(t, p.Detail, "closed")
}

func TestBodyTooLarge(t *testing.T) {
	s, _ := fixture(t)
	big := `{"type":"Feature","geometry":null,"properties":{"label":"` + strings.Repeat("x", server.MaxBody) + `"}}`
	checkProblem(t, call(t, s, http.MethodPost, "/api/options", big, "Content-Type: "+geoJSON), http.StatusRequestEntityTooLarge)
}

func TestNegotiation(t *testing.T) {
	s, _ := fixture(t)
	browser := "Accept: text/html,application/xhtml+xml,application/xml;q=0.9,image/webp,*/*;q=0.8"
	for name, c := range map[string]struct{ target, accept, want string }{
		"curl":                       {"/api", "Accept: */*", "application/json"},
		"nothing said":               {"/api", "", "application/json"},
		"a browser":                  {"/api", browser, "text/html; charset=utf-8"},
		"f before Accept":            {"/api?f=json", browser, "application/json"},
		"f html":                     {"/api/collections/points/items?f=html", "Accept: " + geoJSON, "text/html; charset=utf-8"},
		"features":                   {"/api/collections/points/items", "Accept: " + geoJSON, geoJSON},
		"any JSON":                   {"/api/collections/points/items", "Accept: application/json", geoJSON},
		"weights":                    {"/api/collections/points/items", "Accept: text/html;q=0.4, application/geo+json;q=0.5", geoJSON},
		"a refusal beats a wildcard": {"/api", "Accept: application/json;q=0, */*;q=0.1", "text/html; charset=utf-8"},
		"definition":                 {"/api/openapi", "Accept: application/vnd.oai.openapi+json;version=3.0", "application/vnd.oai.openapi+json;version=3.0"},
	} {
		t.Run(name, func(t *testing.T) {
			var headers []string
			if c.accept != "" {
				headers = append(headers, c.accept)
			}
			res := call(t, s, http.MethodGet, c.target, "", headers...)
			assert.Equal(t, http.StatusOK, res.StatusCode)
			assert.Equal(t, c.want, res.Header.Get("Content-Type"))
			assert.Contains(t, strings.Join(res.Header.Values("Vary"), ","), "Accept")
		})
	}
}

type featurePage struct {
	Type           string
	NumberMatched  *int
	NumberReturned int
	Features       []map[string]any
	Links          []struct{ Href, Rel, Type string }
}

func (p featurePage) link(rel string) string {
	for _, l := range p.Links {
		if l.Rel == rel {
			return l.Href
		}
	}
	return ""
}

// TestPaging walks the next links: every feature comes once.
func TestPaging(t *testing.T) {
	s, _ := fixture(t)
	for collection, want := range map[string]int{"points": 4, "sites": 2, "river": 1} {
		t.Run(collection, func(t *testing.T) {
			var seen []string
			next := "/api/collections/" + collection + "/items?limit=1"
			for pages := 0; next != ""; pages++ {
				require.Less(t, pages, 10)
				res := call(t, s, http.MethodGet, next, "")
				require.Equal(t, http.StatusOK, res.StatusCode)
				page := parse[featurePage](t, res)
				require.Equal(t, want, *page.NumberMatched)
				require.Len(t, page.Features, page.NumberReturned)
				for _, f := range page.Features {
					seen = append(seen, fmt.Sprint(f["id"]))
				}
				next = page.link("next")
				assert.Equal(t, next != "", strings.Contains(res.Header.Get("Link"), `rel="next"`))
			}
			assert.Len(t, seen, want)
			slices.Sort(seen)
			assert.Len(t, slices.Compact(seen), want)
		})
	}
}

func TestChoosing(t *testing.T) {
	s, _ := fixture(t)
	for name, c := range map[string]struct {
		query string
		want  []string
	}{
		"box round one point":       {"bbox=-91.2046,44.6512,-91.2044,44.6514", []string{"p-good"}},
		"six numbers":               {"bbox=-91.2046,44.6512,-100,-91.2044,44.6514,100", []string{"p-good"}},
		"across the 180° meridian":  {"bbox=170,-90,-170,90", nil},
		"by site code":              {"site=QR-2", []string{"p-bare"}},
		"by site id":                {"site=s-cutting", []string{"p-bare"}},
		"surveyed lately or no day": {"datetime=2026-01-01T00:00:00Z/..", []string{"p-bare", "p-barred", "p-good"}},
		"surveyed long ago":         {"datetime=../2024-01-01T00:00:00Z", []string{"p-bare", "p-weak"}},
	} {
		t.Run(name, func(t *testing.T) {
			page := parse[featurePage](t, call(t, s, http.MethodGet, "/api/collections/points/items?"+c.query, ""))
			var got []string
			for _, f := range page.Features {
				got = append(got, fmt.Sprint(f["id"]))
			}
			assert.Equal(t, c.want, got)
		})
	}
}

// TestUnchangedLists are not sent again, until something changes.
func TestUnchangedLists(t *testing.T) {
	s, store := fixture(t)
	const target = "/api/collections/points/items"
	etag := call(t, s, http.MethodGet, target, "").Header.Get("ETag")
	require.NotEmpty(t, etag)
	assert.Equal(t, http.StatusNotModified, call(t, s, http.MethodGet, target, "", "If-None-Match: "+etag).StatusCode)
	p, err := store.Point(t.Context(), "p-bare")
	require.NoError(t, err)
	p.Item.Label = "another"
	_, err = store.PutPoint(t.Context(), p.Item, author, survey.Known(p.Revision))
	require.NoError(t, err)
	assert.Equal(t, http.StatusOK, call(t, s, http.MethodGet, target, "", "If-None-Match: "+etag).StatusCode)
}

// TestRoundTrip sends back what was read: nothing may be lost on the way.
func TestRoundTrip(t *testing.T) {
	s, _ := fixture(t)
	for _, target := range []string{"/api/collections/points/items/p-good", "/api/collections/sites/items/s-alder"} {
		t.Run(target, func(t *testing.T) {
			before := call(t, s, http.MethodGet, target, "")
			etag := before.Header.Get("ETag")
			text := bodyOf(t, before)
			res := call(t, s, http.MethodPut, target, text, "Content-Type: "+geoJSON, "If-Match: "+etag)
			require.Equal(t, http.StatusOK, res.StatusCode)
			assert.NotEqual(t, etag, res.Header.Get("ETag"))
			after := bodyOf(t, call(t, s, http.MethodGet, target, ""))
			assert.JSONEq(t, text, after)
		})
	}
}

// TestLife takes a point from creation to deletion, with another writer in
// between.
func TestLife(t *testing.T) {
	s, store := fixture(t)
	const items = "/api/collections/points/items"
	feature := func(label string) string {
		return `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65,251.5]},"properties":{"site":"AB-1","label":"` + label + `"}}`
	}
	made := call(t, s, http.MethodPost, items, feature("N1"), "Content-Type: "+geoJSON)
	require.Equal(t, http.StatusCreated, made.StatusCode)
	at := made.Header.Get("Location")
	first := made.Header.Get("ETag")
	got := parse[map[string]any](t, call(t, s, http.MethodGet, at, ""))
	assert.Equal(t, map[string]any{"type": "Point", "coordinates": []any{-91.2, 44.65, 251.5}}, got["geometry"])
	assert.Equal(t, "s-alder", got["properties"].(map[string]any)["site"])

	changed := call(t, s, http.MethodPut, at, feature("N2"), "Content-Type: "+geoJSON, "If-Match: "+first)
	require.Equal(t, http.StatusOK, changed.StatusCode)

	p := checkProblem(t, call(t, s, http.MethodPut, at, feature("N3"), "Content-Type: "+geoJSON, "If-Match: "+first), http.StatusPreconditionFailed)
	assert.Equal(t, "N3", p.Yours["properties"].(map[string]any)["label"])
	assert.Equal(t, "N2", p.Current["properties"].(map[string]any)["label"])
	assert.Equal(t, changed.Header.Get("ETag"), p.CurrentETag)

	checkProblem(t, call(t, s, http.MethodDelete, at, "", "If-Match: "+first), http.StatusPreconditionFailed)
	checkProblem(t, call(t, s, http.MethodDelete, at, ""), http.StatusPreconditionRequired)
	assert.Equal(t, http.StatusNoContent, call(t, s, http.MethodDelete, at, "", "If-Match: "+p.CurrentETag).StatusCode)
	checkProblem(t, call(t, s, http.MethodGet, at, ""), http.StatusNotFound)

	id := at[strings.LastIndex(at, "/")+1:]
	history, err := store.History(t.Context(), "points", id)
	require.NoError(t, err)
	assert.Len(t, history, 3)
}

// TestOwnIDs lets a client that was offline bring ids of its own, once.
func TestOwnIDs(t *testing.T) {
	s, _ := fixture(t)
	body := `{"type":"Feature","id":"mine","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"site":"s-alder","label":"N1"}}`
	const at = "/api/collections/points/items/mine"
	assert.Equal(t, http.StatusCreated, call(t, s, http.MethodPut, at, body, "Content-Type: "+geoJSON, "If-None-Match: *").StatusCode)
	p := checkProblem(t, call(t, s, http.MethodPut, at, body, "Content-Type: "+geoJSON, "If-None-Match: *"), http.StatusPreconditionFailed)
	assert.Equal(t, "mine", p.Current["id"])
	checkProblem(t, call(t, s, http.MethodPost, "/api/collections/points/items", body, "Content-Type: "+geoJSON), http.StatusConflict)
}

func TestReadOnly(t *testing.T) {
	s, store := fixture(t, func(c *server.Config) { c.ReadOnly = true })
	before, err := store.Revision(t.Context())
	require.NoError(t, err)
	body := `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"site":"s-alder","label":"N1"}}`
	checkProblem(t, call(t, s, http.MethodPost, "/api/collections/points/items", body, "Content-Type: "+geoJSON), http.StatusForbidden)
	checkProblem(t, call(t, s, http.MethodPut, "/api/collections/points/items/p-good", body, "Content-Type: "+geoJSON, "If-Match: *"), http.StatusForbidden)
	checkProblem(t, call(t, s, http.MethodDelete, "/api/collections/points/items/p-good", "", "If-Match: *"), http.StatusForbidden)
	assert.Equal(t, http.StatusOK, call(t, s, http.MethodPost, "/api/options", body, "Content-Type: "+geoJSON).StatusCode)
	assert.NotContains(t, call(t, s, http.MethodOptions, "/api/collections/points/items", "").Header.Get("Allow"), "POST")
	after, err := store.Revision(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, after)
}

// TestCalculator asks about a point that is not in the atlas, without a name.
// It must answer as for the stored one, and store nothing.
func TestCalculator(t *testing.T) {
	s, store := fixture(t)
	before, err := store.Revision(t.Context())
	require.NoError(t, err)
	type reply struct {
		Verdict  string
		Sentence string
		Options  []struct{ Verdict string }
		Ground   struct{ Class string }
	}
	stored := parse[reply](t, call(t, s, http.MethodGet, "/api/collections/points/items/p-good/options?load=one-person&required=5", ""))
	require.NotEmpty(t, stored.Options)
	feature := bodyOf(t, call(t, s, http.MethodGet, "/api/collections/points/items/p-good", ""))
	sent := parse[reply](t, call(t, s, http.MethodPost, "/api/options?load=one-person&required=5", feature, "Content-Type: "+geoJSON))
	assert.Equal(t, stored, sent)

	nameless := `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{}}`
	empty := parse[reply](t, call(t, s, http.MethodPost, "/api/options", nameless, "Content-Type: application/json"))
	assert.Equal(t, "unknown", empty.Verdict)
	after, err := store.Revision(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, after)
}

// TestConvert takes a published correspondence: FGDC-STD-011-2001, figure of
// the Washington Monument's neighbourhood, gives 18S UJ 23480 06470 as the
// form of a reference; reading it and writing it must give it again.
func TestConvert(t *testing.T) {
	s, _ := fixture(t)
	got := parse[map[string]any](t, call(t, s, http.MethodGet, "/api/convert?position=18S+UJ+23480+06470&at=2026-05-04", ""))
	assert.Equal(t, "18S UJ 23480 06470", got["usng"])
	// Band S or the southern hemisphere: both are places.
	p := checkProblem(t, call(t, s, http.MethodGet, "/api/convert?position=15S+642364+3945775", ""), http.StatusBadRequest)
	assert.Len(t, p.Errors, 2)
}

// TestCompressed sends GeoJSON small to those who ask.
func TestCompressed(t *testing.T) {
	s, _ := fixture(t)
	web := httptest.NewServer(s)
	defer web.Close()
	for _, target := range []string{"/api/collections/points/items", "/", "/map/points"} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, web.URL+target, nil)
		require.NoError(t, err)
		req.Header.Set("Accept-Encoding", "gzip")
		res, err := web.Client().Do(req)
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		assert.Equal(t, "gzip", res.Header.Get("Content-Encoding"), target)
	}
}

func TestDisplay(t *testing.T) {
	s, _ := fixture(t)
	form := "Content-Type: application/x-www-form-urlencoded"
	res := call(t, s, http.MethodPost, "/display", "to=night&here=%2Fpoints%2Fp-good%3Fload%3Done-person", form)
	require.Equal(t, http.StatusSeeOther, res.StatusCode)
	assert.Equal(t, "/points/p-good?load=one-person", res.Header.Get("Location"))
	require.Len(t, res.Cookies(), 1)
	page := bodyOf(t, call(t, s, http.MethodGet, "/about", "", "Cookie: "+res.Cookies()[0].String()))
	assert.Contains(t, page, `data-display="night"`)
	assert.Contains(t, page, `<meta name="color-scheme" content="dark">`)
	for _, elsewhere := range []string{"https://example.org/", "//example.org", `/\example.org`, "", "javascript:alert(1)", "/%09/example.org", "/%0A/example.org", "/%0D/example.org", "/%00/example.org", "/%7F/example.org"} {
		res := call(t, s, http.MethodPost, "/display", "to=day&here="+elsewhere, form)
		assert.Equal(t, "/", res.Header.Get("Location"), elsewhere)
	}
	assert.Equal(t, http.StatusBadRequest, call(t, s, http.MethodPost, "/display", "to=disco", form).StatusCode)
}

// TestPagesSayWhatIsMissing reads the pages of a bare point and a bare site:
// no blank may pass for a zero or a no.
func TestPagesSayWhatIsMissing(t *testing.T) {
	s, _ := fixture(t)
	point := bodyOf(t, call(t, s, http.MethodGet, "/points/p-bare", ""))
	assert.Greater(t, strings.Count(point, "not recorded"), 15)
	assert.Contains(t, point, "Top &lt;gate&gt; &amp; fence")
	loud := func(page string) string {
		_, rest, ok := strings.Cut(page, `<ul class="loud">`)
		require.True(t, ok)
		list, _, _ := strings.Cut(rest, "</ul>")
		return list
	}
	assert.Contains(t, loud(point), "survey date is not recorded")
	assert.Contains(t, loud(point), "nobody has signed it")
	assert.Contains(t, loud(bodyOf(t, call(t, s, http.MethodGet, "/sites/s-cutting", ""))), "nobody has signed it")
	// Surveyed on 2023-04-12; data/policy/default.json allows 24 months.
	assert.Contains(t, loud(bodyOf(t, call(t, s, http.MethodGet, "/points/p-weak", ""))), "due after 24 months")
	assert.Contains(t, loud(bodyOf(t, call(t, s, http.MethodGet, "/sites/s-alder", ""))), "A2: ")
}

// TestMapWithoutScript requires the ledger and the search to be in the page
// itself.
func TestMapWithoutScript(t *testing.T) {
	s, _ := fixture(t)
	page := bodyOf(t, call(t, s, http.MethodGet, "/", ""))
	for _, want := range []string{"Alder Bend", "Quarry Road cutting", `href="/points/p-good"`, `href="/sites/s-alder"`, `#v-unknown`, "<noscript>"} {
		assert.Contains(t, page, want)
	}
	for name, c := range map[string]struct{ query, want string }{
		"a code":     {"qr-2", "Quarry Road cutting</a>"},
		"a label":    {"A10", "point at Alder Bend"},
		"a position": {"15T XK 42364 45775", `data-at="-91.2045`},
		"nothing":    {"zzz", "Nothing here has that name"},
		"ambiguous":  {"15S 642364 3945775", "band S"},
	} {
		t.Run(name, func(t *testing.T) {
			assert.Contains(t, bodyOf(t, call(t, s, http.MethodGet, "/?q="+strings.ReplaceAll(c.query, " ", "+"), "")), c.want)
		})
	}
}
