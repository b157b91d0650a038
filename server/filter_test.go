package server_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// addPoles is a layer with one property of every kind.
func addPoles(t *testing.T, store *sqlite.Store) {
	t.Helper()
	var fs []survey.LayerFeature
	for i, props := range []string{
		`{"kv":12,"height_m":9.5,"live":true,"checked":"2026-01-02","seen":"2026-01-02T10:00:00Z","owner":"O'Hara & Sons","limit":"low","tags":["a","b"],"way leave":"yes"}`,
		`{"kv":69,"height_m":12,"live":false,"checked":"2025-06-30","seen":"2025-06-30T23:59:59-06:00","owner":"City","tags":["b"]}`,
		`{"owner":null}`,
	} {
		fs = append(fs, survey.LayerFeature{Geometry: orb.Point{-91.2 + 0.001*float64(i), 44.65}, Properties: json.RawMessage(props)})
	}
	addFeatures(t, store, survey.Layer{ID: "poles", Title: "Poles", Role: survey.RoleOther}, fs)
}

// TestFilters asks by property, by time and by conditions; all of what is
// asked has to hold.
func TestFilters(t *testing.T) {
	s, store := fixture(t)
	addPoles(t, store)
	filter := func(text string) string { return "filter=" + url.QueryEscape(text) }
	for _, c := range []struct{ collection, query, want string }{
		{"points", "label=A1", "p-good"},
		{"points", "label=a1", ""},
		{"points", "ground.class=C", "p-weak"},
		{"points", "terrain.slope_deg=35", "p-barred p-good p-weak"},
		{"points", "buried_utilities.state=marked+present&overhead.state=none", "p-barred"},
		{"points", "surveyed_at=2026-04-12T10:00:00Z", "p-barred p-good"},
		{"points", "surveyed_at=2026-04-12T05:00:00-05:00", "p-barred p-good"},
		{"points", "site=QR-2&label=A1", ""},
		{"points", "site=s-alder&label=A1", "p-good"},
		{"points", "id=p-bare", "p-bare"},
		{"points", "datetime=2026-04-12", "p-bare p-barred p-good"}, // a day; what has no date always matches
		{"points", "datetime=2026-04-12&" + filter("surveyed_at IS NOT NULL"), "p-barred p-good"},
		{"points", "datetime=../2023-04-12&ground.class=C", "p-weak"},
		{"points", filter("ground.class = 'A' AND A_CONTAINS(anchors.kind, ('tree'))"), "p-good"},
		{"points", filter("ground.class = 'A' AND anchors.kind IS NULL"), "p-barred"},
		{"points", filter("pull_tests.outcome IS NOT NULL"), "p-weak"},
		{"points", filter("ground.class IS NULL"), "p-bare"},
		{"points", "bbox=-91.2046,44.6512,-91.2044,44.6514&" + filter("ground.class = 'C'"), ""},
		{"points", "filter-lang=cql2-json&" + filter(`{"op":"in","args":[{"property":"label"},["A1","A2"]]}`), "p-good p-weak"},
		{"sites", "code=AB-1", "s-alder"},
		{"sites", "kind=embankment", "s-cutting"},
		{"sites", "water.warn_stage_m=2.4", "s-alder"},
		{"sites", "datetime=1999-01-01", "s-alder s-cutting"}, // sites have no date
		{"sites", filter("CASEI(name) LIKE casei('%BEND%')"), "s-alder"},
		{"sites", filter("review.due < TIMESTAMP('2027-05-01T00:00:00Z')"), "s-alder"},
		{"river", "datetime=2025-01-01", "1"},
		{"river", "datetime=2025-01-02/..", ""},
		{"gas", "datetime=1999-01-01", "1"}, // nobody said of when it is
		{"poles", "kv=12", "1"},
		{"poles", "kv=12.0", "1"},
		{"poles", "height_m=12", "2"},
		{"poles", "live=false", "2"},
		{"poles", "checked=2026-01-02", "1"},
		{"poles", "seen=2025-07-01T05:59:59Z", "2"},
		{"poles", "owner=" + url.QueryEscape("O'Hara & Sons"), "1"},
		{"poles", "way+leave=yes", "1"},
		{"poles", filter(`"way leave" IS NULL`), "2 3"},
		{"poles", filter(`"limit" = 'low'`), "1"},
		{"poles", "limit=2", "1 2"}, // a property of that name is asked for by a filter only
		{"poles", filter("owner IS NULL"), "3"},
		{"poles", filter("A_OVERLAPS(tags, ('a','c'))"), "1"},
		{"poles", filter("kv BETWEEN 10 AND 100 AND checked < DATE('2026-01-01')"), "2"},
		{"poles", filter("S_INTERSECTS(geometry, LINESTRING(-91.2 44.6, -91.2 44.7))"), "1"},
	} {
		t.Run(c.collection+"?"+c.query, func(t *testing.T) {
			res := call(t, s, http.MethodGet, "/api/collections/"+c.collection+"/items?"+c.query, "")
			require.Equal(t, http.StatusOK, res.StatusCode)
			page := parse[featurePage](t, res)
			assert.Equal(t, c.want, strings.Join(idsOf(page), " "))
			if c.query != "limit=2" {
				assert.Equal(t, len(page.Features), *page.NumberMatched)
			}
		})
	}
	for _, c := range []struct{ collection, query, names, says string }{
		{"points", "terrain.slope_deg=steep", "terrain.slope_deg", "not a number"},
		{"points", "terrain.slope_deg=Inf", "terrain.slope_deg", "not a number"},
		{"points", "surveyed_at=yesterday", "surveyed_at", "not a date and time"},
		{"points", "label=%00", "label", "character"},
		{"points", "anchors.kind=tree", "anchors.kind", "not known here"},
		{"points", "geometry=x", "geometry", "not known here"},
		{"poles", "live=yes", "live", "neither true nor false"},
		{"poles", "checked=2026-13-01", "checked", "not a date"},
		{"poles", "nothing=1", "nothing", "known are"},
		{"points", filter("label = "), "filter", "character 9"},
		{"points", filter("lable = 'A1'"), "filter", `no property "lable"`},
		{"points", filter("label = 3"), "filter", "expected"},
		{"points", "filter=", "filter", "expected"},
		{"points", "filter-lang=cql2-json&filter=%7B", "filter", "cannot be used"},
		{"points", "filter-lang=cql-text&" + filter("label='A1'"), "filter-lang", "cql2-text"},
		{"points", "sortby=ground.class", "sortby", "label"},
		{"points", "sortby=--label", "sortby", "label"},
		{"points", "sortby=label,id", "sortby", "label"},
		{"sites", "sortby=label", "sortby", "name"},
		{"poles", "sortby=updated", "sortby", "id"},
		{"points", "sortby=label&after=p-good", "after", "next link"},
		{"points", "sortby=label&after=WyJhIl0", "after", "next link"}, // ["a"]
		{"poles", "after=x", "after", "next link"},
	} {
		t.Run("refused/"+c.collection+"?"+c.query, func(t *testing.T) {
			p := checkProblem(t, call(t, s, http.MethodGet, "/api/collections/"+c.collection+"/items?"+c.query, ""), http.StatusBadRequest)
			require.Len(t, p.Errors, 1)
			assert.Equal(t, c.names, p.Errors[0].Parameter)
			assert.Contains(t, p.Detail, c.says)
		})
	}
}

