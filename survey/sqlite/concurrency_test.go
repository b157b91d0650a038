package sqlite_test

import (
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// Two stores on one file, as two programs would have, with many goroutines
// each: every acknowledged write is there, and numbers have no gap.
func TestManyWriters(t *testing.T) {
	path := filepath.Join(t.TempDir(), "atlas.db")
	stores := make([]*sqlite.Store, 2)
	var wg sync.WaitGroup
	for i := range stores { // both make the atlas at once
		wg.Go(func() {
			s, err := sqlite.Open(t.Context(), path, sqlite.Options{Create: true, Policy: defaultPolicy(t)})
			if assert.NoError(t, err) {
				stores[i] = s
				t.Cleanup(func() { assert.NoError(t, s.Close()) })
			}
		})
	}
	wg.Wait()
	require.False(t, t.Failed())
	putSite(t, stores[0], knoll())

	const workers, each = 8, 12
	acknowledged := make(chan sqlite.Row[survey.Point], 2*workers*each)
	for w := range 2 * workers {
		wg.Go(func() {
			s := stores[w%2]
			for i := range each {
				row, err := s.PutPoint(t.Context(), stand("KB", fmt.Sprintf("%d-%d", w, i)), officer, anyRev)
				if !assert.NoError(t, err) {
					return
				}
				acknowledged <- row
				got, err := s.Point(t.Context(), row.Item.ID)
				assert.NoError(t, err)
				assert.Equal(t, row, got, "a writer reads its own write")
			}
		})
	}
	wg.Wait()
	close(acknowledged)
	revisions := map[int64]bool{}
	for row := range acknowledged {
		for _, s := range stores {
			got, err := s.Point(t.Context(), row.Item.ID)
			require.NoError(t, err)
			require.Equal(t, row, got)
		}
		revisions[row.Revision] = true
	}
	assert.Len(t, revisions, 2*workers*each)
	last, err := stores[1].Revision(t.Context())
	require.NoError(t, err)
	assert.EqualValues(t, 2+2*workers*each, last, "policy, site and every point: one number each")
}

// Many writers of one point who all saw the same revision: one wins.
func TestOneWinner(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	row := putPoint(t, s, stand("KB", "P1"))
	var wg sync.WaitGroup
	results := make(chan error, 16)
	for i := range cap(results) {
		wg.Go(func() {
			p := row.Item
			p.SurveyedBy = fmt.Sprint(i)
			_, err := s.PutPoint(t.Context(), p, officer, survey.Known(row.Revision))
			results <- err
		})
	}
	wg.Wait()
	close(results)
	won := 0
	for err := range results {
		if err == nil {
			won++
			continue
		}
		stale, ok := errors.AsType[*sqlite.StaleError](err)
		require.True(t, ok, "%v", err)
		assert.Equal(t, row.Revision+1, stale.Current)
	}
	assert.Equal(t, 1, won)
}

func TestDiskFull(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	write, _ := s.Pools()
	var pages int
	require.NoError(t, write.QueryRow(`PRAGMA page_count`).Scan(&pages))
	_, err := write.Exec(fmt.Sprintf(`PRAGMA max_page_count = %d`, pages+2)) // SQLite then answers as on a full disk
	require.NoError(t, err)
	var saved []string
	for err == nil {
		var row sqlite.Row[survey.Point]
		if row, err = s.PutPoint(t.Context(), stand("KB", "P"), officer, anyRev); err == nil {
			saved = append(saved, row.Item.ID)
		}
	}
	require.ErrorIs(t, err, sqlite.ErrFull)
	assert.EqualError(t, err, "save point: the disk is full; nothing was saved")
	for _, id := range saved {
		_, err := s.Point(t.Context(), id)
		assert.NoError(t, err, "what was acknowledged stays readable")
	}
	n, err := s.CountPoints(t.Context(), sqlite.Filter{})
	require.NoError(t, err)
	assert.Equal(t, len(saved), n)
}

// An import that the disk has no room for leaves nothing of itself.
func TestDiskFullImport(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	write, _ := s.Pools()
	var pages int
	require.NoError(t, write.QueryRow(`PRAGMA page_count`).Scan(&pages))
	_, err := write.Exec(fmt.Sprintf(`PRAGMA max_page_count = %d`, pages+20))
	require.NoError(t, err)
	before, err := s.Revision(t.Context())
	require.NoError(t, err)
	err = s.ImportAll(t.Context(), nil, manyPoints(2000), officer)
	require.ErrorIs(t, err, sqlite.ErrFull)
	n, err := s.CountPoints(t.Context(), sqlite.Filter{})
	require.NoError(t, err)
	assert.Zero(t, n)
	after, err := s.Revision(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, after)
	assert.Empty(t, check(t, s.Path()).Findings)
	_, err = write.Exec(`PRAGMA max_page_count = 1073741823`)
	require.NoError(t, err)
	assert.NoError(t, s.ImportAll(t.Context(), nil, manyPoints(100), officer), "when there is room again")
}

// A clock that is set back, or far ahead, mixes up no order: revisions count,
// times are only told.
func TestClockJumps(t *testing.T) {
	clock := noon
	s := open(t, filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Now: func() time.Time { return clock }})
	putSite(t, s, knoll())
	row := putPoint(t, s, stand("KB", "P1"))
	for i, jump := range []time.Duration{-365 * 24 * time.Hour, 20 * 365 * 24 * time.Hour, -time.Microsecond, 0} {
		clock = clock.Add(jump)
		row.Item.SurveyedBy = fmt.Sprint(i)
		next, err := s.PutPoint(t.Context(), row.Item, officer, survey.Known(row.Revision))
		require.NoError(t, err)
		assert.Greater(t, next.Revision, row.Revision)
		row = next
	}
	past, err := s.History(t.Context(), sqlite.Points, row.Item.ID)
	require.NoError(t, err)
	require.Len(t, past, 5)
	for i := range past[1:] {
		assert.Greater(t, past[i].Number, past[i+1].Number)
		assert.Equal(t, past[i].Before, past[i+1].After)
	}
	assert.Empty(t, check(t, s.Path()).Findings)
}

