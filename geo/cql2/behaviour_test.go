package cql2_test

import (
	"database/sql"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/cql2"
)

// TestLogicalCombinations is the test "logical" of every class of OGC
// 21-065r2 Annex A: at least ten random combinations of four predicates per
// data source. Beyond success it asks that both ways of answering agree.
func TestLogicalCombinations(t *testing.T) {
	const seed = 3
	r := rand.New(rand.NewPCG(seed, seed))
	data := layers(t)
	for name, l := range data {
		var predicates []string
		for _, e := range expectations(t) {
			if e.layer == name {
				predicates = append(predicates, e.filter)
			}
		}
		for range 60 {
			p := func() string { return predicates[r.IntN(len(predicates))] }
			p1, p2, p3, p4 := p(), p(), p(), p()
			src := "((NOT " + p1 + " AND " + p2 + ") OR (" + p3 + " and NOT " + p4 + ") or not (" + p1 + " AND " + p4 + "))"
			f := filter(t, src, l.queryables)
			c := f.SQL(l.columns)
			assert.Equal(t, l.match(f), l.recheck(f, c, l.query(t, c)), "seed %d: %s", seed, src)
		}
	}
}

// TestFolding takes its pairs from OGC 21-065r2: the first two rows from the
// examples of §7.3, the "A" and "a" rows from the tests accenti-like and
// accenti-casei of Annex A, the last two from the recommendation
// japanese-non-spacing-marks. Full case folding of ß is "ss" (Unicode 14,
// CaseFolding.txt).
func TestFolding(t *testing.T) {
	for _, row := range []struct {
		fold, a, b string
		same       bool
	}{
		{"CASEI(%)", "Straße", "STRASSE", true},
		{"CASEI(%)", "ΟΔΟΣ", "οδος", true},
		{"ACCENTI(%)", "papá", "papa", true},
		{"ACCENTI(%)", "papá", "Papa", false},
		{"ACCENTI(%)", "Ä", "A", true},
		{"ACCENTI(CASEI(%))", "ÄÉ", "ae", true},
		{"CASEI(ACCENTI(%))", "ÄÉ", "ae", true},
		{"ACCENTI(%)", "e\u0301", "\u00e9", true},
		{"ACCENTI(%)", "か\u3099", "か", false},
		{"ACCENTI(%)", "ハ\u309a", "ハ", false},
	} {
		fold := func(s string) cql2.Expr {
			var e cql2.Expr = cql2.String{Value: s}
			switch row.fold {
			case "CASEI(%)":
				return call(cql2.CaseI, e)
			case "ACCENTI(%)":
				return call(cql2.AccentI, e)
			case "ACCENTI(CASEI(%))":
				return call(cql2.AccentI, call(cql2.CaseI, e))
			}
			return call(cql2.CaseI, call(cql2.AccentI, e))
		}
		f, err := cql2.Compile(call(cql2.Equal, fold(row.a), fold(row.b)), nil)
		require.NoError(t, err)
		assert.Equal(t, row.same, f.Match(cql2.Feature{}), "%s of %q and %q", row.fold, row.a, row.b)
	}
}