// TestSortedPaging walks pages in every order that is offered, both ways, and
// while the list is being changed: what stays comes once.
func TestSortedPaging(t *testing.T) {
	s, store := fixture(t)
	walk := func(collection, sortby string, between func()) []string {
		var ids []string
		next := "/api/collections/" + collection + "/items?limit=1&sortby=" + sortby
		for pages := 0; next != ""; pages++ {
			require.Less(t, pages, 10)
			res := call(t, s, http.MethodGet, next, "")
			require.Equal(t, http.StatusOK, res.StatusCode)
			page := parse[featurePage](t, res)
			ids = append(ids, idsOf(page)...)
			next = page.link("next")
			if between != nil {
				between()
			}
		}
		return ids
	}
	// Labels are A1 (p-good), A2 (p-weak), A10 (p-barred) and Top… (p-bare).
	byLabel := []string{"p-good", "p-barred", "p-weak", "p-bare"}
	for sortby, want := range map[string][]string{
		"label": byLabel, "%2Blabel": byLabel, "+label": byLabel, "id": {"p-bare", "p-barred", "p-good", "p-weak"},
		"updated": {"p-bare", "p-barred", "p-good", "p-weak"}, // all at the same moment
	} {
		assert.Equal(t, want, walk("points", sortby, nil), sortby)
		slices.Reverse(want)
		if down := "-" + strings.TrimPrefix(strings.TrimPrefix(sortby, "+"), "%2B"); sortby != "+label" && sortby != "%2Blabel" {
			assert.Equal(t, want, walk("points", down, nil), down)
		}
		slices.Reverse(want)
	}
	assert.Equal(t, []string{"s-alder", "s-cutting"}, walk("sites", "name", nil))
	assert.Equal(t, []string{"s-cutting", "s-alder"}, walk("sites", "-name", nil))

	n := 0
	got := walk("points", "label", func() {
		p, err := store.Point(t.Context(), "p-good")
		require.NoError(t, err)
		n++
		p.Item.Label = fmt.Sprint("A0", n) // before the place where the walk is
		_, err = store.PutPoint(t.Context(), p.Item, author, survey.Opt[int64]{})
		require.NoError(t, err)
	})
	assert.Equal(t, byLabel, got)
}

