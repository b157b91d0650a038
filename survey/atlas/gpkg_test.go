package atlas_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo/vector"
	"holdfast/survey/demo"
)

// tool runs an outside program; without it the test is skipped, except in CI.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is needed here", name)
		}
		t.Skipf("%s is not installed", name)
	}
	out, err := exec.CommandContext(t.Context(), path, args...).CombinedOutput()
	require.NoError(t, err, "%s %v: %s", name, args, out)
	return string(out)
}

// TestGeoPackageExports has outside judges look at the exports of the district:
// a checker of the standard's requirements and GDAL, which must find the
// styles, the spatial index and every member of a list in the table related to
// it.
func TestGeoPackageExports(t *testing.T) {
	a := emptyAtlas(t)
	require.NoError(t, demo.Fill(t.Context(), a.Store, data.Demo, a.Now()))
	for collection, lists := range map[string]map[string]string{
		"points": {"anchors": "kind", "pull_tests": "outcome", "ground.tests": "kind"},
		"sites":  {"contacts": "who", "hazards": "value"},
	} {
		text, said := export(t, a, collection, vector.GeoPackage)
		assert.Empty(t, said.Losses)
		path := filepath.Join(t.TempDir(), collection+".gpkg")
		require.NoError(t, os.WriteFile(path, text, 0o600))

		judged := tool(t, "python3", "../../geo/vector/gpkg/testdata/gpkg_check.py", path)
		assert.NotContains(t, judged, "FAIL")
		assert.NotContains(t, judged, "no R-tree")
		seen := tool(t, "ogrinfo", "-ro", "-so", "-al", path)
		assert.NotContains(t, seen, "Warning")
		assert.NotContains(t, seen, "ERROR")
		ask := func(sql string) string { return tool(t, "ogrinfo", "-ro", "-q", path, "-sql", sql) }
		assert.Contains(t, ask(fmt.Sprintf("SELECT HasSpatialIndex('%s', 'geom')", collection)), "(Integer) = 1")
		assert.Contains(t, ask(fmt.Sprintf("SELECT f_table_name FROM layer_styles WHERE useAsDefault AND styleSLD LIKE '%%UserStyle%%' AND f_table_name = '%s'", collection)), collection)

		want := map[string]int{}
		for _, f := range features(t, a, collection) {
			for list := range lists {
				members, _ := f[list].([]any)
				want[list] += len(members)
			}
		}
		for list, column := range lists {
			table := collection + "_" + strings.ReplaceAll(list, ".", "_")
			require.Positive(t, want[list], list)
			assert.Contains(t, ask(fmt.Sprintf(`SELECT count(*) AS n FROM %s b JOIN %s_%s m ON m.base_id = b.fid JOIN %s r ON r.fid = m.related_id WHERE r.%s IS NOT NULL AND instr(b."%s", r.%s) > 0`,
				collection, collection, table, table, column, list, column)), fmt.Sprintf("n (Integer) = %d", want[list]), "%s: each member stands beside the record whose list it is from", list)
			assert.Contains(t, ask(fmt.Sprintf("SELECT mapping_table_name AS m FROM gpkgext_relations WHERE base_table_name = '%s' AND related_table_name = '%s' AND relation_name = 'attributes'", collection, table)),
				collection+"_"+table)
		}
	}
}