// TestMeaning holds single answers to the text of OGC 21-065r2 and to the
// choices listed in the package documentation.
func TestMeaning(t *testing.T) {
	q := cql2.Queryables{
		"s": cql2.StringType, "n": cql2.NumberType, "w": cql2.BooleanType, "d": cql2.DateType, "t": cql2.TimestampType,
		"tags": cql2.ArrayType, "none": cql2.NumberType, "wrong": cql2.NumberType, "at": cql2.TimestampType, "geom": cql2.GeometryType,
	}
	feature := cql2.Feature{
		Properties: map[string]any{
			"s": "abc", "n": json.Number("7"), "w": true, "d": "2022-04-16", "t": "2022-04-16T23:30:00-02:00",
			"tags": []any{"ice", "weir", 3.0, true, []any{"b", "a"}, map[string]any{"type": "Point", "coordinates": []any{1.0, 2.0}}}, "wrong": "seven",
			"none": nil, "at": "2022-04-16T10:00:00.250Z",
		},
		Geometry: orb.Point{5, 5},
	}
	for src, want := range map[string]bool{
		`none = 1`: false, `none <> 1`: false, `NOT none = 1`: false, `none IS NULL`: true, `none IS NOT NULL`: false,
		`wrong = 1`: false, `NOT wrong = 1`: false, `wrong IS NULL`: false, // a value of a wrong type is there, but unknown
		`none IN (1)`: false, `none NOT IN (1)`: false, `(CASEI(s) LIKE 'x') IS NULL`: false,
		`n = 7`: true, `n / 2 = 3.5`: true, `n div 2 = 3`: true, `-n div 2 = -3`: true, `n % 4 = 3`: true, `-n % 4 = -3`: true, `n^2 = 49`: true,
		`n / 0 = 1`: false, `NOT n / 0 = 1`: false, `(n / 0) IS NULL`: true, `n % 0 IS NULL`: true, `(0-n)^0.5 IS NULL`: true, `n IN (1/0, 7)`: true,
		`n NOT IN (1/0, 8)`: false,
		`w = TRUE`:          true, `w > FALSE`: true, `w IN (FALSE)`: false,
		// t is 2022-04-17T01:30Z; a date and a timestamp meet as days in UTC
		`t = TIMESTAMP('2022-04-17T01:30:00Z')`: true, `t = DATE('2022-04-17')`: true, `t > d`: true, `d = TIMESTAMP('2022-04-16T23:59:59Z')`: true,
		`t <= DATE('2022-04-16')`: false, `t IN (DATE('2022-04-17'))`: true, `t BETWEEN DATE('2022-04-17') AND DATE('2022-04-17')`: true,
		`at = TIMESTAMP('2022-04-16T10:00:00.25Z')`: true, `at > TIMESTAMP('2022-04-16T10:00:00Z')`: true, `at < TIMESTAMP('2022-04-16T10:00:00.5Z')`: true,
		// closed intervals meet at their ends
		`T_INTERSECTS(INTERVAL('..','2022-04-16'), d)`: true, `T_DISJOINT(INTERVAL('2022-04-16','..'), d)`: false,
		`T_INTERSECTS(none_t, INTERVAL('..','..'))`: false, `INTERVAL(t, none_t) IS NULL`: true, `INTERVAL(t,'..') IS NULL`: false,
		`T_AFTER(t, INTERVAL('2022-04-01','2022-04-16'))`: true, `T_EQUALS(d, INTERVAL(d, d))`: true, `T_EQUALS(INTERVAL('..','..'),INTERVAL('..','..'))`: true,
		// sets: no order, no multiplicity
		`A_CONTAINS(tags, ('weir','ice','ice'))`: true, `A_CONTAINS(tags, ('weir','tree'))`: false, `A_CONTAINS(tags, ())`: true, `A_CONTAINEDBY((), tags)`: true,
		`A_CONTAINEDBY(('ice'), tags)`: true, `A_OVERLAPS(tags, ('tree', 1+2))`: true, `A_OVERLAPS(tags, ('tree'))`: false, `A_OVERLAPS(tags, ())`: false,
		`A_CONTAINS(tags, (('a','b')))`: true, `A_CONTAINS(tags, (POINT(1 2)))`: true, `A_CONTAINS(tags, (s = 'abc'))`: true, `A_CONTAINS(tags, (none))`: false,
		`A_EQUALS((1,2,'x',d), ('2022-04-16','x',2,1,1))`: true, `A_EQUALS(('a'), ('b'))`: false, `A_OVERLAPS(nothing, ('a')) IS NULL`: true,
		`A_EQUALS((DATE('2022-04-16')), ('2022-04-16'))`: true, `A_EQUALS((INTERVAL('2022-04-16','..')), (INTERVAL('2022-04-16','..')))`: true,
		`S_INTERSECTS(geom, BBOX(5,5,6,6))`: true, `S_WITHIN(geom, BBOX(5,5,6,6))`: false, `S_TOUCHES(geom, BBOX(5,5,6,6))`: true,
		`S_INTERSECTS(geom, BBOX(5,5,5,5))`: true, `S_INTERSECTS(geom, BBOX(5,0,5,9))`: true, `S_INTERSECTS(geom, BBOX(0,0,-99,9,9,99))`: true,
		`geom IS NULL`: false, `POINT(1 2) IS NULL`: false, `S_EQUALS(geom, geom)`: true, `(n = none) IS NULL`: true, `(n = 7) IS NULL`: false,
		`s LIKE 'a%' AND s NOT LIKE 'A%'`: true, `CASEI(s) LIKE CASEI('A_C')`: true, `s LIKE 'a\%'`: false, `CASEI(s) = 'abc'`: true,
	} {
		q["none_t"], q["nothing"] = cql2.TimestampType, cql2.ArrayType
		assert.Equal(t, want, filter(t, src, q).Match(feature), src)
	}
	assert.False(t, filter(t, `S_DISJOINT(geom, POINT(1 2))`, q).Match(cql2.Feature{}), "no geometry is unknown, not disjoint")
	assert.True(t, filter(t, `geom IS NULL`, q).Match(cql2.Feature{}))
}

