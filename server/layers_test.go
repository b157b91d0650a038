package server_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/exchange"
)

// bring brings a file to the room and returns its address there.
func bring(t testing.TB, h http.Handler, name, content string) string {
	t.Helper()
	res := bringAny(t, h, name, content)
	require.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
	return res.Header.Get("Location")
}

func bringAny(t testing.TB, h http.Handler, name, content string, headers ...string) *http.Response {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	part, err := m.CreateFormFile("file", name)
	require.NoError(t, err)
	_, err = part.Write([]byte(content))
	require.NoError(t, err)
	require.NoError(t, m.Close())
	return call(t, h, http.MethodPost, "/layers/files", b.String(), append(headers, "Content-Type: "+m.FormDataContentType(), "Accept: text/html")...)
}

// fillIn sends a form.
func fillIn(t testing.TB, h http.Handler, target string, fields ...string) *http.Response {
	t.Helper()
	form := url.Values{}
	for i := 0; i < len(fields); i += 2 {
		form.Add(fields[i], fields[i+1])
	}
	return call(t, h, http.MethodPost, target, form.Encode(), "Content-Type: application/x-www-form-urlencoded", "Accept: text/html")
}

// ended waits for the work on a file and returns its page.
func ended(t testing.TB, h http.Handler, file string) string {
	t.Helper()
	var text string
	require.Eventually(t, func() bool {
		res := call(t, h, http.MethodGet, file+"/work", "", "Accept: text/html")
		text = bodyOf(t, res)
		return res.Header.Get("Refresh") == ""
	}, 20*time.Second, 20*time.Millisecond)
	return text
}

const gasMain = `{"type":"Feature","id":"g-1","geometry":{"type":"LineString","coordinates":[[-91.2055,44.6513],[-91.2035,44.6513]]},"properties":{"name":"gas main","depth_m":1.2}}`

func TestBringInALayer(t *testing.T) {
	s, store := fixture(t)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	ctx := t.Context()
	before, err := store.Revision(ctx)
	require.NoError(t, err)

	file := bring(t, s, `C:\data\county gas.geojson`, gasMain)
	found := bodyOf(t, call(t, s, http.MethodGet, file, "", "Accept: text/html"))
	assert.Contains(t, found, "county gas.geojson")
	assert.NotContains(t, found, `C:\data`)
	for _, want := range []string{"GeoJSON", "LineString", "gas main", "buried utility", `value="county gas"`} {
		assert.Contains(t, found, want)
	}
	wrong := fillIn(t, s, file+"/look", "as", "layer", "title", "Gas", "role", "")
	assert.Equal(t, http.StatusBadRequest, wrong.StatusCode)
	assert.Contains(t, bodyOf(t, wrong), "say how the layer takes part")

	res := fillIn(t, s, file+"/look", "as", "layer", "title", "Gas mains", "role", "buried utility", "as_of", "2026-03-01", "licence", "county open data")
	require.Equal(t, http.StatusSeeOther, res.StatusCode)
	looked := ended(t, s, file)
	for _, want := range []string{"<b>1</b> accepted", "longitude -91.20550 to -91.20350", "Take it in", "<svg"} {
		assert.Contains(t, looked, want)
	}
	now, err := store.Revision(ctx)
	require.NoError(t, err)
	assert.Equal(t, before, now, "looking writes nothing")

	fillIn(t, s, file+"/take")
	taken := ended(t, s, file)
	assert.Contains(t, taken, "is in")
	l, err := store.Layer(ctx, "gas-mains")
	require.NoError(t, err)
	assert.Equal(t, []any{"county gas.geojson", "county open data", 1}, []any{l.SourceFile, l.Licence, l.Features})
	imports, err := store.Imports(ctx)
	require.NoError(t, err)
	require.Len(t, imports, 1)
	var report exchange.Report
	require.NoError(t, json.Unmarshal(imports[0].Report, &report))
	assert.Equal(t, 1, report.Accepted)
	assert.EqualValues(t, len(gasMain), imports[0].Size)
	again := fillIn(t, s, file+"/take")
	assert.Equal(t, http.StatusConflict, again.StatusCode, "a file is taken once for each look")

	room := bodyOf(t, call(t, s, http.MethodGet, "/layers", "", "Accept: text/html"))
	for _, want := range []string{"Gas mains", "county gas.geojson", "county open data", "/api/collections/SET/tiles", "http://localhost/api/"} {
		assert.Contains(t, room, want)
	}

	// A newer edition says what it changes, and what came before is kept.
	newer := bring(t, s, "gas.geojsonl", strings.Replace(gasMain, `"depth_m":1.2`, `"depth_m":0.9`, 1)+"\n"+strings.Replace(gasMain, "g-1", "g-2", 1)+"\n")
	fillIn(t, s, newer+"/look", "as", "layer", "title", "Gas mains", "role", "buried utility", "licence", "none")
	looked = ended(t, s, newer)
	assert.Contains(t, bodyOf(t, call(t, s, http.MethodGet, newer+"?as=layer", "", "Accept: text/html")), `value="none"`, "the form is as it was filled in")
	for _, want := range []string{"<b>1</b> added", "<b>1</b> changed", "depth_m"} {
		assert.Contains(t, looked, want)
	}
	fillIn(t, s, newer+"/take")
	ended(t, s, newer)
	ask := bodyOf(t, call(t, s, http.MethodGet, "/imports/2/undo", "", "Accept: text/html"))
	assert.Contains(t, ask, "The edition before it comes back.")
	assert.Equal(t, http.StatusSeeOther, fillIn(t, s, "/imports/2/undo").StatusCode)
	l, err = store.Layer(ctx, "gas-mains")
	require.NoError(t, err)
	assert.Equal(t, 1, l.Features)

	assert.Contains(t, bodyOf(t, call(t, s, http.MethodGet, "/layers/gas-mains/remove", "", "Accept: text/html")), "checks that rest on it are not run")
	assert.Equal(t, http.StatusSeeOther, fillIn(t, s, "/layers/gas-mains/remove").StatusCode)
	assert.Contains(t, bodyOf(t, call(t, s, http.MethodGet, "/layers", "", "Accept: text/html")), "/layers/gas-mains/restore")
	assert.Contains(t, bodyOf(t, call(t, s, http.MethodGet, "/imports/1/undo", "", "Accept: text/html")), "replaced or taken out since import 1")
	assert.Equal(t, http.StatusSeeOther, fillIn(t, s, "/layers/gas-mains/restore").StatusCode)
	assert.Equal(t, http.StatusSeeOther, fillIn(t, s, "/imports/1/undo").StatusCode)
	assert.Equal(t, http.StatusNotFound, call(t, s, http.MethodGet, "/api/collections/gas-mains", "").StatusCode)
}

