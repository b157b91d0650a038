package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

func pipes(features ...string) string {
	return `{"type":"FeatureCollection","features":[` + strings.Join(features, ",") + `]}`
}

func pipe(id, mm string, lon string) string {
	return `{"type":"Feature","id":"` + id + `","geometry":{"type":"LineString","coordinates":[[` + lon + `,44.65],[-91.1,44.651]]},"properties":{"code":"c-` + id + `","mm":` + mm + `}}`
}

// A newer edition of a layer says what it adds, changes and removes, before
// anything is written and after.
func TestNewerEditionOfALayer(t *testing.T) {
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	layer := []string{"--layer", "Mains", "--role", "buried utility", "--atlas", atlas}
	do := func(name, text string, more ...string) result {
		return ok(t, call(t, "", append(append([]string{"import", file(t, name, text)}, layer...), more...)...))
	}
	first := pipes(pipe("a", "100", "-91.2"), pipe("b", "100", "-91.21"), pipe("c", "150", "-91.22"))
	do("first.geojson", first)
	second := pipes(pipe("a", "100.0", "-91.2"), pipe("b", "200", "-91.21"), pipe("d", "80", "-91.23"), pipe("e", "80", "-91.24"))
	before := sum(t, atlas)
	for range 2 {
		r := do("second.geojson", second, "--dry-run", "--json")
		var report exchange.Report
		require.NoError(t, json.Unmarshal([]byte(r.out), &report))
		c := report.Changes
		require.NotNil(t, c)
		assert.Equal(t, []int{2, 1, 1, 1}, []int{c.Added, c.Changed, c.Removed, c.Unchanged})
		says := c.String()
		assert.Contains(t, says, `changed "b" (record 2): mm`)
		assert.Contains(t, says, `added "d" (record 3)`)
		assert.Contains(t, says, `removed "c"`)
		assert.Equal(t, &[4]float64{-91.24, 44.65, -91.1, 44.651}, report.BBox)
	}
	assert.Equal(t, before, sum(t, atlas), "a dry run writes nothing")

	keyed := do("second.geojson", second, "--dry-run", "--key", "code")
	assert.Contains(t, keyed.out, "by the column code): 2 added, 1 changed, 1 removed, 1 unchanged")
	without := strings.NewReplacer(`"id":"a",`, "", `"id":"b",`, "").Replace(second)
	assert.Contains(t, do("noids.geojson", without, "--dry-run").out, "by content, since ids are missing or not unique): 3 added, 0 changed, 2 removed, 1 unchanged")
	twice := do("twice.geojson", pipes(pipe("a", "1", "-91.2"), pipe("a", "1", "-91.2")), "--dry-run")
	assert.Contains(t, twice.out, `DUPLICATE? record 2 "record 2" looks like "record 1"`)

	r := do("second.geojson", second)
	assert.Contains(t, r.err, "import 2")
	assert.Contains(t, do("again.geojson", second, "--dry-run").out, "0 added, 0 changed, 0 removed, 4 unchanged")
	list := ok(t, call(t, "", "imports", "--atlas", atlas))
	assert.Contains(t, list.out, "second.geojson")
	assert.Contains(t, list.out, "2 added, 1 changed, 1 removed, 1 unchanged")

	ok(t, call(t, "", "imports", "undo", "--atlas", atlas))
	r = ok(t, call(t, "", "export", "--collection", "mains", "--to", filepath.Join(t.TempDir(), "m.csv"), "--json", "--atlas", atlas))
	assert.Contains(t, r.out, `"records": 3`)
	r = ok(t, call(t, "", "imports", "--json", "--atlas", atlas))
	var all []sqlite.Import
	require.NoError(t, json.Unmarshal([]byte(r.out), &all))
	require.Len(t, all, 2)
	assert.True(t, all[0].Undone())
	assert.EqualValues(t, len(first), all[1].Size)
	call(t, "", "imports", "undo", "2", "--atlas", atlas).sentence(t, exitFailed, "was undone by")
	call(t, "", "imports", "undo", "9", "--atlas", atlas).sentence(t, exitFailed, "not found")
}