// TestNumberTypes reads the number types a program may put into properties.
func TestNumberTypes(t *testing.T) {
	f := filter(t, `n = 3 AND A_CONTAINS(a, (3))`, cql2.Queryables{"n": cql2.NumberType, "a": cql2.ArrayType})
	for _, v := range []any{3.0, 3, int64(3), int32(3), float32(3), json.Number("3"), json.Number("3.0")} {
		assert.True(t, f.Match(cql2.Feature{Properties: map[string]any{"n": v, "a": []any{v}}}), "%T", v)
	}
	for _, v := range []any{"3", true, nil, math.NaN(), json.Number("x"), []any{3.0}} {
		assert.False(t, f.Match(cql2.Feature{Properties: map[string]any{"n": v, "a": []any{v}}}), "%T", v)
	}
}

// TestJSONColumnNames looks up properties whose names need quoting.
func TestJSONColumnNames(t *testing.T) {
	db, err := sql.Open("sqlite3", ":memory:")
	require.NoError(t, err)
	defer db.Close()
	names := rapid.StringOf(rapid.OneOf(rapid.SampledFrom([]rune(`ab."'\$[]0#-/`+"\t\n\u007f")), rapid.Rune()))
	rapid.Check(t, func(t *rapid.T) {
		name := names.Filter(func(s string) bool { return !slices.Contains([]rune(s), 0) }).Draw(t, "name")
		doc, err := json.Marshal(map[string]any{name: "here", name + "x": "elsewhere"})
		require.NoError(t, err)
		c := cql2.JSONColumn("doc", name)
		var value, kind sql.NullString
		require.NoError(t, db.QueryRow(`WITH d(doc) AS (SELECT ?) SELECT `+c.Value+`, `+c.Type+` FROM d`, string(doc)).Scan(&value, &kind))
		assert.Equal(t, "here", value.String, "%q", name)
		assert.Equal(t, "text", kind.String)
	})
}

