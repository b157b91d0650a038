package server_test

import (
	"context"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
)

// sensitive is what the fixture has of contacts and ticket numbers.
var sensitive = []string{"555 0100", "Farm on the lane", "T-77", "T-78"}

// TestHiddenEverywhere walks every route as everybody who may not see contacts
// and ticket numbers: none of them is anywhere, and where they would be it
// says so.
func TestHiddenEverywhere(t *testing.T) {
	d := newDepartment(t)
	// A past version with a contact, too.
	row, err := d.store.Site(t.Context(), "s-alder")
	require.NoError(t, err)
	changed := row.Item
	changed.Contacts = append(changed.Contacts, survey.Contact{Who: "Miller", Phone: "555 0111"})
	_, err = d.store.PutSite(t.Context(), changed, author, survey.Known(row.Revision))
	require.NoError(t, err)

	for _, who := range []string{"viewer", "gis", "admin", "station"} {
		key, said := d.key(t, who), 0
		require.NoError(t, chi.Walk(d.Routes(), func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
			if method != http.MethodGet {
				return nil
			}
			for _, accept := range []string{"text/html", "application/json, application/geo+json;q=0.9, */*;q=0.1"} {
				for _, target := range []string{filled(route), strings.ReplaceAll(filled(route), "/points/items", "/sites/items")} {
					res := call(t, d, method, target, "", "Accept: "+accept, key)
					body := bodyOf(t, res)
					if res.Header.Get("Content-Type") == "application/pdf" {
						body = pdfText(t, body)
					}
					for _, one := range append(sensitive, "555 0111", "Miller") {
						assert.NotContains(t, body, one, "%s as %s", target, who)
					}
					if strings.Contains(body, "hidden\"") || strings.Contains(strings.ToLower(body), "hidden:") || strings.Contains(body, "ticket hidden") {
						said++
					}
				}
			}
			return nil
		}))
		assert.Greater(t, said, 4, "%s is told that something is hidden", who)
	}
	for _, path := range []string{"/sites/s-alder", "/sites/s-alder/sheet", "/api/collections/sites/items", "/api/collections/sites/items/s-alder", "/sites/s-alder/revisions"} {
		assert.Contains(t, bodyOf(t, call(t, d, http.MethodGet, path, "", d.key(t, "surveyor"))), "555 0111", "who may, sees them: %s", path)
	}
}

func pdfText(t testing.TB, pdf string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "sheet.pdf")
	require.NoError(t, os.WriteFile(file, []byte(pdf), 0o600))
	out, err := exec.CommandContext(t.Context(), tool(t, "pdftotext"), file, "-").Output()
	require.NoError(t, err)
	return string(out)
}

