package server_test

import (
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/vector"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// TestConformance lets the checker loose on the server, see
// testdata/SOURCE.md: over 200 requirements of OGC API - Features for each
// collection, of points with writing.
func TestConformance(t *testing.T) {
	python := tool(t, "python3")
	s, store := fixture(t)
	addNaturalEarth(t, store)
	web := httptest.NewServer(s)
	defer web.Close()
	for collection, atLeast := range map[string]int{"points": 250, "sites": 200, "river": 170, places: 200, rivers: 170} {
		t.Run(collection, func(t *testing.T) {
			args := []string{"testdata/ogcapi_check.py", web.URL + "/api", "--collection", collection}
			if collection == "points" {
				args = append(args, "--write")
			}
			out, err := exec.CommandContext(t.Context(), python, args...).CombinedOutput()
			require.NoError(t, err, string(out))
			counts := regexp.MustCompile(`(\d+) passed, 0 failed`).FindSubmatch(out)
			require.NotNil(t, counts, string(out))
			passed, err := strconv.Atoi(string(counts[1]))
			require.NoError(t, err)
			assert.GreaterOrEqual(t, passed, atLeast, string(out))
		})
	}
}

// The layers of the CQL2 test dataset, by the ids they get here.
const (
	countries = "ne-110m-admin-0-countries"
	places    = "ne-110m-populated-places-simple"
	rivers    = "ne-110m-rivers-lake-centerlines"
)

const officialData = "../geo/cql2/testdata/"

// addNaturalEarth adds the dataset of OGC 21-065r2, see
// geo/cql2/testdata/SOURCE.md, as GeoJSON would have it.
func addNaturalEarth(t testing.TB, store *sqlite.Store) {
	t.Helper()
	db, err := sql.Open("sqlite3", "file:"+officialData+"ne110m4cql2.gpkg?mode=ro&immutable=1")
	require.NoError(t, err)
	defer db.Close()
	for _, id := range []string{countries, places, rivers} {
		table := strings.ReplaceAll(id, "-", "_")
		var columns []string
		kinds := map[string]string{}
		info, err := db.Query(`SELECT name, type FROM pragma_table_info(?)`, table)
		require.NoError(t, err)
		for info.Next() {
			var name, kind string
			require.NoError(t, info.Scan(&name, &kind))
			kinds[name], _, _ = strings.Cut(kind, "(")
			switch kinds[name] {
			case "DATE", "DATETIME": // as stored, not as the driver reads dates
				columns = append(columns, `"`+name+`" || '' AS "`+name+`"`)
			default:
				columns = append(columns, `"`+name+`"`)
			}
		}
		require.NoError(t, info.Err())
		rows, err := db.Query(`SELECT ` + strings.Join(columns, ", ") + ` FROM ` + table + ` ORDER BY fid`)
		require.NoError(t, err)
		_, err = store.AddLayer(t.Context(), survey.Layer{ID: id, Title: id, Role: survey.RoleOther}, func(yield func(survey.LayerFeature, error) bool) {
			for rows.Next() && yield(officialFeature(rows, kinds)) {
			}
		}, author)
		require.NoError(t, err)
		require.NoError(t, rows.Err())
	}
}

func officialFeature(rows *sql.Rows, kinds map[string]string) (survey.LayerFeature, error) {
	var f survey.LayerFeature
	names, err := rows.Columns()
	if err != nil {
		return f, err
	}
	values := make([]any, len(names))
	for i := range values {
		values[i] = new(any)
	}
	if err := rows.Scan(values...); err != nil {
		return f, err
	}
	members := map[string]any{}
	for i, name := range names {
		v := *values[i].(*any)
		switch kind := kinds[name]; {
		case name == "fid":
		case name == "geom":
			blob := v.([]byte)
			envelope := map[byte]int{0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[blob[3]>>1&7] // OGC 12-128, 2.1.3
			g, err := wkb.Unmarshal(blob[8+envelope:])
			if err != nil {
				return f, err
			}
			f.Geometry, err = vector.Map(g, func(p orb.Point) (orb.Point, error) { // some lie a hair beyond ±180°
				return orb.Point{max(-180, min(180, p[0])), max(-90, min(90, p[1]))}, nil
			})
			if err != nil {
				return f, err
			}
		case kind == "BOOLEAN" && v != nil:
			members[name] = v == true || v == int64(1)
		default:
			if b, ok := v.([]byte); ok {
				v = string(b)
			}
			members[name] = v
		}
	}
	f.Properties, err = json.Marshal(members)
	return f, err
}

// errata are the rows of the official table that its own dataset contradicts;
// geo/cql2 shows it.
var errata = map[string]int{
	"ACCENTI(name) LIKE accenti('Ch%')":                 3,
	"ACCENTI(CASEI(name)) LIKE accenti(casei('Chiș%'))": 1,
	"ACCENTI(CASEI(name)) LIKE accenti(casei('cHis%'))": 1,
}

// TestOfficialCounts asks the 274 predicates of OGC 21-065r2, Annex A over
// HTTP. The geometry has another name here.
func TestOfficialCounts(t *testing.T) {
	s, store := fixture(t)
	addNaturalEarth(t, store)
	f, err := os.Open(officialData + "cql2_expected_counts.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 275)
	geom := regexp.MustCompile(`\bgeom\b`)
	for _, row := range rows[1:] {
		predicate := row[3]
		want, err := strconv.Atoi(row[4])
		require.NoError(t, err)
		if n, wrong := errata[predicate]; wrong {
			want = n
		}
		at := "/api/collections/" + strings.ReplaceAll(row[2], "_", "-") + "/items?limit=1000&filter=" + url.QueryEscape(geom.ReplaceAllString(predicate, "geometry"))
		res := call(t, s, http.MethodGet, at, "")
		if res.StatusCode != http.StatusOK {
			assert.Fail(t, predicate, bodyOf(t, res))
			continue
		}
		page := parse[featurePage](t, res)
		assert.Equal(t, want, page.NumberReturned, predicate)
		require.NotNil(t, page.NumberMatched, predicate)
		assert.Equal(t, want, *page.NumberMatched, predicate)
	}
}