// TestPlainColumns uses typed columns in place of JSON, and a queryable that
// has none.
func TestPlainColumns(t *testing.T) {
	db, err := sql.Open("sqlite3", ":memory:")
	require.NoError(t, err)
	defer db.Close()
	db.SetMaxOpenConns(1)
	_, err = db.Exec(`
		CREATE TABLE f (n INTEGER PRIMARY KEY, name TEXT, wet INTEGER, at TEXT);
		CREATE INDEX f_name ON f (name);
		INSERT INTO f (name, wet, at) VALUES ('a', 1, '2022-04-16T10:13:19Z'), ('b', 0, NULL), (NULL, NULL, '2023-01-01T00:00:00Z')`)
	require.NoError(t, err)
	q := cql2.Queryables{"name": cql2.StringType, "wet": cql2.BooleanType, "at": cql2.TimestampType, "other": cql2.NumberType}
	columns := map[string]cql2.Column{"name": {Value: "name"}, "wet": {Value: "wet"}, "at": {Value: "at"}}
	for src, want := range map[string]struct {
		ids   []int
		exact bool
	}{
		`name = 'a'`:                             {[]int{1}, true},
		`name <> 'a'`:                            {[]int{2}, true},
		`NOT (name = 'a' AND wet = TRUE)`:        {[]int{2}, true},
		`wet = FALSE OR name IS NULL`:            {[]int{2, 3}, true},
		`at > TIMESTAMP('2022-06-01T00:00:00Z')`: {[]int{3}, true},
		`at = DATE('2022-04-16')`:                {[]int{1}, true},
		`other = 5`:                              {[]int{1, 2, 3}, false},
		`other IS NULL AND name = 'a'`:           {[]int{1}, false},
		`name = 'a' OR CASEI(name) = 'b'`:        {[]int{1, 2, 3}, false},
		`FALSE AND other = 5`:                    {nil, true},
		`TRUE OR other = 5`:                      {[]int{1, 2, 3}, true},
	} {
		c := filter(t, src, q).SQL(columns)
		assert.Equal(t, want.exact, c.Exact, src)
		rows, err := db.Query(`SELECT n FROM f WHERE `+c.SQL+` ORDER BY n`, c.Args...)
		require.NoError(t, err, c.SQL)
		var got []int
		for rows.Next() {
			var n int
			require.NoError(t, rows.Scan(&n))
			got = append(got, n)
		}
		require.NoError(t, rows.Err())
		rows.Close()
		assert.Equal(t, want.ids, got, "%s\n%s", src, c.SQL)
	}

	// The guards must not keep SQLite from using an index.
	c := filter(t, `name = 'a'`, q).SQL(columns)
	var plan string
	var skip int
	require.NoError(t, db.QueryRow(`EXPLAIN QUERY PLAN SELECT n FROM f WHERE `+c.SQL, c.Args...).Scan(&skip, &skip, &skip, &plan))
	assert.Contains(t, plan, "USING COVERING INDEX f_name")
}