func TestBringInPoints(t *testing.T) {
	s, store := fixture(t)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	file := bring(t, s, "county.csv", "NO,lon,lat,SOIL\nN1,-91.2041,44.6514,Type B\nN2,-91.2042,44.6514,Peat\nA1,-91.20451,44.6513,Type B\nA-1,-91.20451,44.65131,Type B\n")
	found := bodyOf(t, call(t, s, http.MethodGet, file+"?as=points", "", "Accept: text/html"))
	assert.Contains(t, found, "Type B; Peat")
	assert.Contains(t, found, `<option value="AB-1">AB-1 Alder Bend</option>`)
	form := []string{"as", "points", "site", "AB-1", "values", "ground.class: Type B = B", "within", "3"}
	// The columns of a CSV file that hold the place are none of the record's.
	form = append(form, "col0", "label", "col1", "ground.class")
	fillIn(t, s, file+"/look", form...)
	looked := ended(t, s, file)
	for _, want := range []string{"3</b> accepted", "1</b> refused", "Peat", "<b>2</b> perhaps twice", "<b>2</b> added", "<b>1</b> changed", "Take the rest without the 1 refused"} {
		assert.Contains(t, looked, want)
	}
	assert.NotContains(t, looked, "ground.tests", "what the table has no column for stays")
	assert.Contains(t, looked, "No longer recorded: position.accuracy_m", "the accuracy of another place does not")
	csv := bodyOf(t, call(t, s, http.MethodGet, file+"/report.csv", ""))
	assert.Contains(t, csv, "refused")
	assert.Len(t, strings.Split(strings.TrimSpace(csv), "\n"), 5)
	assert.Contains(t, bodyOf(t, call(t, s, http.MethodGet, file+"/report.geojson", "")), `"what":"duplicate"`)
	assert.Equal(t, http.StatusNotFound, call(t, s, http.MethodGet, file+"/report.exe", "").StatusCode)

	fillIn(t, s, file+"/take")
	assert.Contains(t, ended(t, s, file), "1 record is refused, so nothing is written")
	fillIn(t, s, file+"/look", form...)
	ended(t, s, file)
	fillIn(t, s, file+"/take", "partial", "yes", "keep", "County soils")
	assert.Contains(t, ended(t, s, file), "is in")
	p, err := store.Point(t.Context(), "AB-1/N1")
	require.NoError(t, err)
	assert.Equal(t, "B", string(p.Item.Ground.Class))
	m, err := store.Mapping(t.Context(), "County soils")
	require.NoError(t, err)
	assert.JSONEq(t, `{"columns":{"NO":"label","SOIL":"ground.class"},"values":{"ground.class":{"Type B":"B"}},"set":{"site":"AB-1"}}`, string(m.Body))

	// Once more with the saved mapping, and undone after somebody edited one.
	next := bring(t, s, "newer.csv", "NO,lon,lat,SOIL\nN3,-91.2043,44.6515,Type B\n")
	fillIn(t, s, next+"/look", "as", "points", "saved", "County soils")
	assert.Contains(t, ended(t, s, next), "<b>1</b> added")
	fillIn(t, s, next+"/take")
	ended(t, s, next)
	n1, err := store.Point(t.Context(), "AB-1/N3")
	require.NoError(t, err)
	n1.Item.SurveyedBy = "second crew"
	_, err = store.PutPoint(t.Context(), n1.Item, author, survey.Known(n1.Revision))
	require.NoError(t, err)
	ask := bodyOf(t, call(t, s, http.MethodGet, "/imports/2/undo", "", "Accept: text/html"))
	assert.Contains(t, ask, "was changed by fixture")
	assert.Equal(t, http.StatusConflict, fillIn(t, s, "/imports/2/undo").StatusCode)
	assert.Equal(t, http.StatusSeeOther, fillIn(t, s, "/imports/2/undo", "keep", "yes").StatusCode)
	assert.Equal(t, http.StatusSeeOther, fillIn(t, s, "/imports/1/undo").StatusCode)
	_, err = store.Point(t.Context(), "AB-1/N1")
	assert.Error(t, err)
}