// TestHiddenIsNotFoundOutByAsking: whoever may not see a property may not ask
// what matches it either.
func TestHiddenIsNotFoundOutByAsking(t *testing.T) {
	d := newDepartment(t)
	viewer, lead := d.key(t, "viewer"), d.key(t, "lead")
	for _, q := range []string{
		"/api/collections/points/items?buried_utilities.ticket=T-77",
		"/api/collections/points/items?filter=" + url.QueryEscape("buried_utilities.ticket LIKE 'T-%'"),
		"/api/collections/points/items?filter=" + url.QueryEscape("CASEI(buried_utilities.ticket) = CASEI('t-77')"),
		"/api/collections/points/items?filter=" + url.QueryEscape("buried_utilities.ticket IS NULL"),
		"/api/collections/sites/items?filter=" + url.QueryEscape("A_CONTAINS(contacts.phone, ('555 0100'))"),
		"/api/collections/sites/items?filter-lang=cql2-json&filter=" + url.QueryEscape(`{"op":"a_contains","args":[{"property":"contacts.who"},["Farm on the lane"]]}`),
		"/api/collections/points/tiles/WebMercatorQuad/13/2958/2020?properties=buried_utilities.ticket",
	} {
		assert.Equal(t, http.StatusBadRequest, call(t, d, http.MethodGet, q, "", viewer).StatusCode, q)
		assert.Contains(t, []int{http.StatusOK, http.StatusNoContent}, call(t, d, http.MethodGet, q, "", lead).StatusCode, q)
	}
	for _, q := range []string{"collection=points&filter=" + url.QueryEscape("buried_utilities.ticket = 'T-77'"), "collection=sites&filter=" + url.QueryEscape("A_CONTAINS(contacts.who, ('Farm on the lane'))")} {
		assert.Equal(t, http.StatusBadRequest, call(t, d, http.MethodGet, "/layers/export?format=csv&"+q, "", viewer).StatusCode, q)
		assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/layers/export?format=csv&"+q, "", lead).StatusCode, q)
	}
	for _, format := range []string{"geojson", "geojsonl", "gpkg", "zip", "csv", "kml"} {
		for _, c := range []string{"sites", "points"} {
			body := bodyOf(t, call(t, d, http.MethodGet, "/layers/export?format="+format+"&collection="+c, "", viewer))
			for _, one := range sensitive {
				assert.NotContains(t, body, one, format)
			}
			if format != "zip" { // which is packed
				assert.Contains(t, body, "hidden", "%s of %s", format, c)
			}
		}
	}
	for _, c := range []string{"sites", "points"} {
		queryables := bodyOf(t, call(t, d, http.MethodGet, "/api/collections/"+c+"/queryables", "", viewer))
		assert.NotContains(t, queryables, "contacts")
		assert.NotContains(t, queryables, "ticket")
	}
}

// TestNothingPrivateIsKeptForOthers: caches between are told, and an ETag of
// what one may see is none of what another may.
func TestNothingPrivateIsKeptForOthers(t *testing.T) {
	d := newDepartment(t)
	viewer, lead := d.key(t, "viewer"), d.key(t, "lead")
	require.NoError(t, chi.Walk(d.Routes(), func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if method != http.MethodGet || server.Access[method+" "+route] == 0 {
			return nil
		}
		for _, who := range []string{viewer, lead} {
			res := call(t, d, method, filled(route), "", who)
			cache := res.Header.Get("Cache-Control")
			assert.True(t, strings.HasPrefix(cache, "private") || cache == "no-store", "%s has Cache-Control %q: leave it as the door sets it, cachePrivate, or no-store", route, cache)
			assert.Contains(t, strings.Join(res.Header.Values("Vary"), ", "), "Cookie", route)
		}
		return nil
	}))
	for _, path := range []string{"/api/collections/sites/items", "/api/collections/sites/items/s-alder", "/api/collections/points/items/p-good"} {
		etag := call(t, d, http.MethodGet, path, "", viewer).Header.Get("ETag")
		require.NotEmpty(t, etag)
		assert.Equal(t, http.StatusNotModified, call(t, d, http.MethodGet, path, "", viewer, "If-None-Match: "+etag).StatusCode)
		assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, path, "", lead, "If-None-Match: "+etag).StatusCode, "%s: hidden is not unchanged", path)
	}
}

// TestNobodyLearnsNothing from the pages that are for everybody.
func TestNobodyLearnsNothing(t *testing.T) {
	d := newDepartment(t)
	policy, err := d.store.Policy(t.Context())
	require.NoError(t, err)
	for _, path := range []string{"/sign-in", "/about", "/first", "/link/x", "/station/x", "/nowhere", "/healthz", "/readyz", "/sites/s-alder"} {
		body := bodyOf(t, call(t, d, http.MethodGet, path, "", "Accept: text/html"))
		for _, inside := range []string{policy.Version, "Atlas revision", "holdfast test", "The lead", "Alder", "People"} {
			assert.NotContains(t, body, inside, path)
		}
	}
}