// TestTransform reads a filter given in latitude, longitude order.
func TestTransform(t *testing.T) {
	swap := func(p orb.Point) (orb.Point, error) { return orb.Point{p[1], p[0]}, nil }
	for src, want := range map[string]string{
		`a = 1 AND S_WITHIN(g, POINT(1 2))`:                                `a = 1 AND S_WITHIN(g, POINT(2 1))`,
		`S_WITHIN(g, LINESTRING(1 2, 3 4))`:                                `S_WITHIN(g, LINESTRING(2 1,4 3))`,
		`S_WITHIN(g, MULTIPOINT((1 2), (3 4)))`:                            `S_WITHIN(g, MULTIPOINT((2 1),(4 3)))`,
		`S_WITHIN(g, MULTILINESTRING((1 2, 3 4)))`:                         `S_WITHIN(g, MULTILINESTRING((2 1,4 3)))`,
		`S_WITHIN(g, MULTIPOLYGON(((1 2, 3 4, 5 6, 1 2))))`:                `S_WITHIN(g, MULTIPOLYGON(((2 1,4 3,6 5,2 1))))`,
		`S_WITHIN(g, GEOMETRYCOLLECTION(POINT(1 2), LINESTRING(1 2,3 4)))`: `S_WITHIN(g, GEOMETRYCOLLECTION(POINT(2 1),LINESTRING(2 1,4 3)))`,
		`S_WITHIN(g, BBOX(1,2,1,2))`:                                       `S_WITHIN(g, POINT(2 1))`,
		`A_CONTAINS(a, (POINT(1 2), 5))`:                                   `A_CONTAINS(a, (POINT(2 1), 5))`,
	} {
		e, err := cql2.ParseText(src)
		require.NoError(t, err)
		before := cql2.Text(e)
		got, err := cql2.Transform(e, swap)
		require.NoError(t, err)
		assert.Equal(t, want, cql2.Text(got))
		assert.Equal(t, before, cql2.Text(e), "the original is left alone")
	}

	e, err := cql2.ParseText(`S_INTERSECTS(g, BBOX(10,20,30,40))`)
	require.NoError(t, err)
	got, err := cql2.Transform(e, swap)
	require.NoError(t, err)
	f, err := cql2.Compile(got, cql2.Queryables{"g": cql2.GeometryType})
	require.NoError(t, err)
	for at, want := range map[orb.Point]bool{{20, 10}: true, {30, 20}: true, {40, 30}: true, {10, 20}: false, {41, 20}: false} {
		assert.Equal(t, want, f.Match(cql2.Feature{Geometry: at}), at)
	}

	_, err = cql2.Transform(e, func(orb.Point) (orb.Point, error) { return orb.Point{}, errors.New("outside the projection") })
	assert.EqualError(t, err, "filter, character 17: outside the projection")
	e, err = cql2.ParseText(`S_INTERSECTS(g, BBOX(170,20,-170,40))`)
	require.NoError(t, err)
	_, err = cql2.Transform(e, swap)
	assert.ErrorContains(t, err, "does not cross the 180° meridian")
}

// TestBrokenGeometry asks for the relations of stored geometries that no one
// should have stored. There is no right answer; there must be no panic.
func TestBrokenGeometry(t *testing.T) {
	q := cql2.Queryables{"g": cql2.GeometryType}
	ops := []cql2.Op{
		cql2.SContains, cql2.SCrosses, cql2.SDisjoint, cql2.SEquals, cql2.SIntersects, cql2.SOverlaps, cql2.STouches, cql2.SWithin,
	}
	coordinate := rapid.SampledFrom([]float64{0, 1, 2, 3, 0.5, 1e-300, 1e300, math.NaN(), math.Inf(1)})
	point := rapid.Custom(func(t *rapid.T) orb.Point { return orb.Point{coordinate.Draw(t, "x"), coordinate.Draw(t, "y")} })
	points := rapid.SliceOfN(point, 0, 5)
	rapid.Check(t, func(t *rapid.T) {
		p := points.Draw(t, "points")
		for _, g := range []orb.Geometry{
			orb.LineString(p), orb.MultiPoint(p), orb.Ring(p),
			orb.Polygon{p},
			orb.Polygon{},
			orb.MultiPolygon{{p}, {p}},
			orb.MultiLineString{p, p},
			orb.Collection{orb.Polygon{p}, nil},
			orb.Collection{},
			orb.Bound{Min: orb.Point{1, 1}},
			orb.Polygon{p, p},
		} {
			for _, op := range ops {
				f, err := cql2.Compile(call(op, cql2.Property{Name: "g"}, cql2.Box{Coordinates: []float64{0, 0, 2, 2}}), q)
				require.NoError(t, err)
				f.Match(cql2.Feature{Geometry: g})
			}
		}
	})
}

func TestManyGoroutines(t *testing.T) {
	l := layers(t)["ne_110m_admin_0_countries"]
	f := filter(t, `CASEI(ACCENTI(NAME)) LIKE 'l%' AND S_INTERSECTS(geom,BBOX(0,40,10,50)) AND POP_EST IN (1, 619896, 2)`, l.queryables)
	want := l.match(f)
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() { assert.Equal(t, want, l.match(f)) })
	}
	wg.Wait()
}
