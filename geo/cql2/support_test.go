package cql2_test

import (
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	_ "github.com/mattn/go-sqlite3"
	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"
	"github.com/stretchr/testify/require"

	"holdfast/geo/cql2"
)

// expectation is a row of the official table of predicates and counts.
type expectation struct {
	class, also, layer, filter string
	count                      int
}

// expectations reads OGC 21-065r2 Annex A, see testdata/SOURCE.md.
func expectations(t testing.TB) []expectation {
	t.Helper()
	f, err := os.Open("testdata/cql2_expected_counts.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var out []expectation
	for _, r := range rows[1:] {
		n, err := strconv.Atoi(r[4])
		require.NoError(t, err)
		out = append(out, expectation{r[0], r[1], r[2], r[3], n})
	}
	return out
}

// layer is a layer of the official dataset, in memory and in an SQLite table
// "features" with the properties as JSON and a table of bounds.
type layer struct {
	queryables cql2.Queryables
	features   []cql2.Feature
	db         *sql.DB
	columns    map[string]cql2.Column
}

// columnTypes maps the column types of a GeoPackage (OGC 12-128 table 1).
var columnTypes = map[string]cql2.Type{
	"TEXT": cql2.StringType, "REAL": cql2.NumberType, "DOUBLE": cql2.NumberType, "INTEGER": cql2.NumberType, "MEDIUMINT": cql2.NumberType,
	"BOOLEAN": cql2.BooleanType, "DATE": cql2.DateType, "DATETIME": cql2.TimestampType,
	"POINT": cql2.GeometryType, "LINESTRING": cql2.GeometryType, "MULTIPOLYGON": cql2.GeometryType,
}

func layers(t testing.TB) map[string]*layer {
	t.Helper()
	out := map[string]*layer{}
	for _, name := range []string{"ne_110m_admin_0_countries", "ne_110m_populated_places_simple", "ne_110m_rivers_lake_centerlines"} {
		out[name] = readLayer(t, name)
	}
	return out
}

func readLayer(t testing.TB, name string) *layer {
	t.Helper()
	src, err := sql.Open("sqlite3", "file:testdata/ne110m4cql2.gpkg?mode=ro&immutable=1")
	require.NoError(t, err)
	defer src.Close()
	l := &layer{queryables: cql2.Queryables{}}

	var names, types []string
	info, err := src.Query(`SELECT name, type FROM pragma_table_info(?)`, name)
	require.NoError(t, err)
	for info.Next() {
		var column, kind string
		require.NoError(t, info.Scan(&column, &kind))
		kind, _, _ = strings.Cut(kind, "(")
		names, types = append(names, column), append(types, kind)
		if column != "fid" {
			l.queryables[column] = columnTypes[kind]
			require.NotZero(t, columnTypes[kind], kind)
		}
	}
	require.NoError(t, info.Err())

	list := make([]string, len(names))
	for i, n := range names {
		list[i] = `CAST("` + n + `" AS ` + map[bool]string{true: "BLOB", false: types[i]}[n == "geom"] + `)`
		if types[i] == "DATE" || types[i] == "DATETIME" || types[i] == "BOOLEAN" {
			list[i] = `"` + n + `" || ''` // as stored, not as the driver reads dates
		}
	}
	rows, err := src.Query(`SELECT ` + strings.Join(list, ", ") + ` FROM ` + name + ` ORDER BY fid`)
	require.NoError(t, err)
	for rows.Next() {
		values := make([]any, len(names))
		for i := range values {
			values[i] = new(any)
		}
		require.NoError(t, rows.Scan(values...))
		f := cql2.Feature{Properties: map[string]any{}}
		for i, n := range names {
			v := *values[i].(*any)
			switch {
			case n == "fid" || v == nil:
			case n == "geom":
				f.Geometry = gpkgGeometry(t, v.([]byte))
			case types[i] == "BOOLEAN":
				f.Properties[n] = v == "1"
			default:
				f.Properties[n] = v
			}
		}
		l.features = append(l.features, f)
	}
	require.NoError(t, rows.Err())
	l.store(t)
	return l
}

// gpkgGeometry reads a GeoPackage blob (OGC 12-128 §2.1.3).
func gpkgGeometry(t testing.TB, b []byte) orb.Geometry {
	t.Helper()
	envelope := map[byte]int{0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[b[3]>>1&7]
	g, err := wkb.Unmarshal(b[8+envelope:])
	require.NoError(t, err)
	return g
}

// store fills an SQLite database with the features and describes it.
func (l *layer) store(t testing.TB) {
	t.Helper()
	db, err := sql.Open("sqlite3", ":memory:")
	require.NoError(t, err)
	db.SetMaxOpenConns(1)
	t.Cleanup(func() { db.Close() })
	l.db = db
	l.columns = map[string]cql2.Column{}
	for name, typ := range l.queryables {
		if typ != cql2.GeometryType {
			l.columns[name] = cql2.JSONColumn("f.properties", name)
			continue
		}
		l.columns[name] = cql2.Column{Value: "f.geometry", Meets: func(b orb.Bound) (string, []any) {
			return "f.n IN (SELECT n FROM box WHERE east >= ? AND west <= ? AND north >= ? AND south <= ?)",
				[]any{b.Min[0], b.Max[0], b.Min[1], b.Max[1]}
		}}
	}
	_, err = db.Exec(`
		CREATE TABLE features (n INTEGER PRIMARY KEY, properties TEXT, geometry BLOB);
		CREATE VIRTUAL TABLE box USING rtree (n, west, east, south, north);`)
	require.NoError(t, err)
	tx, err := db.Begin()
	require.NoError(t, err)
	for i, f := range l.features {
		properties, err := json.Marshal(f.Properties)
		require.NoError(t, err)
		var geometry any
		if f.Geometry != nil {
			geometry, err = wkb.Marshal(f.Geometry)
			require.NoError(t, err)
			b := f.Geometry.Bound()
			_, err = tx.Exec(`INSERT INTO box VALUES (?, ?, ?, ?, ?)`, i, b.Min[0], b.Max[0], b.Min[1], b.Max[1])
			require.NoError(t, err)
		}
		_, err = tx.Exec(`INSERT INTO features VALUES (?, ?, ?)`, i, string(properties), geometry)
		require.NoError(t, err)
	}
	require.NoError(t, tx.Commit())
}

// query returns the numbers of the features for which the condition holds.
func (l *layer) query(t testing.TB, c cql2.Condition) []int {
	t.Helper()
	got, err := l.tryQuery(c)
	require.NoError(t, err, c.SQL)
	return got
}

func (l *layer) tryQuery(c cql2.Condition) ([]int, error) {
	rows, err := l.db.Query(`SELECT n FROM features AS f WHERE `+c.SQL+` ORDER BY n`, c.Args...)
	if err != nil {
		return nil, fmt.Errorf("query: %w", err)
	}
	defer rows.Close()
	var out []int
	for rows.Next() {
		var n int
		if err := rows.Scan(&n); err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, rows.Err()
}

// match returns the numbers of the features for which the filter is true.
func (l *layer) match(f *cql2.Filter) []int {
	var out []int
	for i, feature := range l.features {
		if f.Match(feature) {
			out = append(out, i)
		}
	}
	return out
}

// recheck keeps of the features a condition let through those that match.
func (l *layer) recheck(f *cql2.Filter, c cql2.Condition, candidates []int) []int {
	if c.Exact {
		return candidates
	}
	var out []int
	for _, i := range candidates {
		if f.Match(l.features[i]) {
			out = append(out, i)
		}
	}
	return out
}