// TestTooMuchToDo: what finds no place is told to come back; what is at work
// is finished, and the vital signs are answered.
func TestTooMuchToDo(t *testing.T) {
	hold := make(chan struct{})
	d := newDepartment(t, func(c *server.Config) { c.InFlight = 2 })
	d.SetQueueWait(20 * time.Millisecond)
	release := sync.OnceFunc(func() { close(hold) })
	defer release()
	web := httptest.NewServer(d)
	defer web.Close()
	var wait sync.WaitGroup
	for range 2 { // two posts whose body does not come
		body, feed := io.Pipe()
		wait.Go(func() {
			r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, web.URL+"/sign-in", body)
			assert.NoError(t, err)
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			res, err := http.DefaultClient.Do(r)
			if assert.NoError(t, err) {
				assert.Equal(t, http.StatusUnauthorized, res.StatusCode)
				assert.NoError(t, res.Body.Close())
			}
		})
		go func() { <-hold; _, _ = io.WriteString(feed, "name=x&password=y"); _ = feed.Close() }()
	}
	require.Eventually(t, func() bool { return d.AtWork() == 2 }, 10*time.Second, time.Millisecond)
	goroutines := runtime.NumGoroutine()
	var codes [600]atomic.Int32
	var crowd sync.WaitGroup
	for range 200 {
		crowd.Go(func() {
			w := httptest.NewRecorder()
			d.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "http://localhost/about", nil))
			codes[w.Code].Add(1)
			assert.Equal(t, "5", w.Header().Get("Retry-After"))
			assert.NotEmpty(t, w.Header().Get("Content-Security-Policy"))
		})
	}
	crowd.Wait()
	assert.EqualValues(t, 200, codes[http.StatusServiceUnavailable].Load())
	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/healthz", "").StatusCode)
	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/readyz", "").StatusCode)
	release()
	wait.Wait()
	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/about", "").StatusCode)
	assert.Eventually(t, func() bool { return d.AtWork() == 0 && runtime.NumGoroutine() <= goroutines+5 }, 10*time.Second, 10*time.Millisecond, "of the crowd, something is left")
	assert.Contains(t, figures(t, d), "holdfast_turned_away_total 200")
}

func figures(t testing.TB, d department) string {
	t.Helper()
	w := httptest.NewRecorder()
	d.Metrics().ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/metrics", nil))
	require.Equal(t, http.StatusOK, w.Code)
	return w.Body.String()
}

// TestFigures: by route, never by who or what.
func TestFigures(t *testing.T) {
	d := newDepartment(t)
	call(t, d, http.MethodGet, "/sites/s-alder", "", d.key(t, "lead"))
	call(t, d, http.MethodGet, "/sites/s-cutting", "", d.key(t, "lead"))
	call(t, d, http.MethodGet, "/sites/nowhere", "", d.key(t, "lead"))
	call(t, d, http.MethodGet, "/made-up/1", "")
	send(t, d, "/sign-in", credentials("The lead", phrase))
	send(t, d, "/sign-in", credentials("The lead", "wrong words in a row"))
	text := figures(t, d)
	for _, want := range []string{
		`holdfast_requests_total{route="GET /sites/{id}",status="200"} 2`, `holdfast_requests_total{route="GET /sites/{id}",status="404"} 1`,
		`holdfast_requests_total{route="none",status="404"} 1`, `holdfast_sign_ins_total{outcome="done"} 1`, `holdfast_sign_ins_total{outcome="refused"} 1`,
		`holdfast_request_seconds_count{route="GET /sites/{id}"} 3`, "go_goroutines", "process_open_fds",
	} {
		assert.Contains(t, text, want)
	}
	for _, never := range []string{"s-alder", "made-up", "The lead", "nowhere"} {
		assert.NotContains(t, text, never)
	}
	assert.Equal(t, http.StatusNotFound, call(t, d, http.MethodGet, "/metrics", "", d.key(t, "admin")).StatusCode, "they have an address of their own")
}

