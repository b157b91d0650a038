package cql2_test

import (
	"database/sql"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/cql2"
)

// FuzzInstant compares the reader of stored dates and times with SQLite's, on
// the texts that a condition lets it read.
func FuzzInstant(f *testing.F) {
	for _, s := range []string{
		"2022-04-16", "2022-04-16T10:13:19Z", "2022-04-16 10:13:19", "2022-04-16T10:13:19.5+02:00", "2022-04-16T10:13:19.0005Z",
		"2022-04-16T10:13:19.99999999999Z", "2022-02-31", "2022-04-31T23:59:59-14:00", "9999-12-31T23:59:59-00:01", "0000-01-01T00:00:00+14:59",
		"2022-04-16T24:00:00Z", "2022-04-16T10:13:60Z", "2022-04-16T10:13", "2022-04-16T10:13:19 Z ", "2022-04-16T10:13:19z", "2022-04-16t10:13:19Z",
		"2022-04-16T10:13:19.", "2022-04-16T10:13:19,5Z", "now", "2459685.5", "10:00", "-2022-04-16", "2022-04-16T10:13:19+0200", "", "2022-00-10", "2022-13-10", "2022-04-00",
		"2022-04-16T10:13:19." + strings.Repeat("9", 400) + "Z",
	} {
		f.Add(s)
	}
	db, err := sql.Open("sqlite3", ":memory:")
	require.NoError(f, err)
	f.Cleanup(func() { db.Close() })
	f.Fuzz(func(t *testing.T, s string) {
		if strings.ContainsRune(s, 0) {
			t.Skip("SQLite ends a text there")
		}
		var want sql.NullFloat64
		require.NoError(t, db.QueryRow(`
			SELECT unixepoch(?1, 'subsec')
			WHERE ?1 GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'
				OR ?1 GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9][T ][0-9][0-9]:[0-9][0-9]:[0-9][0-9]*'
			UNION ALL SELECT NULL LIMIT 1`, s).Scan(&want))
		ms, ok := cql2.ParseInstant(s)
		assert.Equal(t, want.Valid, ok, "%q", s)
		if ok && want.Valid {
			assert.Equal(t, want.Float64, ms/1000, "%q", s)
		}
		if at, err := time.Parse(time.RFC3339, s); err == nil && !strings.Contains(s, ",") && at.Nanosecond()%1_000_000 == 0 && at.Year() < 9999 {
			assert.True(t, ok, "%q is RFC 3339", s)
			assert.Equal(t, float64(at.UnixMilli()), ms, "%q", s)
		}
	})
}
