package sqlite_test

import (
	"context"
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

var (
	officer = sqlite.Author{Who: "A. Officer", Device: "tablet 3"}
	other   = sqlite.Author{Who: "B. Other"}
	anyRev  survey.Opt[int64]
	noon    = time.Date(2026, 5, 4, 12, 0, 0, 123456000, time.UTC)
)

func TestMain(m *testing.M) {
	if path := os.Getenv(writerEnv); path != "" {
		limited()
		writeForever(path)
		return
	}
	if err := flag.Set("rapid.seed", "20261125"); err != nil { // the same cases in every run
		panic(err)
	}
	os.Exit(m.Run())
}

// open makes or opens an atlas and closes it with the test.
func open(t testing.TB, path string, o sqlite.Options) *sqlite.Store {
	t.Helper()
	s, err := sqlite.Open(t.Context(), path, o)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	return s
}

func newAtlas(t testing.TB) *sqlite.Store {
	t.Helper()
	return open(t, filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Now: func() time.Time { return noon }})
}

func defaultPolicy(t testing.TB) survey.Policy {
	t.Helper()
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	return p
}

func knoll() survey.Site {
	return survey.Site{
		Geometry: orb.Polygon{{{-91.21, 44.65}, {-91.20, 44.65}, {-91.20, 44.66}, {-91.21, 44.66}, {-91.21, 44.65}}},
		Heights:  []float64{231.5, 232, 0, 230, 231.5},
		Name:     "Kiln Bend",
		Code:     "KB",
		Kind:     "riverbank",
		Contacts: []survey.Contact{{Who: "Lock keeper", Phone: "555-0100"}},
		Water:    survey.Water{DatumM: survey.Known(geo.Length(0))},
	}
}

func stand(site, label string) survey.Point {
	return survey.Point{
		Position:   orb.Point{-91.2050123456789, 44.6550987654321},
		ElevationM: survey.Known(geo.Length(0)),
		Site:       site,
		Label:      label,
		SurveyedAt: survey.Known(noon),
		Ground:     survey.Ground{Class: survey.ClassB, Disturbed: survey.No, Fissured: survey.AnswerUnknown},
		Terrain:    survey.Terrain{SlopeDeg: survey.Known(0.0)},
	}
}

func putSite(t testing.TB, s *sqlite.Store, site survey.Site) sqlite.Row[survey.Site] {
	t.Helper()
	row, err := s.PutSite(t.Context(), site, officer, anyRev)
	require.NoError(t, err)
	return row
}

func putPoint(t testing.TB, s *sqlite.Store, p survey.Point) sqlite.Row[survey.Point] {
	t.Helper()
	row, err := s.PutPoint(t.Context(), p, officer, anyRev)
	require.NoError(t, err)
	return row
}

func TestPragmas(t *testing.T) {
	s := newAtlas(t)
	write, read := s.Pools()
	ctx := t.Context()
	// source: www.sqlite.org/pragma.html: synchronous 2 is FULL.
	for pragma, want := range map[string]string{
		"foreign_keys": "1", "journal_mode": "wal", "busy_timeout": "10000", "synchronous": "2",
	} {
		var got string
		require.NoError(t, write.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&got))
		assert.Equal(t, want, got, "writer %s", pragma)
		for range 4 { // held open, so that each is another connection
			conn, err := read.Conn(ctx)
			require.NoError(t, err)
			defer conn.Close()
			require.NoError(t, conn.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&got))
			assert.Equal(t, want, got, "reader %s", pragma)
		}
		read.SetMaxIdleConns(0) // the next pragma gets new connections
		read.SetMaxOpenConns(64)
	}
	var one int
	require.NoError(t, read.QueryRowContext(ctx, "PRAGMA query_only").Scan(&one))
	assert.Equal(t, 1, one)
	_, err := read.ExecContext(ctx, "DELETE FROM meta")
	assert.ErrorContains(t, err, "readonly", "a reader cannot write")
}

// The tables hold their own line, whatever statement is sent to them.
func TestTablesRefuse(t *testing.T) {
	s := newAtlas(t)
	site := putSite(t, s, knoll())
	point := putPoint(t, s, stand("KB", "P1"))
	require.NoError(t, s.SetPolicy(t.Context(), defaultPolicy(t), officer))
	write, _ := s.Pools()
	for _, c := range []struct{ name, sql, says string }{
		{"an edit of a revision", `UPDATE revisions SET who = 'x'`, "never altered"},
		{"the end of a revision", `DELETE FROM revisions`, "never deleted"},
		{"a replaced revision", `INSERT OR REPLACE INTO revisions SELECT * FROM revisions LIMIT 1`, "never replaced"},
		{"an edit of a policy", `UPDATE policies SET version = 'x'`, "never altered"},
		{"the end of a policy", `DELETE FROM policies`, "never deleted"},
		{"a replaced policy", `INSERT OR REPLACE INTO policies SELECT * FROM policies`, "never replaced"},
		{"text for a number", `UPDATE points SET west = 'x', east = 'x'`, "cannot store TEXT value in REAL column"},
		{"a NaN, which is a NULL", `UPDATE points SET west = NULL`, "NOT NULL"},
		{"a latitude beyond the pole", `UPDATE points SET south = 91, north = 91`, "CHECK"},
		{"a body that is no JSON", `UPDATE points SET body = '{'`, "CHECK"},
		{"a point of no site", `UPDATE points SET site = 'nowhere'`, "FOREIGN KEY"},
		{"a change by nobody", `INSERT INTO revisions VALUES (NULL, 'sites', 'x', 't', '', '', 'create', NULL, '{}')`, "CHECK"},
		{"a creation with a before", `INSERT INTO revisions VALUES (NULL, 'sites', 'x', 't', 'w', '', 'create', '{}', '{}')`, "CHECK"},
		{"a second atlas in the file", `INSERT INTO meta VALUES (2, 'x', 'y')`, "CHECK"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := write.ExecContext(t.Context(), c.sql)
			assert.ErrorContains(t, err, c.says)
		})
	}
	got, err := s.Point(t.Context(), point.Item.ID)
	require.NoError(t, err)
	assert.Equal(t, point, got)
	gotSite, err := s.Site(t.Context(), "kb")
	require.NoError(t, err)
	assert.Equal(t, site, gotSite)
}

func TestOneClock(t *testing.T) {
	ticks := 0
	s := open(t, filepath.Join(t.TempDir(), "a.db"), sqlite.Options{Create: true, Now: func() time.Time {
		ticks++
		return noon.Add(time.Duration(ticks) * time.Hour)
	}})
	ticks = 0
	sites := []survey.Site{knoll(), knoll()}
	sites[0].ID, sites[1].ID, sites[1].Code = "a", "b", "KC"
	require.NoError(t, s.ImportAll(t.Context(), sites, nil, officer))
	assert.Equal(t, 1, ticks, "one transaction asks the clock once")
	rows, err := s.Sites(t.Context(), sqlite.Filter{})
	require.NoError(t, err)
	for _, r := range rows {
		assert.Equal(t, noon.Add(time.Hour), r.UpdatedAt)
	}
}

func TestCancelledWriteSavesNothing(t *testing.T) {
	s := newAtlas(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := s.PutSite(ctx, knoll(), officer, anyRev)
	require.ErrorIs(t, err, context.Canceled)
	n, err := s.Revision(t.Context())
	require.NoError(t, err)
	assert.Zero(t, n)
}