func TestVitalSigns(t *testing.T) {
	d := newDepartment(t)
	assert.Equal(t, "alive\n", bodyOf(t, call(t, d, http.MethodGet, "/healthz", "")))
	assert.Equal(t, "ready\n", bodyOf(t, call(t, d, http.MethodGet, "/readyz", "")))
	lost, _ := fixture(t)
	lost.CloseStore(t)
	assert.Equal(t, http.StatusOK, call(t, lost, http.MethodGet, "/healthz", "").StatusCode)
	assert.Equal(t, http.StatusServiceUnavailable, call(t, lost, http.MethodGet, "/readyz", "").StatusCode)
}

// TestFilesStayInside the ones that are served.
func TestFilesStayInside(t *testing.T) {
	d := newDepartment(t)
	for _, path := range []string{
		"/static/../server.go", "/static/..%2fserver.go", "/static/%2e%2e/static.go", "/static/..%5c..%5cgo.mod", "/static//etc/passwd", "/static/js/../../static.go",
		"/static/static.go", "/static/.", "/static/", "/static/js", "/static/js/", "/static/\x00", "/static/css/base.css/../../static.go",
	} {
		res := call(t, d, http.MethodGet, strings.ReplaceAll(path, "\x00", "%00"), "")
		assert.NotEqual(t, http.StatusOK, res.StatusCode, path)
		assert.NotContains(t, bodyOf(t, res), "package ", path)
	}
}

// TestBodiesAreBounded, forms most of all.
func TestBodiesAreBounded(t *testing.T) {
	d := newDepartment(t)
	big := url.Values{"name": {strings.Repeat("x", 1<<20)}, "password": {phrase}}
	for _, target := range []string{"/sign-in", "/first", "/people", "/account/password", "/account/tokens"} {
		res := send(t, d, target, big, d.key(t, "admin"))
		assert.Equal(t, http.StatusRequestEntityTooLarge, res.StatusCode, target)
	}
	long := url.Values{"name": {"The lead"}, "password": {strings.Repeat("x", 10_000)}}
	assert.Equal(t, http.StatusUnauthorized, send(t, d, "/sign-in", long).StatusCode)
}

// TestNothingIsLeftBehind: after many requests of all kinds, cut off in the
// middle some of them, neither goroutines nor files stay open.
func TestNothingIsLeftBehind(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("files are counted in /proc")
	}
	d := newDepartment(t)
	web := httptest.NewServer(d)
	client := &http.Client{Transport: &http.Transport{}}
	lead := strings.TrimPrefix(d.key(t, "lead"), "Cookie: ")
	ask := func(ctx context.Context, path string) {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, web.URL+path, nil)
		require.NoError(t, err)
		r.Header.Set("Cookie", lead)
		if res, err := client.Do(r); err == nil {
			_, _ = io.Copy(io.Discard, res.Body)
			_ = res.Body.Close()
		}
	}
	round := func() {
		for _, path := range []string{"/", "/sites/s-alder", "/sites/s-alder/sheet.pdf", "/points/p-good", "/api/collections/points/items", "/people", "/nowhere", "/sign-in"} {
			ask(t.Context(), path)
			cut, cancel := context.WithTimeout(t.Context(), 2*time.Millisecond)
			ask(cut, path)
			cancel()
		}
		if c, err := net.Dial("tcp", web.Listener.Addr().String()); err == nil { // and says nothing
			_ = c.Close()
		}
		client.CloseIdleConnections()
	}
	files := func() int {
		list, err := os.ReadDir("/proc/self/fd")
		require.NoError(t, err)
		return len(list)
	}
	for range 5 {
		round()
	}
	settled := func() (int, int) { client.CloseIdleConnections(); return runtime.NumGoroutine(), files() }
	goroutines, open := settled()
	for range 30 {
		round()
	}
	assert.Eventually(t, func() bool {
		g, f := settled()
		return g <= goroutines+5 && f <= open+5
	}, 10*time.Second, 50*time.Millisecond, "of 500 requests, goroutines or files are left")
	web.Close()
}