// TestCountLeftOut asks with no patience: the features come, their number does
// not, and the answer to the same question stays the same.
func TestCountLeftOut(t *testing.T) {
	s, store := fixture(t)
	s.SetPatience(0)
	for range 2 {
		page := parse[featurePage](t, call(t, s, http.MethodGet, "/api/collections/points/items?ground.class=A&limit=1", ""))
		assert.Nil(t, page.NumberMatched)
		assert.Equal(t, []string{"p-barred"}, idsOf(page))
		page = parse[featurePage](t, call(t, s, http.MethodGet, page.link("next"), ""))
		assert.Nil(t, page.NumberMatched)
		assert.Equal(t, []string{"p-good"}, idsOf(page))
	}
	page := parse[featurePage](t, call(t, s, http.MethodGet, "/api/collections/points/items?ground.class=A", ""))
	assert.Equal(t, 2, *page.NumberMatched, "all of them on one page need no counting")
	addFeatures(t, store, survey.Layer{ID: "wells", Title: "Wells", Role: survey.RoleOther}, wells(3))
	page = parse[featurePage](t, call(t, s, http.MethodGet, "/api/collections/wells/items?limit=1", ""))
	assert.Equal(t, 3, *page.NumberMatched, "what is on record neither")
}

// TestBoxMeetsTheShape has a bank crest whose bounds meet a box that the line
// itself passes by.
func TestBoxMeetsTheShape(t *testing.T) {
	s, store := fixture(t)
	addLayer(t, store, survey.Layer{ID: "bend", Title: "Bend", Role: survey.RoleOther}, orb.LineString{{-91.3, 44.6}, {-91.2, 44.6}, {-91.2, 44.7}})
	for bbox, want := range map[string]int{
		"-91.29,44.65,-91.25,44.69": 0, // within its bounds, beside the line
		"-91.29,44.59,-91.25,44.69": 1,
		"-91.2,44.6,-91.2,44.6":     1, // its corner
		"-91.31,44.59,-91.19,44.71": 1,
	} {
		page := parse[featurePage](t, call(t, s, http.MethodGet, "/api/collections/bend/items?bbox="+bbox, ""))
		assert.Len(t, page.Features, want, bbox)
		assert.Equal(t, want, *page.NumberMatched, bbox)
	}
}

// TestQueryables holds the list to what the features have.
func TestQueryables(t *testing.T) {
	s, store := fixture(t)
	addPoles(t, store)
	type property struct {
		Type, Format string
		Enum         []string
		Items        *struct{ Type string }
		Unit         string `json:"x-ogc-unit"`
	}
	type queryables struct {
		Properties map[string]property
		Additional *bool `json:"additionalProperties"`
	}
	get := func(collection string) queryables {
		res := call(t, s, http.MethodGet, "/api/collections/"+collection+"/queryables", "")
		require.Equal(t, "application/schema+json", res.Header.Get("Content-Type"))
		q := parse[queryables](t, res)
		require.NotNil(t, q.Additional)
		assert.False(t, *q.Additional)
		return q
	}
	poles := get("poles").Properties
	for name, want := range map[string]property{
		"kv": {Type: "integer"}, "height_m": {Type: "number"}, "live": {Type: "boolean"}, "checked": {Type: "string", Format: "date"},
		"seen": {Type: "string", Format: "date-time"}, "owner": {Type: "string"}, "tags": {Type: "array"}, "geometry": {Format: "geometry-any"},
		"way leave": {Type: "string"}, "limit": {Type: "string"},
	} {
		assert.Equal(t, want, poles[name], name)
	}
	assert.Len(t, poles, 10)

	points := get("points").Properties
	assert.Equal(t, property{Format: "geometry-point"}, points["geometry"])
	assert.Equal(t, property{Type: "number", Unit: "deg"}, points["terrain.slope_deg"])
	assert.Equal(t, []string{"rock", "A", "B", "C", "unknown"}, points["ground.class"].Enum) // 29 CFR 1926 Subpart P, Appendix A
	assert.Equal(t, "array", points["anchors.kind"].Type)
	assert.Equal(t, "string", points["anchors.kind"].Items.Type)
	for name := range points {
		res := call(t, s, http.MethodGet, "/api/collections/points/items?filter="+url.QueryEscape(`"`+name+`" IS NULL`), "")
		assert.Equal(t, http.StatusOK, res.StatusCode, name)
	}
	// Every value of a stored point, but those within lists of lists, can be
	// asked for under a name.
	feature := parse[object](t, call(t, s, http.MethodGet, "/api/collections/points/items/p-good", ""))
	var check func(prefix string, members object)
	check = func(prefix string, members object) {
		for name, v := range members {
			if inner, ok := v.(object); ok {
				check(prefix+name+".", inner)
			} else if list, ok := v.([]any); ok && len(list) > 0 {
				for inner := range list[0].(object) {
					if inner != "reading" { // a number or a word
						assert.Contains(t, points, prefix+name+"."+inner)
					}
				}
			} else {
				assert.Contains(t, points, prefix+name)
			}
		}
	}
	check("", feature["properties"].(object))
}
