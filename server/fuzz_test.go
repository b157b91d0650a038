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
		{"crs=http://www.opengis.net/def/crs/EPSG/0/32615&bbox-crs=http://www.opengis.net/def/crs/EPSG/0/4326&bbox=44,-92,45,-91", ""},
		{"bbox-crs=http://www.opengis.net/def/crs/EPSG/0/2288&bbox=1,2,3e5,4e6&sortby=-label&limit=1", ""},
		{"bbox-crs=http://www.opengis.net/def/crs/EPSG/0/3857&bbox=-1e300,-1e300,1e300,1e300", ""},
		{"filter=label+%3D+'A1'+AND+NOT+(terrain.slope_deg+%3E+3+OR+ground.class+IS+NULL)", ""},
		{"filter=S_INTERSECTS(geometry,BBOX(170,-90,-170,90))&filter-crs=http://www.opengis.net/def/crs/EPSG/0/4326", ""},
		{"filter=S_WITHIN(geometry,POLYGON((-92+44,-91+44,-91+45,-92+44)))+AND+name+LIKE+'R%25'", ""},
		{"filter=T_INTERSECTS(surveyed_at,INTERVAL('..','2026-01-01T00:00:00Z'))+AND+CASEI(label)+IN+('a1',casei('A2'))", ""},
		{"filter-lang=cql2-json&filter=%7B%22op%22:%22s_disjoint%22,%22args%22:[%7B%22property%22:%22geometry%22%7D,%7B%22bbox%22:[0,0,1,1]%7D]%7D", ""},
		{"sortby=label&after=WyJBMSIsInAtZ29vZCJd&ground.class=A&terrain.slope_deg=35", ""},
		{"sortby=%2Bupdated&after=WyJ6eiIsIiJd&surveyed_at=2026-04-12T10:00:00Z", ""},
		{"properties=label,ground.class&f=mvt", ""},
		{"casualty=15S+642364+3945775&rope_m=60&tonight=wet", "text/html"},
		{"casualty=44.6511,-91.2044&load=280+kg&bbox=-91.21,44.65,-91.20,44.66&paper=a4", "text/html"},
		{"measure=44.65,-91.2%3B15T+XK+42377+45761%3Bx&coverage=1&zoom=25", ""},
		{"at=-91.2057,44.6510&within_m=1e9&layers=,,gas&zoom=0&bbox=179,-90,-179,90", ""},
	} {
		f.Add(seed[0], seed[1])
	}
	s, _ := fixture(f)
	paths := []string{
		"/api/collections/points/items", "/api/collections/river/items", "/api/collections/points/items/p-good/options",
		"/api/convert", "/map/points", "/map/grid", "/", "/map/ledger", "/map/here", "/map/casualty", "/map/measure", "/map/reaches", "/map/zones", "/map/print", "/points/p-good", "/api/collections/sites/items", "/api/collections/points/items/p-good",
		"/api/collections/points/queryables", bendTile,
	}
	fine := []int{http.StatusOK, http.StatusBadRequest, http.StatusNotAcceptable}
	f.Fuzz(func(t *testing.T, query, accept string) {
		for _, path := range paths {
			r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil)
			r.Host = "localhost"
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