func TestBusy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "atlas.db")
	s := open(t, path, sqlite.Options{Create: true})
	hog := open(t, path, sqlite.Options{})
	write, _ := hog.Pools()
	held, err := write.Begin()
	require.NoError(t, err)
	defer held.Rollback() //nolint:errcheck // only to let go
	waiting, _ := s.Pools()
	_, err = waiting.Exec(`PRAGMA busy_timeout = 20`)
	require.NoError(t, err)
	_, err = s.PutSite(t.Context(), knoll(), officer, anyRev)
	require.ErrorIs(t, err, sqlite.ErrBusy)
	assert.ErrorContains(t, err, "another program is writing to the atlas")
	_, err = s.Sites(t.Context(), sqlite.Filter{})
	assert.NoError(t, err, "readers need not wait")
	later := open(t, path, sqlite.Options{})
	_, err = later.Sites(t.Context(), sqlite.Filter{})
	assert.NoError(t, err, "nor does opening")
}

// Another program that is just making the same atlas is waited for, though
// SQLite refuses to wait for it.
func TestOpenWhileMade(t *testing.T) {
	path := filepath.Join(t.TempDir(), "atlas.db")
	other, err := sql.Open("sqlite3", "file:"+path+"?_txlock=immediate")
	require.NoError(t, err)
	defer other.Close()
	held, err := other.Begin()
	require.NoError(t, err)
	time.AfterFunc(100*time.Millisecond, func() { _ = held.Rollback() })
	s, err := sqlite.Open(t.Context(), path, sqlite.Options{Create: true})
	require.NoError(t, err)
	require.NoError(t, s.Close())
}