const countyHead = "NO,X,Y,SITE,SOIL,SLOPE\n"

// The points of a table without ids are told apart by site and label, and what
// the table does not speak of stays.
func TestNewerEditionOfPoints(t *testing.T) {
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	at := []string{"--atlas", atlas}
	ok(t, call(t, "", append([]string{"import", "--sites", file(t, "sites.geojson", sitesFile)}, at...)...))
	mapping := file(t, "map.json", `{"columns":{"NO":"label","SITE":"site","SOIL":"ground.class","SLOPE":"terrain.slope_deg"},"values":{"ground.class":{"Type B":"B","Type C":"C"}}}`)
	do := func(name, text string, more ...string) result {
		return call(t, "", append(append([]string{"import", "--points", file(t, name, text)}, at...), more...)...)
	}
	ok(t, do("first.csv", countyHead+"P1,-91.2,44.65,B-1,Type B,30\nP2,-91.201,44.65,B-1,Type C,\nP3,-91.202,44.65,B-1,Type C,\n", "--map", mapping, "--save-map", "County"))
	list := ok(t, call(t, "", append([]string{"imports", "mappings"}, at...)...))
	assert.Contains(t, list.out, "County (points)")
	assert.Contains(t, ok(t, call(t, "", append([]string{"imports", "mappings", "county"}, at...)...)).out, `"SOIL": "ground.class"`)

	newer := "NO,X,Y,SITE,SOIL\nP1,-91.2,44.65,B-1,Type B\nP2,-91.201,44.65,B-1,Type B\nP4,-91.203,44.65,B-1,Type C\n p-1,-91.20001,44.65,B-1,Type C\n"
	before := sum(t, atlas)
	report := filepath.Join(t.TempDir(), "report.geojson")
	r := ok(t, do("newer.csv", newer, "--map", "County", "--dry-run", "--report", report))
	assert.Equal(t, before, sum(t, atlas))
	assert.Contains(t, r.out, "2 added, 1 changed, 1 removed, 1 unchanged")
	assert.Contains(t, r.out, `changed "P2" (record 2): ground.class`)
	assert.Contains(t, r.out, `removed "P3"`)
	assert.Contains(t, r.out, `DUPLICATE? record 4 "p-1" looks like "P1"`)
	text, err := os.ReadFile(report)
	require.NoError(t, err)
	var marks struct {
		Features []struct {
			Properties struct{ What, Name string }
		}
	}
	require.NoError(t, json.Unmarshal(text, &marks))
	whats := map[string]bool{}
	for _, f := range marks.Features {
		whats[f.Properties.What] = true
	}
	for _, what := range []string{"added", "changed", "removed", "duplicate"} {
		assert.True(t, whats[what], what)
	}

	ok(t, do("newer.csv", newer, "--map", "County", "--remove-missing"))
	r = ok(t, call(t, "", append([]string{"export", "--collection", "points", "--to", filepath.Join(t.TempDir(), "p.csv"), "--json"}, at...)...))
	assert.Contains(t, r.out, `"records": 4`)
	r = ok(t, call(t, "", append([]string{"options", "B-1/P1", "--json"}, at...)...))
	assert.Contains(t, r.out, `30`, "the slope that the newer table has no column for stays")
	undo := ok(t, call(t, "", append([]string{"imports", "undo"}, at...)...))
	assert.Contains(t, undo.out, "P3: put back")
	assert.Contains(t, undo.out, "P4: deleted")

	unknown := do("unknown.csv", countyHead+"P9,-91.2,44.6501,NOWHERE,Type B,\nP8,-91.2,44.6502,B-1,Peat,\n", "--map", "County", "--dry-run")
	unknown.sentence(t, exitFailed, "all 2 records are refused")
	assert.Contains(t, unknown.out, `"NOWHERE" is no site of this atlas`)
	assert.Contains(t, unknown.out, `unmatched: ground.class: the value "Peat" is not in the mapping (1 records)`)
	do("x.csv", countyHead, "--map", "Nobody's").sentence(t, exitFailed, "no mapping of that name is saved")
	call(t, "", append([]string{"import", "--sites", file(t, "s.csv", countyHead), "--map", "County"}, at...)...).sentence(t, exitFailed, "is for points, not for sites")
}