// A grid of heights is an elevation layer, and takes part at once.
func TestBringInElevation(t *testing.T) {
	s, store := fixture(t)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	grid := "ncols 3\nnrows 2\nxllcorner -91.206\nyllcorner 44.650\ncellsize 0.001\n231 232 233\n229 230 231\n"
	file := bring(t, s, "ground.asc", grid)
	found := bodyOf(t, call(t, s, http.MethodGet, file, "", "Accept: text/html"))
	assert.Contains(t, found, "Unit of the heights")
	assert.NotContains(t, found, "survey points", "heights are no points")
	fillIn(t, s, file+"/look", "as", "layer", "title", "Ground")
	looked := ended(t, s, file)
	if strings.Contains(looked, "names no coordinate system") {
		fillIn(t, s, file+"/look", "as", "layer", "title", "Ground", "crs", "EPSG:4326", "unit", "m")
		looked = ended(t, s, file)
	}
	assert.Contains(t, looked, "3 × 2 cells")
	assert.Contains(t, looked, "longitude -91.20600 to -91.20300")
	fillIn(t, s, file+"/take")
	assert.Contains(t, ended(t, s, file), "is in")
	l, err := store.Layer(t.Context(), "ground")
	require.NoError(t, err)
	assert.Equal(t, survey.RoleElevation, l.Role)
	assert.Equal(t, http.StatusSeeOther, fillIn(t, s, "/imports/1/undo").StatusCode)
	_, err = store.Raster(t.Context(), "ground")
	assert.ErrorIs(t, err, survey.ErrNotFound)
}

// What is no map data, too much or not wanted is turned away in plain words.
func TestSendRefuses(t *testing.T) {
	s, _ := fixture(t)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	for name, c := range map[string]struct {
		content, says string
		code          int
	}{
		"nothing.geojson": {"", "empty", http.StatusBadRequest},
		"program.shp":     {"MZ\x90\x00 a program of another kind", "", http.StatusBadRequest},
		"page.geojson":    {"<html><script>alert(1)</script></html>", "", http.StatusBadRequest},
	} {
		res := bringAny(t, s, name, c.content)
		assert.Equal(t, c.code, res.StatusCode, name)
		assert.Contains(t, bodyOf(t, res), c.says)
	}
	res := call(t, s, http.MethodPost, "/layers/files", "x=1", "Content-Type: application/x-www-form-urlencoded")
	assert.Equal(t, http.StatusBadRequest, res.StatusCode)
	for i := range 6 {
		bring(t, s, fmt.Sprint(i, ".geojson"), gasMain)
	}
	res = bringAny(t, s, "7.geojson", gasMain)
	assert.Equal(t, http.StatusServiceUnavailable, res.StatusCode)
	assert.Contains(t, bodyOf(t, res), "6 files wait")
	assert.Equal(t, http.StatusNotFound, call(t, s, http.MethodGet, "/layers/files/nowhere", "").StatusCode)
	big := call(t, s, http.MethodPost, "/layers/files/nowhere/look", strings.Repeat("x", server.MaxBody+1), "Content-Type: application/x-www-form-urlencoded")
	assert.NotEqual(t, http.StatusOK, big.StatusCode, "other routes keep their own bound")

	bound, _ := fixture(t, func(c *server.Config) { c.ReadOnly = true })
	t.Cleanup(func() { require.NoError(t, bound.Close()) })
	assert.Equal(t, http.StatusForbidden, bringAny(t, bound, "x.geojson", gasMain).StatusCode)
	assert.Equal(t, http.StatusForbidden, fillIn(t, bound, "/layers/x/remove").StatusCode)
	assert.NotContains(t, bodyOf(t, call(t, bound, http.MethodGet, "/layers", "", "Accept: text/html")), "multipart/form-data")
}

