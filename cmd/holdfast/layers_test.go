package main_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// allowed is the import table of DEVELOPERS.md: which packages of this module
// each package may import, tests apart. A package that is not listed fails.
var allowed = map[string][]string{
	"geo":                 {},
	"geo/convert":         {"geo", "geo/grid", "geo/magnetic", "geo/position"},
	"geo/cql2":            {"geo/geojson"},
	"geo/crs":             {"geo", "geo/projection"},
	"geo/crs/gen":         {},
	"geo/geodesic":        {"geo"},
	"geo/geojson":         {},
	"geo/grid":            {"geo", "geo/projection"},
	"geo/magnetic":        {"geo"},
	"geo/mbtiles":         {},
	"geo/position":        {"geo", "geo/grid"},
	"geo/projection":      {"geo"},
	"geo/tangent":         {"geo", "geo/geodesic"},
	"geo/terrain":         {"geo", "geo/terrain/raster"},
	"geo/terrain/raster":  {"geo"},
	"geo/tile":            {},
	"geo/vector":          {"geo/crs", "geo/geojson"},
	"geo/vector/archive":  {},
	"geo/vector/csvfile":  {"geo/geojson", "geo/position", "geo/vector"},
	"geo/vector/file":     {"geo/vector", "geo/vector/archive", "geo/vector/csvfile", "geo/vector/gpkg", "geo/vector/gpx", "geo/vector/jsonfile", "geo/vector/kml", "geo/vector/markup", "geo/vector/shp"},
	"geo/vector/gpkg":     {"geo/crs", "geo/geojson", "geo/vector"},
	"geo/vector/gpx":      {"geo/vector", "geo/vector/markup"},
	"geo/vector/jsonfile": {"geo/geojson", "geo/vector"},
	"geo/vector/kml":      {"geo/geojson", "geo/vector", "geo/vector/markup"},
	"geo/vector/markup":   {"geo/vector"},
	"geo/vector/shp":      {"geo/crs", "geo/geojson", "geo/vector", "geo/vector/archive"},

	"data":   {},
	"static": {},

	"survey":                   {"geo", "geo/geojson"},
	"survey/answer":            {"geo", "geo/grid", "geo/magnetic", "geo/tangent", "survey", "survey/drawing/wording", "survey/ground", "survey/load", "survey/rig", "survey/soil", "survey/surround"},
	"survey/atlas":             {"geo", "geo/cql2", "geo/crs", "geo/geodesic", "geo/geojson", "geo/grid", "geo/magnetic", "geo/terrain", "geo/terrain/raster", "geo/vector", "geo/vector/file", "geo/vector/gpkg", "survey", "survey/answer", "survey/coverage", "survey/drawing", "survey/drawing/dxf", "survey/drawing/wording", "survey/exchange", "survey/ground", "survey/near", "survey/preplan", "survey/pulls", "survey/rig", "survey/sqlite", "survey/surround", "survey/upkeep", "survey/walk"},
	"survey/coverage":          {"geo", "geo/geodesic", "geo/geojson", "survey", "survey/answer", "survey/near"},
	"survey/demo":              {"geo/geojson", "survey", "survey/sqlite"},
	"survey/demo/gen":          {"geo", "geo/geodesic", "geo/geojson", "survey"},
	"survey/drawing":           {"geo", "geo/grid", "geo/projection", "survey", "survey/answer", "survey/drawing/lettering", "survey/drawing/wording", "survey/load", "survey/rig", "survey/surround"},
	"survey/drawing/dxf":       {"geo", "geo/geodesic", "geo/grid", "geo/projection", "survey", "survey/answer", "survey/drawing", "survey/drawing/wording"},
	"survey/drawing/lettering": {},
	"survey/drawing/pdf":       {"survey/drawing", "survey/drawing/lettering"},
	"survey/drawing/wording":   {"geo", "survey"},
	"survey/exchange":          {"geo", "geo/crs", "geo/geodesic", "geo/geojson", "geo/vector", "geo/vector/file", "survey", "survey/version"},
	"survey/ground":            {"survey"},
	"survey/load":              {"geo", "survey", "survey/drawing/wording"},
	"survey/near":              {"geo", "geo/geodesic", "survey", "survey/answer", "survey/drawing/wording"},
	"survey/photo":             {"survey"},
	"survey/preplan":           {"geo", "geo/geodesic", "survey", "survey/answer", "survey/drawing", "survey/drawing/lettering", "survey/drawing/pdf", "survey/drawing/wording", "survey/rig", "survey/surround"},
	"survey/pulls":             {"survey", "survey/ground", "survey/soil"},
	"survey/rig":               {"geo", "geo/geojson", "geo/tangent", "survey", "survey/drawing/wording", "survey/ground", "survey/soil"},
	"survey/secret":            {"survey"},
	"survey/soil":              {"geo", "survey"},
	"survey/sqlite":            {"geo", "geo/cql2", "geo/geojson", "survey", "survey/version"},
	"survey/surround":          {"geo", "geo/geodesic", "geo/tangent", "survey"},
	"survey/together":          {"survey", "survey/sqlite"},
	"survey/walk":              {"geo", "geo/convert", "geo/geojson", "geo/grid", "geo/magnetic", "geo/position", "geo/tangent", "survey", "survey/answer", "survey/surround"},
	"survey/version":           {"geo", "geo/geojson", "survey", "survey/drawing/wording"},
	"survey/upkeep":            {"geo", "survey"},

	"server": {"geo", "geo/convert", "geo/cql2", "geo/crs", "geo/geodesic", "geo/geojson", "geo/grid", "geo/magnetic", "geo/mbtiles", "geo/position", "geo/tile", "geo/vector", "static", "survey", "survey/answer", "survey/atlas", "survey/coverage", "survey/drawing", "survey/drawing/dxf", "survey/drawing/wording", "survey/exchange", "survey/near", "survey/photo", "survey/preplan", "survey/pulls", "survey/rig", "survey/secret", "survey/sqlite", "survey/upkeep", "survey/version", "survey/walk"},

	"cmd/engine":        {"survey/walk"},
	"cmd/engine/gen":    {"cmd/engine/source"},
	"cmd/engine/source": {},

	"cmd/bench":    {"geo/crs", "geo/geodesic", "geo/grid", "geo/terrain", "geo/terrain/raster"},
	"cmd/holdfast": {"data", "geo", "geo/convert", "geo/crs", "geo/geojson", "geo/magnetic", "geo/mbtiles", "geo/position", "geo/terrain", "geo/terrain/raster", "geo/vector/file", "server", "survey", "survey/answer", "survey/atlas", "survey/coverage", "survey/demo", "survey/exchange", "survey/preplan", "survey/secret", "survey/sqlite", "survey/together"},
}

