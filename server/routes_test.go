package server_test

import (
	"cmp"
	"net/http"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey/sqlite"
)

// filled is an address of the fixture that a route serves.
func filled(route string) string {
	target := strings.NewReplacer("/sites/{id}", "/sites/s-alder", "/points/{id}", "/points/p-good",
		"/{collection}/items/{id}", "/points/items/p-good", "points/items/{id}", "points/items/p-good", "sites/items/{id}", "sites/items/s-alder", "{collection}", "points",
		"{matrix}/{row}/{col}", "13/2958/2020", "{noun}", "point", "{photo}", "f-good", "{kind}/{id}/{sha256}", "photo/f-good/-", "/static/*", "/static/icon.svg").Replace(route)
	target = strings.NewReplacer("s-alder/revisions/{number}", "s-alder/revisions/2", "p-good/revisions/{number}", "p-good/revisions/4").Replace(target)
	query := map[string]string{
		"/map/grid": "?bbox=-91.21,44.64,-91.19,44.66", "/map/points": "?bbox=-91.21,44.64,-91.19,44.66", "/api/convert": "?position=44.65,-91.2",
		"/map/ledger": "?bbox=-91.21,44.64,-91.19,44.66", "/map/here": "?at=-91.2057,44.6510&within_m=20", "/map/zones": "?bbox=-91.21,44.64,-91.19,44.66",
		"/map/casualty": "?casualty=44.6511,-91.2044", "/map/measure": "?measure=44.65,-91.2%3B44.66,-91.2", "/map/print": "?bbox=-91.21,44.64,-91.19,44.66&casualty=44.6511,-91.2044",
		"/map/tiles/{matrix}/{row}/{col}": "?layers=river,gas",
		"/api/near":                       "?lon=-91.2045&lat=44.6513&rope_m=60",
		"/layers/export":                  "?collection=points&format=csv",
	}[route]
	if target != "/" {
		target = strings.TrimSuffix(target, "/")
	}
	return target + query
}

// answers are what routes answer on the fixture, which has no accounts, where
// that is not 200.
var answers = map[string]int{
	"/favicon.ico": http.StatusFound, "/sign-in": http.StatusSeeOther, "/account": http.StatusForbidden,
	"/people/{id}": http.StatusNotFound, "/link/{code}": http.StatusNotFound, "/station/{code}": http.StatusNotFound,
	"/map/base/{z}/{x}/{y}": http.StatusNotFound, // without a base map
	"/layers/files/{file}":  http.StatusNotFound, "/layers/files/{file}/work": http.StatusNotFound, "/layers/files/{file}/report.{format}": http.StatusNotFound,
	"/layers/{id}/describe": http.StatusNotFound, "/layers/{id}/remove": http.StatusNotFound, "/imports/{number}/undo": http.StatusNotFound,
}

// TestEveryRoute walks the route tree: every GET works on the fixture, and
// every answer carries the headers that keep a page to this server.
func TestEveryRoute(t *testing.T) {
	s, store := fixture(t)
	_, err := store.AddPhoto(t.Context(), sqlite.Photo{ID: "f-good", Point: "p-good", Source: make([]byte, 32), Width: 1, Height: 1, JPEG: []byte("-"), Small: []byte("-")}, author)
	require.NoError(t, err)
	seen := 0
	err = chi.Walk(s.Routes(), func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if method != http.MethodGet || route == "/static/*" {
			return nil
		}
		seen++
		t.Run(route, func(t *testing.T) {
			res := call(t, s, method, filled(route), "")
			assert.Equal(t, cmp.Or(answers[route], http.StatusOK), res.StatusCode, bodyOf(t, res))
			if route == "/walk" || route == "/walk/engine.js" { // the one place that compiles the engine
				csp := res.Header.Get("Content-Security-Policy")
				assert.Contains(t, csp, "script-src 'self' 'wasm-unsafe-eval';")
				res.Header.Set("Content-Security-Policy", strings.Replace(csp, " 'wasm-unsafe-eval'", "", 1))
			}
			checkHeaders(t, res)
		})
		return nil
	})
	require.NoError(t, err)
	assert.Greater(t, seen, 12)
}

func checkHeaders(t *testing.T, res *http.Response) {
	t.Helper()
	csp := res.Header.Get("Content-Security-Policy")
	for _, part := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"} {
		assert.Contains(t, csp, part)
	}
	assert.NotContains(t, csp, "unsafe")
	assert.NotContains(t, csp, "http")
	assert.Equal(t, "nosniff", res.Header.Get("X-Content-Type-Options"))
	assert.NotEmpty(t, res.Header.Get("Referrer-Policy"))
	assert.NotEmpty(t, res.Header.Get("X-Request-Id"))
}