// Stopping an import half-way leaves the atlas as it was and no file behind.
func TestStopLeavesNoTrace(t *testing.T) {
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	s, store := fixture(t)
	before, err := store.Revision(t.Context())
	require.NoError(t, err)
	file := bring(t, s, "big.geojsonl", strings.Repeat(gasMain+"\n", 60_000))
	fillIn(t, s, file+"/look", "as", "layer", "title", "Big", "role", "other")
	assert.Contains(t, ended(t, s, file), "60000</b> accepted")
	done := make(chan struct{})
	go func() { defer close(done); fillIn(t, s, file+"/take") }()
	require.Eventually(t, func() bool {
		return strings.Contains(bodyOf(t, call(t, s, http.MethodGet, file+"/work", "", "Accept: text/html")), "Bringing in")
	}, 20*time.Second, time.Millisecond)
	assert.Equal(t, http.StatusSeeOther, fillIn(t, s, file+"/discard").StatusCode)
	<-done
	after, err := store.Revision(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, after)
	all, err := store.Imports(t.Context())
	require.NoError(t, err)
	assert.Empty(t, all)
	require.NoError(t, s.Close())
	left, err := os.ReadDir(temp)
	require.NoError(t, err)
	for _, f := range left {
		assert.NotContains(t, f.Name(), "holdfast")
	}
}

func TestExportForm(t *testing.T) {
	s, _ := fixture(t)
	for _, c := range []struct{ query, kind, has string }{
		{"collection=points&format=geojson", "application/geo+json", `"A1"`},
		{"collection=points&format=csv&crs=EPSG:26915&filter=label='A1'", "text/csv; charset=utf-8", "A1"},
		{"collection=sites&format=gpkg", "application/geopackage+sqlite3", "SQLite format 3"},
		{"collection=sites&format=zip", "application/zip", "PK"},
	} {
		res := call(t, s, http.MethodGet, "/layers/export?"+strings.ReplaceAll(c.query, "'", "%27"), "")
		require.Equal(t, http.StatusOK, res.StatusCode, c.query)
		assert.Equal(t, c.kind, res.Header.Get("Content-Type"))
		assert.Contains(t, res.Header.Get("Content-Disposition"), "attachment")
		assert.Contains(t, bodyOf(t, res), c.has)
	}
	for query, code := range map[string]int{
		"collection=points&format=exe": http.StatusBadRequest, "collection=none&format=csv": http.StatusNotFound,
		"collection=points&format=csv&crs=EPSG:1": http.StatusBadRequest, "collection=points&format=csv&filter=%28": http.StatusBadRequest,
	} {
		assert.Equal(t, code, call(t, s, http.MethodGet, "/layers/export?"+query, "").StatusCode, query)
	}
}