// asked are what the engine for the browser starts from, and the packages that
// ask it for more than one point. They and all of this module that they are made
// of touch no clock, file, network or database, so that they run anywhere and
// everything that bears on a figure is in the arguments.
var asked = []string{"survey/walk", "survey/near", "survey/coverage", "survey/pulls", "survey/upkeep"}

// harmless are the packages from outside that those may import.
var harmless = []string{
	"bufio", "bytes", "cmp", "embed", "encoding/json", "errors", "fmt", "io", "iter", "maps", "math", "math/cmplx", "net/url", "reflect",
	"regexp", "runtime", "slices", "sort", "strconv", "strings", "sync", "time", "unicode", "unicode/utf8",
	"github.com/go-json-experiment/json/jsontext", "github.com/paulmach/orb", "github.com/paulmach/orb/clip",
}

// clock is how a program learns the time, lets it pass or asks where it is.
var clock = regexp.MustCompile(`\btime\.(Now|Since|Until|After|AfterFunc|Tick|NewTicker|NewTimer|Sleep|Local)\b`)

// source is the Go files of the module, tests apart, by package folder. They
// are parsed in this process: the test cache does not see what a child reads.
func source(t *testing.T) map[string][]string {
	t.Helper()
	root := filepath.Join("..", "..")
	files := map[string][]string{}
	require.NoError(t, fs.WalkDir(os.DirFS(root), ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (strings.HasPrefix(d.Name(), ".") && p != "." || d.Name() == "testdata" || d.Name() == "node_modules") {
			return fs.SkipDir
		}
		if strings.HasSuffix(p, ".go") && !strings.HasSuffix(p, "_test.go") {
			files[path.Dir(p)] = append(files[path.Dir(p)], filepath.Join(root, p))
		}
		return nil
	}))
	require.NotEmpty(t, files)
	return files
}

func imports(t *testing.T, file string) []string {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
	require.NoError(t, err)
	var out []string
	for _, i := range f.Imports {
		p, err := strconv.Unquote(i.Path.Value)
		require.NoError(t, err)
		out = append(out, p)
	}
	return out
}

func TestImportsFlowOneWay(t *testing.T) {
	seen := source(t)
	for pkg, files := range seen {
		ok, listed := allowed[pkg]
		if !assert.True(t, listed, "package %s is not in the import table: say what it may import", pkg) {
			continue
		}
		for _, f := range files {
			for _, p := range imports(t, f) {
				if own, is := strings.CutPrefix(p, "holdfast/"); is {
					assert.Contains(t, ok, own, "%s may not import %s", f, own)
				}
			}
		}
	}
	for pkg := range allowed {
		assert.Contains(t, seen, pkg, "the import table names a package that does not exist")
	}
}

func TestTheEngineIsPure(t *testing.T) {
	seen := source(t)
	assert.Equal(t, []string{"survey/walk"}, allowed["cmd/engine"], "the engine starts from what is looked at here")
	closure := slices.Clone(asked)
	for i := 0; i < len(closure); i++ {
		require.NotEmpty(t, seen[closure[i]], closure[i])
		for _, f := range seen[closure[i]] {
			for _, p := range imports(t, f) {
				own, is := strings.CutPrefix(p, "holdfast/")
				if is && !slices.Contains(closure, own) {
					closure = append(closure, own)
				}
				assert.True(t, is || slices.Contains(harmless, p), "%s imports %s", f, p)
			}
			text, err := os.ReadFile(f)
			require.NoError(t, err)
			assert.NotRegexp(t, clock, string(text), f)
		}
	}
	assert.Contains(t, closure, "survey/answer")
	assert.Contains(t, closure, "geo/position")
}
