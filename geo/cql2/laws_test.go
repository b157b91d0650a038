package cql2_test

import (
	"database/sql"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/cql2"
)

// document is the CQL2 JSON of an expression, by which two are compared.
func document(t require.TestingT, e cql2.Expr) string {
	b, err := cql2.JSON(e)
	require.NoError(t, err)
	return string(b)
}

// TestRoundTrip writes an expression in both encodings and reads it back.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := randomPredicate(t, 3)
		want := document(t, e)

		text := cql2.Text(e)
		read, err := cql2.ParseText(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, document(t, read), text)
		assert.Equal(t, text, cql2.Text(read))

		again, err := cql2.ParseJSON([]byte(want))
		require.NoError(t, err, want)
		assert.Equal(t, want, document(t, again))
		assert.Equal(t, text, cql2.Text(again))
	})
}

// TestSQLAgreesWithMatch answers random filters for random features both
// ways: the condition never drops a feature that matches, and where it says
// that it is exact it keeps no other.
func TestSQLAgreesWithMatch(t *testing.T) {
	q := randomQueryables()
	rapid.Check(t, func(r *rapid.T) {
		l := &layer{queryables: q}
		for range 8 {
			l.features = append(l.features, randomFeature(r))
		}
		l.store(t)
		defer l.db.Close()
		for range 20 {
			e := randomPredicate(r, 2)
			f, err := cql2.Compile(e, q)
			if err != nil {
				continue // an interval that ends before it starts, say
			}
			c := f.SQL(l.columns)
			candidates, err := l.tryQuery(c)
			require.NoError(r, err, "%s\n%s", cql2.Text(e), c.SQL)
			matched := l.match(f)
			if c.Exact {
				require.Equal(r, matched, candidates, "%s\n%s\n%v", cql2.Text(e), c.SQL, c.Args)
			} else {
				require.Subset(r, candidates, matched, "%s\n%s\n%v", cql2.Text(e), c.SQL, c.Args)
			}
		}
	})
}

// TestThreeValuedLogic checks the truth table of OGC 21-065r2 §6.2 on
// predicates that are true, false and unknown.
func TestThreeValuedLogic(t *testing.T) {
	q := cql2.Queryables{"n": cql2.NumberType}
	value := map[string]string{"TRUE": "1=1", "FALSE": "1=2", "NULL": "n=1"}
	for _, row := range [][4]string{ // predicate 1, predicate 2, AND, OR
		{"TRUE", "TRUE", "TRUE", "TRUE"},
		{"TRUE", "FALSE", "FALSE", "TRUE"},
		{"FALSE", "TRUE", "FALSE", "TRUE"},
		{"FALSE", "FALSE", "FALSE", "FALSE"},
		{"TRUE", "NULL", "NULL", "TRUE"},
		{"FALSE", "NULL", "FALSE", "NULL"},
		{"NULL", "TRUE", "NULL", "TRUE"},
		{"NULL", "FALSE", "FALSE", "NULL"},
		{"NULL", "NULL", "NULL", "NULL"},
	} {
		for i, op := range []string{"AND", "OR"} {
			src := "(" + value[row[0]] + " " + op + " " + value[row[1]] + ")"
			got := "FALSE"
			switch none := (cql2.Feature{}); {
			case filter(t, src, q).Match(none):
				got = "TRUE"
			case filter(t, src+" IS NULL", q).Match(none):
				got = "NULL"
			case !filter(t, "NOT "+src, q).Match(none):
				got = "neither"
			}
			assert.Equal(t, row[2+i], got, src)
		}
	}
}

// TestLikeAgainstSQLite compares LIKE with SQLite's own, which has the same
// wildcards and can be told the escape character and to mind case.
func TestLikeAgainstSQLite(t *testing.T) {
	db, err := sql.Open("sqlite3", ":memory:")
	require.NoError(t, err)
	defer db.Close()
	db.SetMaxOpenConns(1)
	_, err = db.Exec(`PRAGMA case_sensitive_like = 1`)
	require.NoError(t, err)
	q := cql2.Queryables{"s": cql2.StringType}
	letters := rapid.SampledFrom([]rune(`aAb%_*?[]^-é😀\`))
	rapid.Check(t, func(t *rapid.T) {
		pattern := rapid.StringOfN(letters, 0, 8, -1).Draw(t, "pattern")
		value := rapid.StringOfN(letters, 0, 10, -1).Draw(t, "value")
		if n := len(pattern) - len(strings.TrimRight(pattern, `\`)); n%2 == 1 {
			t.Skip("an escape at the end has no character to escape")
		}
		var want bool
		require.NoError(t, db.QueryRow(`SELECT ? LIKE ? ESCAPE '\'`, value, pattern).Scan(&want))
		f, err := cql2.Compile(call(cql2.Like, cql2.Property{Name: "s"}, cql2.String{Value: pattern}), q)
		require.NoError(t, err)
		assert.Equal(t, want, f.Match(cql2.Feature{Properties: map[string]any{"s": value}}), "%q LIKE %q", value, pattern)
	})
}

// TestManyParts asks SQLite about filters at the limits, where its own limits
// on depth and parameters must not be met.
func TestManyParts(t *testing.T) {
	l := &layer{queryables: cql2.Queryables{"n": cql2.NumberType}}
	for i := range 3 {
		l.features = append(l.features, cql2.Feature{Properties: map[string]any{"n": float64(i)}})
	}
	l.store(t)
	wide := strings.Repeat("n = 7 OR ", 3000) + "n = 1"
	list := "n IN (" + strings.Repeat("7, ", 9000) + "1)"
	deep := "n = 1"
	for range cql2.MaxDepth/2 - 1 {
		deep = "NOT (" + deep + " AND n < 5)"
	}
	for _, src := range []string{wide, list, deep} {
		f := filter(t, src, l.queryables)
		c := f.SQL(l.columns)
		assert.True(t, c.Exact)
		assert.Equal(t, l.match(f), l.query(t, c))
		assert.NotEmpty(t, l.match(f))
	}
}