// What loses something that is on file says so in capitals.
func TestLostValuesAreLoud(t *testing.T) {
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	at := []string{"--atlas", atlas}
	ok(t, call(t, "", append([]string{"import", "--sites", file(t, "sites.geojson", sitesFile)}, at...)...))
	head := "label,lon,lat,site,ground.class,ground.moisture\n"
	do := func(name, text string) result {
		return ok(t, call(t, "", append([]string{"import", "--points", file(t, name, text)}, at...)...))
	}
	do("first.csv", head+"P1,-91.2,44.65,B-1,B,dry\n")
	r := do("silent.csv", head+"P1,-91.2,44.65,B-1,B,\n")
	assert.Contains(t, r.out, "0 changed, 0 removed, 1 unchanged", "a column that says nothing of any record takes nothing away")
	r = do("newer.csv", head+"P1,-91.2,44.65,B-1,B,\nP2,-91.201,44.65,B-1,B,wet\n")
	assert.Contains(t, r.out, `NO LONGER RECORDED: ground.moisture`)
}

// What means nothing without its other half does not keep the half of before:
// the state of a locate its ticket, a place its accuracy.
func TestHalvesAreNotJoined(t *testing.T) {
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	at := []string{"--atlas", atlas}
	ok(t, call(t, "", append([]string{"import", "--sites", file(t, "sites.geojson", sitesFile)}, at...)...))
	do := func(name, text string) string {
		return ok(t, call(t, "", append([]string{"import", "--points", file(t, name, text)}, at...)...)).out
	}
	do("first.csv", "label,lon,lat,site,buried_utilities.state,buried_utilities.ticket,position.accuracy_m,terrain.slope_deg\nP1,-91.2,44.65,B-1,marked present,T-1,2,30\n")
	says := do("located.csv", "label,lon,lat,site,buried_utilities.state\nP1,-91.2,44.65,B-1,not located\n")
	assert.Contains(t, says, "NO LONGER RECORDED: buried_utilities.ticket")
	assert.NotContains(t, says, "slope")
	says = do("moved.csv", "label,lon,lat,site\nP1,-91.2001,44.65,B-1\n")
	assert.Contains(t, says, "NO LONGER RECORDED: position.accuracy_m")
	assert.NotContains(t, says, "buried")
}

func TestLayerIsDescribed(t *testing.T) {
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	ok(t, call(t, "", "import", file(t, "lines.geojson", pipes(pipe("a", "100", "-91.2"))), "--layer", "Gas mains", "--role", "other", "--atlas", atlas))
	assert.Contains(t, ok(t, call(t, "", "layer", "--atlas", atlas)).out, "gas-mains  other  Gas mains  no date  1 features")
	r := ok(t, call(t, "", "layer", "Gas mains", "--role", "buried utility", "--as-of", "2026-03-01", "--atlas", atlas))
	assert.Contains(t, r.out, "gas-mains  buried utility  Gas mains  as of 2026-03-01")
	assert.Contains(t, ok(t, call(t, "", "layer", "gas-mains", "--as-of", "", "--title", "Mains", "--json", "--atlas", atlas)).out, `"title": "Mains"`)
	assert.Contains(t, ok(t, call(t, "", "layer", "--atlas", atlas)).out, "gas-mains  buried utility  Mains  no date")
	call(t, "", "layer", "gas-mains", "--role", "elevation", "--atlas", atlas).sentence(t, exitFailed, "elevation is a grid of heights")
	call(t, "", "layer", "gas-mains", "--as-of", "May", "--atlas", atlas).sentence(t, exitUsage, "is not a date")
	call(t, "", "layer", "--role", "road", "--atlas", atlas).sentence(t, exitUsage, "which layer")
	call(t, "", "layer", "water", "--atlas", atlas).sentence(t, exitFailed, "not found")
	ok(t, call(t, "", "check", "--atlas", atlas))
}
