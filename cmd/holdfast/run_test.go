package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/survey/demo"
	"holdfast/survey/sqlite"
)

// result is one run of the command.
type result struct {
	code     int
	out, err string
}

func call(t testing.TB, stdin string, args ...string) result {
	t.Helper()
	var out, errs bytes.Buffer
	code := run(t.Context(), args, strings.NewReader(stdin), &out, &errs)
	return result{code, out.String(), errs.String()}
}

// district is an atlas of the invented district.
func district(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "atlas.db")
	s := &streams{out: io.Discard, err: io.Discard, now: time.Now}
	a, done, err := (&globals{Atlas: path}).open(t.Context(), s, sqlite.Options{Create: true})
	require.NoError(t, err)
	defer done()
	require.NoError(t, demo.Fill(t.Context(), a.Store, data.Demo, time.Now()))
	return path
}

func file(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// sentence requires what went wrong to be told in one line.
func (r result) sentence(t *testing.T, code int, says string) {
	t.Helper()
	assert.Equal(t, code, r.code, r.err)
	assert.Contains(t, r.err, says)
	assert.NotContains(t, r.err, "goroutine")
	assert.NotContains(t, r.err, "sqlite3")
}

func TestEveryVerbHasHelpWithAnExample(t *testing.T) {
	var c cli
	model, err := kong.New(&c)
	require.NoError(t, err)
	seen := 0
	err = kong.Visit(model.Model, func(n kong.Visitable, next kong.Next) error {
		if verb, is := n.(*kong.Node); is && verb.Type == kong.CommandNode {
			seen++
			name := strings.TrimPrefix(verb.FullPath(), model.Model.Name+" ")
			r := call(t, "", append(strings.Fields(name), "--help")...)
			assert.Equal(t, exitDone, r.code, name)
			assert.Contains(t, r.out, "holdfast "+name, name)
			assert.Contains(t, r.out, "Example", name)
			assert.NotEmpty(t, verb.Help, name)
		}
		return next(nil)
	})
	require.NoError(t, err)
	assert.Greater(t, seen, reflect.TypeFor[cli]().NumField()-1, "the verbs and those below them")
	assert.Equal(t, exitDone, call(t, "").code)
}

func TestWrongUse(t *testing.T) {
	for _, args := range [][]string{
		{"nonsense"},
		{"options"},
		{"options", "X", "--file", "y"},
		{"convert", "--at", "yesterday", "1,2"},
		{"sheet", "X", "--to", "x.doc"},
		{"sheet", "--to", "x.pdf"},
		{"sheet", "X", "--all", "--to", "x.pdf"},
		{"sheet", "X", "Y", "--to", "x.html"},
		{"sheet", "--all", "--to", "x.dxf"},
		{"sheet", "X", "--to", "x.pdf", "--address", "atlas.example"},
		{"import", "x"},
		{"import", "x", "--layer", "L"},
		{"import", "x", "--layer", "L", "--role", "moat"},
		{"import", "x", "--sites", "--points"},
		{"import", "x", "--points", "--near", "NaN"},
		{"import", "x", "--points", "--key", "k"},
		{"import", "x", "y", "--points", "--remove-missing"},
		{"import", "x", "--points", "--save-map", "k"},
		{"imports", "undo", "x"},
		{"imports", "undo", "--", "-1"},
		{"serve", "--port", "1"},
		{"terrain"},
		{"policy"},
		{"person"},
		{"person", "add", "X"},
		{"person", "add", "X", "--role", "chief"},
		{"person", "add", "holdfast", "--role", "viewer"},
		{"person", "change", "X", "--open", "--close"},
		{"support"},
		{"support", "--to", "x.zip", "--metrics", "192.0.2.1:9090"},
		{"serve", "--metrics", "0.0.0.0:9090"},
		{"serve", "--tls-cert", "run_test.go"},
		{"demo", "--listen", "0.0.0.0:0"},
		{"policy", "try"},
		{"policy", "show", "x"},
		{"options", "X", "--required", "0"},
		{"options", "X", "--required=-3"},
		{"options", "X", "--required", "NaN"},
		{"near", "--at", "44.65,-91.2", "--required", "0"},
	} {
		r := call(t, "", args...)
		assert.Equal(t, exitUsage, r.code, "%v: %s", args, r.err)
		assert.Empty(t, r.out, args)
		assert.NotEmpty(t, r.err, args)
	}
}

func TestConvert(t *testing.T) {
	r := call(t, "", "convert", "44.65123,-91.20456")
	assert.Equal(t, exitDone, r.code)
	assert.Contains(t, r.out, "15T XK 42364 45775") // source: GeoConvert -m 2.1.2
	r = call(t, "44.65123,-91.20456\n15TXK4236445775\n91,200\n", "convert", "--json")
	assert.Equal(t, exitFailed, r.code, "one line cannot be read")
	lines := strings.Split(strings.TrimSpace(r.out), "\n")
	require.Len(t, lines, 3, "every input line has its output line")
	for _, l := range lines {
		assert.True(t, json.Valid([]byte(l)))
	}
	assert.Contains(t, lines[2], `"error"`)
	assert.Contains(t, r.err, "91,200")
}

func TestConvertOfAnOverlongLine(t *testing.T) {
	r := call(t, "44.65123,-91.20456\n"+strings.Repeat("4", 70_000)+"\n", "convert", "--json")
	r.sentence(t, exitFailed, "line 2 is longer than 64 KB")
	assert.Equal(t, 1, strings.Count(r.out, "\n"), "the line before it is converted")
	assert.Contains(t, r.out, "15TXK4236445775") // source: GeoConvert -m 2.1.2
}

func TestOptionsOfAPoint(t *testing.T) {
	atlas := district(t)
	r := call(t, "", "options", "QR-04/P2", "--atlas", atlas)
	require.Equal(t, exitDone, r.code, r.err)
	assert.Contains(t, r.out, "Two 3-2-1 rigs hold a two-person load at 13:1")
	assert.Contains(t, r.out, "does not certify")
	r = call(t, "", "options", "QR-04/P2", "--atlas", atlas, "--json", "--load", "one-person")
	var a struct {
		Verdict string
		Options []struct{ Rank int }
	}
	require.NoError(t, json.Unmarshal([]byte(r.out), &a))
	assert.Equal(t, "holds", a.Verdict)
	assert.NotEmpty(t, a.Options)

	call(t, "", "options", "QR-04/P99", "--atlas", atlas).sentence(t, exitFailed, "no point")
	call(t, "", "options", "QR-04/P2", "--atlas", atlas, "--load", "herd").sentence(t, exitFailed, "no load case")
	call(t, "", "options", "QR-04/P2", "--atlas", filepath.Join(t.TempDir(), "none.db")).sentence(t, exitFailed, "none.db")
}

const loose = `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{
 "ground":{"texture":"clay loam","moisture":"moist","disturbed":"no","fissured":"no","seeping":"no","vibration":"no","layers_dip_into_slope":"no",
  "tests":[{"kind":"pocket penetrometer","reading":2,"unit":"tsf"},{"kind":"visual","reading":"clumps"}]},
 "terrain":{"slope_deg":35,"setback_m":3},"pull":{"bearing_deg":214,"north":"true"},
 "buried_utilities":{"state":"marked clear"},"overhead":{"state":"none"}}}`

func TestOptionsOfAFile(t *testing.T) {
	none := filepath.Join(t.TempDir(), "none.db")
	r := call(t, loose, "options", "--file", "-", "--atlas", none)
	require.Equal(t, exitDone, r.code, r.err)
	assert.Contains(t, r.out, "13:1")
	assert.NoFileExists(t, none, "asking makes no atlas")
	call(t, strings.Replace(loose, "slope_deg", "slope", 1), "options", "--file", "-").sentence(t, exitFailed, "did you mean slope_deg")
	call(t, strings.Replace(loose, "-91.2,44.65", "44.65,-91.2", 1), "options", "--file", "-").sentence(t, exitFailed, "swapped")
	call(t, strings.Replace(loose, "35", "NaN", 1), "options", "--file", "-").sentence(t, exitFailed, "not valid JSON")
	call(t, "", "options", "--file", "missing.geojson").sentence(t, exitFailed, "there is no file missing.geojson")
}

const sitesFile = `{"type":"FeatureCollection","features":[{"type":"Feature","id":"s1","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"name":"Bank","code":"B-1"}}]}`

func TestImportIsAllOrNothing(t *testing.T) {
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	r := call(t, "", "import", "--sites", file(t, "sites.geojson", sitesFile), "--dry-run", "--atlas", atlas)
	require.Equal(t, exitDone, r.code, r.err)
	assert.NoFileExists(t, atlas, "a dry run writes nothing")
	require.Equal(t, exitDone, call(t, "", "import", "--sites", file(t, "sites.geojson", sitesFile), "--atlas", atlas).code)

	csv := "site,label,lon,lat,ground.class\nB-1,P1,-91.2,44.65,B\nB-1,P2,44.65,-91.2,B\nB-1,P3,-91.2,44.651,Q\n"
	points := file(t, "points.csv", csv)
	before := sum(t, atlas)
	r = call(t, "", "import", "--points", points, "--atlas", atlas)
	r.sentence(t, exitFailed, "nothing is written")
	assert.Contains(t, r.out, "swapped")
	assert.Contains(t, r.out, "rock, A, B, C, unknown")
	assert.Equal(t, before, sum(t, atlas), "the atlas is as it was")
	r = call(t, "", "import", "--points", points, "--atlas", atlas, "--accept-partial")
	require.Equal(t, exitDone, r.code, r.err)
	require.Equal(t, exitDone, call(t, "", "options", "B-1/P1", "--atlas", atlas).code)
}

func TestImportOfRubbishLeavesTheAtlasAlone(t *testing.T) {
	atlas := district(t)
	before := sum(t, atlas)
	for name, args := range map[string][]string{
		"there is no file": {"import", "--points", filepath.Join(t.TempDir(), "no.geojson")},
		"neither":          {"import", "--points", file(t, "x.geojson", "\x00\x01\x02 rubbish")},
		"misspelt":         {"import", "--sites", file(t, "s.geojson", strings.Replace(sitesFile, `"code"`, `"cod"`, 1))},
	} {
		r := call(t, "", append(args, "--atlas", atlas)...)
		assert.Equal(t, exitFailed, r.code, "%s: %s", name, r.err)
		assert.NotEmpty(t, r.err+r.out, name)
		assert.Equal(t, before, sum(t, atlas), name)
	}
}

func TestImportOfALayerChangesAnAnswer(t *testing.T) {
	atlas := district(t)
	// A gas line straight through the point: its check must fail.
	r := call(t, "", "options", "QR-04/P2", "--atlas", atlas, "--json")
	require.Contains(t, r.out, `"verdict": "holds"`)
	main := `{"type":"Feature","geometry":{"type":"LineString","coordinates":[[-91.1867775,44.6519275],[-91.1847775,44.6519275]]},"properties":{"name":"new main"}}`
	r = call(t, "", "import", file(t, "main.geojson", main), "--layer", "New main", "--role", "buried utility", "--atlas", atlas)
	require.Equal(t, exitDone, r.code, r.err)
	r = call(t, "", "options", "QR-04/P2", "--atlas", atlas)
	assert.Contains(t, r.out, "tolerance zone")
	assert.Contains(t, r.out, "New main")
}

func sum(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return fmt.Sprintf("%d %x", len(b), sha256.Sum256(b))
}

func TestSheet(t *testing.T) {
	atlas := district(t)
	for _, name := range []string{"s.pdf", "s.html"} {
		to := filepath.Join(t.TempDir(), name)
		r := call(t, "", "sheet", "QR-02", "--to", to, "--atlas", atlas)
		require.Equal(t, exitDone, r.code, r.err)
		info, err := os.Stat(to)
		require.NoError(t, err)
		assert.Greater(t, info.Size(), int64(5000))
	}
	for ending, c := range map[string]struct {
		begins string
		args   []string
	}{
		"book.pdf": {"%PDF-1.7", []string{"QR-01", "QR-02", "--address", "https://atlas.example.org"}},
		"all.pdf":  {"%PDF-1.7", []string{"--all", "--paper", "a4"}},
		"l.svg":    {"<?xml", []string{"QR-02/P3"}},
		"l.dxf":    {"999\nlayout of an anchor; coordinates: WGS 84 / UTM zone 15N (EPSG:32615)", []string{"QR-02/P3"}},
	} {
		to := filepath.Join(t.TempDir(), ending)
		r := call(t, "", append([]string{"sheet", "--to", to, "--atlas", atlas}, c.args...)...)
		require.Equal(t, exitDone, r.code, r.err)
		assert.Equal(t, to+"\n", r.out)
		text, err := os.ReadFile(to)
		require.NoError(t, err)
		assert.True(t, strings.HasPrefix(strings.TrimLeft(string(text), " "), c.begins), "%.80q", text)
	}
	call(t, "", "sheet", "QR-02/P99", "--to", filepath.Join(t.TempDir(), "l.svg"), "--atlas", atlas).sentence(t, exitFailed, "no point")
	call(t, "", "sheet", "XX-99", "--to", filepath.Join(t.TempDir(), "s.pdf"), "--atlas", atlas).sentence(t, exitFailed, "no site")
	call(t, "", "sheet", "QR-02", "--to", filepath.Join(t.TempDir(), "no", "s.pdf"), "--atlas", atlas).sentence(t, exitFailed, "write the sheet")
}

func TestServeTakenPort(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	call(t, "", "serve", "--listen", l.Addr().String(), "--atlas", district(t)).sentence(t, exitFailed, "another program already serves")
}

func TestServeForeignAndReadOnlyFiles(t *testing.T) {
	call(t, "", "serve", "--atlas", file(t, "x.db", "not an atlas at all, but a text of some length")).sentence(t, exitFailed, "not")
	atlas := district(t)
	require.NoError(t, os.Chmod(atlas, 0o400))
	call(t, "", "serve", "--atlas", atlas).sentence(t, exitFailed, "holdfast serve --read-only")
	if os.Geteuid() != 0 { // root may write what is read-only
		call(t, "", "import", "--sites", file(t, "s.geojson", sitesFile), "--atlas", atlas).sentence(t, exitFailed, "read")
	}
}

// The demo prints an address that answers and the path of a sheet that is
// there, and stops when told to.
func TestDemo(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	out, in := io.Pipe()
	var errs bytes.Buffer
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, []string{"demo"}, strings.NewReader(""), in, &errs)
		_ = in.Close()
	}()
	var address, sheet string
	_, err := fmt.Fscanf(out, "%s\n%s\n", &address, &sheet)
	require.NoError(t, err)
	head := make([]byte, 5)
	f, err := os.Open(sheet)
	require.NoError(t, err)
	_, err = io.ReadFull(f, head)
	require.NoError(t, err)
	require.NoError(t, f.Close())
	assert.Equal(t, "%PDF-", string(head))
	for path, says := range map[string]string{"": "Millrace Bend", "sites/QR-02": "Turbine house", "points/QR-02-P3": "13:1", "api/": "links"} {
		resp, err := http.Get(address + path) //nolint:noctx // loopback, in a test
		require.NoError(t, err)
		body, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		assert.Equal(t, http.StatusOK, resp.StatusCode, path)
		assert.Contains(t, string(body), says, path)
	}
	stop()
	assert.Equal(t, exitDone, <-code, errs.String())
	assert.NoFileExists(t, sheet, "the temporary atlas and its sheet are removed")
}
