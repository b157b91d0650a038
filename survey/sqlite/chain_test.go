package sqlite_test

import (
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// sum is the encoding that Hash documents, written a second time from its
// words: each field after its length in eight bytes. source: FIPS 180-4 for
// SHA-256, through the standard library.
func sum(fields ...string) string {
	var all []byte
	for _, f := range fields {
		all = binary.BigEndian.AppendUint64(all, uint64(len(f)))
		all = append(all, f...)
	}
	h := sha256.Sum256(all)
	return string(h[:])
}

// chained recomputes the chain and the log of an atlas from its plain columns.
func chained(t *testing.T, db *sql.DB) (revisions, entries int) {
	t.Helper()
	links := map[int64]string{0: strings.Repeat("\x00", 32)}
	heads := map[string]string{}
	link := links[0]
	rows, err := db.Query(`SELECT r.number, collection, id, at, who, device, verb, coalesce(after, ''), hash, parents, link
		FROM revisions AS r LEFT JOIN chain AS c ON c.number = r.number ORDER BY r.number`)
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var number int64
		var f [7]string
		var hash, parents, stored string
		require.NoError(t, rows.Scan(&number, &f[0], &f[1], &f[2], &f[3], &f[4], &f[5], &f[6], &hash, &parents, &stored))
		item := f[0] + "/" + f[1]
		require.Equal(t, heads[item], parents, "revision %d is made on the one before it", number)
		require.Equal(t, sum(append(append([]string{"holdfast revision 1"}, f[:]...), parents)...), hash, "hash of revision %d", number)
		next := sha256.Sum256([]byte(link + hash))
		link = string(next[:])
		require.Equal(t, link, stored, "link of revision %d", number)
		heads[item], links[number] = hash, link
		revisions++
	}
	require.NoError(t, rows.Err())
	before := links[0]
	rows, err = db.Query(`SELECT number, at, who, device, event, detail, revision, hash FROM audit ORDER BY number`)
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var f [7]string
		var revision int64
		var hash string
		require.NoError(t, rows.Scan(&f[0], &f[1], &f[2], &f[3], &f[4], &f[5], &revision, &hash))
		entries++
		require.Equal(t, fmt.Sprint(entries), f[0])
		f[6] = fmt.Sprint(revision)
		require.Equal(t, sum(append(append([]string{"holdfast audit 1", before}, f[:]...), links[revision])...), hash, "hash of entry %d", entries)
		before = hash
	}
	require.NoError(t, rows.Err())
	return revisions, entries
}

func events(t *testing.T, s *sqlite.Store) []string {
	t.Helper()
	log, err := s.Audit(t.Context(), 0, 1000)
	require.NoError(t, err)
	var out []string
	for _, e := range slices.Backward(log) {
		out = append(out, e.Event)
	}
	return out
}

func TestChain(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Policy: defaultPolicy(t)})
	ctx := t.Context()
	putSite(t, s, knoll())
	row := putPoint(t, s, stand("KB", "P1"))
	_, err := s.PutPoint(ctx, row.Item, officer, survey.Known[int64](99))
	require.ErrorIs(t, err, survey.ErrStale)
	require.NoError(t, s.DeletePoint(ctx, row.Item.ID, officer, anyRev))
	putPoint(t, s, row.Item)
	require.NoError(t, s.ImportAll(ctx, nil, []survey.Point{stand("KB", "P2"), stand("KB", "P3")}, other))
	require.NoError(t, s.Note(ctx, sqlite.Event{What: "sign-in refused", Detail: map[string]string{"as": "chief"}}, other))
	require.NoError(t, s.SetPolicy(ctx, defaultPolicy(t), officer), "which is in force already")

	_, read := s.Pools()
	revisions, entries := chained(t, read)
	assert.Equal(t, 7, revisions)
	assert.Equal(t, 7, entries)
	assert.Equal(t, []string{"create atlas", "save site", "save point", "delete point", "save point", "import", "sign-in refused"}, events(t, s),
		"one entry a change; none for what was refused or changed nothing")

	log, err := s.Audit(ctx, 0, 2)
	require.NoError(t, err)
	require.Len(t, log, 2)
	assert.JSONEq(t, `{"as": "chief"}`, string(log[0].Detail))
	assert.Equal(t, "B. Other", log[0].Who)
	assert.EqualValues(t, 7, log[1].Revision)
	log, err = s.Audit(ctx, log[1].Number, 1)
	require.NoError(t, err)
	assert.EqualValues(t, 5, log[0].Revision, "the import wrote revisions 6 and 7")
}

// An atlas from before gets its chain when it is brought up to date, and two
// copies of it give every revision the same name.
func TestChainOfKeptFiles(t *testing.T) {
	hashes := func(s *sqlite.Store) (out []string) {
		_, read := s.Pools()
		rows, err := read.Query(`SELECT hash FROM chain ORDER BY number`)
		require.NoError(t, err)
		defer rows.Close()
		for rows.Next() {
			var h []byte
			require.NoError(t, rows.Scan(&h))
			out = append(out, hex.EncodeToString(h))
		}
		require.NoError(t, rows.Err())
		return out
	}
	s := open(t, unpack(t, 1), sqlite.Options{})
	_, read := s.Pools()
	revisions, entries := chained(t, read)
	assert.Equal(t, 9, revisions)
	steps, err := os.ReadDir("migration")
	require.NoError(t, err)
	since := len(steps) - 5 // the log came with the sixth format
	assert.Equal(t, since, entries)
	assert.Equal(t, slices.Repeat([]string{"upgrade atlas"}, since), events(t, s))
	assert.Equal(t, hashes(s), hashes(open(t, unpack(t, 1), sqlite.Options{})))
}

func TestLogIsOnlyAddedTo(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	write, _ := s.Pools()
	for _, q := range []string{
		`UPDATE chain SET link = zeroblob(32)`, `DELETE FROM chain`, `INSERT OR REPLACE INTO chain SELECT * FROM chain`,
		`UPDATE audit SET who = 'x'`, `DELETE FROM audit`, `INSERT OR REPLACE INTO audit SELECT * FROM audit`,
	} {
		_, err := write.ExecContext(t.Context(), q)
		assert.ErrorContains(t, err, "is never", q)
	}
	require.ErrorIs(t, s.Note(t.Context(), sqlite.Event{}, officer), survey.ErrInvalid)
	require.ErrorIs(t, s.Note(t.Context(), sqlite.Event{What: "sign-in"}, sqlite.Author{}), survey.ErrInvalid)
	require.ErrorIs(t, s.Note(t.Context(), sqlite.Event{What: "sign-in", Detail: strings.Repeat("x", 5000)}, officer), survey.ErrInvalid)
	chained(t, write)
}
