package server_test

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
)

// FuzzRequest sends any query and Accept header to the lists and computed
// resources: they must answer or refuse, and never fail inside.
func FuzzRequest(f *testing.F) {
	for _, seed := range [][2]string{
		{"bbox=-91.3,44.6,-91.1,44.7&limit=2", "application/geo+json"},
		{"bbox=170,-90,-170,90", "text/html;q=0.5, */*;q=0.1"},
		{"datetime=2018-02-12T00:00:00Z/..", ""},
		{"datetime=/", "application/*"},
		{"limit=99999999999999999999", "a/b;q=;;,"},
		{"limit=%ff&after=%00", "*/*"},
		{"load=280+kg&required=7.5&tonight=wet", "application/json"},
		{"position=15S+642364+3945775&at=2026-05-04", "application/json"},
		{"position=geo:90,180;u=1&f=json", "image/png"},
	} {
		f.Add(seed[0], seed[1])
	}
	s, _ := fixture(f)
	paths := []string{
		"/api/collections/points/items", "/api/collections/river/items", "/api/collections/points/items/p-good/options",
		"/api/convert", "/map/points", "/map/grid", "/points/p-good",
	}
	fine := []int{http.StatusOK, http.StatusBadRequest, http.StatusNotAcceptable}
	f.Fuzz(func(t *testing.T, query, accept string) {
		for _, path := range paths {
			r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil)
			r.URL.RawQuery = query
			r.Header.Set("Accept", accept)
			w := httptest.NewRecorder()
			s.ServeHTTP(w, r)
			if !slices.Contains(fine, w.Code) {
				t.Errorf("%s?%s with Accept %q gave %d: %s", path, query, accept, w.Code, w.Body)
			}
		}
	})
}