// The GIS person brings in layers and not sites or points; what may not be seen
// is not taken out either, nor asked for.
func TestRoomOfTheGISPerson(t *testing.T) {
	d := newDepartment(t)
	t.Cleanup(func() { require.NoError(t, d.Close()) })
	key := d.key(t, "gis")
	form := func(target string, fields ...string) *http.Response {
		f := url.Values{}
		for i := 0; i < len(fields); i += 2 {
			f.Set(fields[i], fields[i+1])
		}
		return call(t, d, http.MethodPost, target, f.Encode(), "Content-Type: application/x-www-form-urlencoded", "Accept: text/html", key)
	}
	res := bringAny(t, d, "gas.geojson", gasMain, key)
	require.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
	file := res.Header.Get("Location")
	res = form(file+"/look", "as", "points")
	assert.Equal(t, http.StatusForbidden, res.StatusCode)
	assert.Contains(t, bodyOf(t, res), "record sites and points")
	require.Equal(t, http.StatusSeeOther, form(file+"/look", "as", "layer", "title", "New gas", "role", "buried utility").StatusCode)
	done := func() bool {
		return call(t, d, http.MethodGet, file+"/work", "", "Accept: text/html", key).Header.Get("Refresh") == ""
	}
	require.Eventually(t, done, 20*time.Second, 20*time.Millisecond)
	require.Equal(t, http.StatusSeeOther, form(file+"/take").StatusCode)
	require.Eventually(t, done, 20*time.Second, 20*time.Millisecond)
	imports, err := d.store.Imports(t.Context())
	require.NoError(t, err)
	require.Len(t, imports, 1)
	assert.Equal(t, "The gis", imports[0].Who)

	viewer := d.key(t, "viewer")
	room := bodyOf(t, call(t, d, http.MethodGet, "/layers", "", "Accept: text/html", viewer))
	assert.Contains(t, room, "New gas")
	assert.NotContains(t, room, "multipart/form-data")
	assert.NotContains(t, room, "/undo")
	sites := bodyOf(t, call(t, d, http.MethodGet, "/layers/export?collection=sites&format=geojson", "", viewer))
	assert.Contains(t, sites, "Alder Bend")
	assert.NotContains(t, sites, "555 0100")
	assert.Contains(t, bodyOf(t, call(t, d, http.MethodGet, "/layers/export?collection=sites&format=geojson", "", d.key(t, "lead"))), "555 0100")
	asked := "/layers/export?format=csv&collection=points&filter=" + url.QueryEscape("buried_utilities.ticket = 'T-77'")
	assert.Equal(t, http.StatusBadRequest, call(t, d, http.MethodGet, asked, "", viewer).StatusCode)
	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, asked, "", d.key(t, "lead")).StatusCode)
}

// What a layer is said to be bears on the answers at once: a main that came in
// as something else bars the stakes above it when it is said to be a utility.
func TestDescribeALayer(t *testing.T) {
	s, store := fixture(t)
	addLayer(t, store, survey.Layer{ID: "gas", Title: "Lines", Role: survey.RoleOther}, orb.LineString{{-91.2055, 44.65131}, {-91.2035, 44.65131}})
	verdict := func() string {
		var found struct {
			Features []struct {
				ID         string
				Properties struct{ Verdict string }
			}
		}
		require.NoError(t, json.Unmarshal([]byte(bodyOf(t, call(t, s, http.MethodGet, "/map/points?bbox=-91.3,44.6,-91.1,44.7", ""))), &found))
		for _, f := range found.Features {
			if f.ID == "p-good" {
				return f.Properties.Verdict
			}
		}
		return ""
	}
	before := verdict()
	row, err := store.LayerRow(t.Context(), "gas")
	require.NoError(t, err)
	form := bodyOf(t, call(t, s, http.MethodGet, "/layers/gas/describe", "", "Accept: text/html"))
	for _, want := range []string{`value="Lines"`, "<option selected>other</option>", fmt.Sprintf(`name="revision" value="%d"`, row.Revision)} {
		assert.Contains(t, form, want)
	}
	assert.NotContains(t, form, "<option>elevation", "shapes are no grid of heights")
	say := func(revision int64, title, role, day string) *http.Response {
		return fillIn(t, s, "/layers/gas/describe", "revision", fmt.Sprint(revision), "title", title, "role", role, "as_of", day)
	}
	assert.Equal(t, http.StatusBadRequest, say(row.Revision, "Gas mains", "elevation", "").StatusCode)
	assert.Equal(t, http.StatusBadRequest, say(row.Revision, "Gas mains", "road", "May").StatusCode)
	assert.Equal(t, http.StatusSeeOther, say(row.Revision, "Gas mains", "buried utility", "2026-03-01").StatusCode)
	assert.Equal(t, http.StatusPreconditionFailed, say(row.Revision, "Roads", "road", "").StatusCode, "somebody changed it meanwhile")
	now, err := store.Layer(t.Context(), "gas")
	require.NoError(t, err)
	day, _ := now.AsOf.Get()
	assert.Equal(t, []any{"Gas mains", survey.RoleBuried, "2026-03-01", row.Item.SHA256}, []any{now.Title, now.Role, day.Format(time.DateOnly), now.SHA256})
	assert.Equal(t, []string{"holds", "short"}, []string{before, verdict()}, "no stake may stand over the main")
}
