package sqlite_test

import (
	"bytes"
	"database/sql"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// database makes a SQLite file with plain statements.
func database(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite3", path)
	require.NoError(t, err)
	for _, q := range statements {
		_, err := db.Exec(q)
		require.NoError(t, err)
	}
	require.NoError(t, db.Close())
}

func TestOpenRefuses(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	write := func(name string, b []byte) {
		require.NoError(t, os.WriteFile(at(name), b, 0o644))
	}
	noise := make([]byte, 20_000)
	rng := rand.NewChaCha8([32]byte{1})
	_, _ = rng.Read(noise)
	write("noise.db", noise)
	write("letter.txt", []byte("Dear chief,\n"))
	write("empty.db", nil)
	write("truncated.db", []byte("SQLite format 3\x00"))
	require.NoError(t, os.Mkdir(at("folder"), 0o755))
	database(t, at("foreign.db"), `CREATE TABLE customers (name)`)
	database(t, at("foreign-wal.db"), `PRAGMA journal_mode = WAL`, `CREATE TABLE customers (name)`)
	database(t, at("foreign-id.db"), `PRAGMA application_id = 0x47504b47`, `CREATE TABLE gpkg_contents (name)`)
	database(t, at("blank.db"), `VACUUM`)

	atlas := open(t, at("newer.db"), sqlite.Options{Create: true})
	require.NoError(t, atlas.Close())
	database(t, at("newer.db"), `PRAGMA user_version = 99`)
	atlas = open(t, at("marked.db"), sqlite.Options{Create: true})
	require.NoError(t, atlas.Close())
	require.NoError(t, os.Chmod(at("marked.db"), 0o444))
	atlas = open(t, at("torn.db"), sqlite.Options{Create: true})
	require.NoError(t, atlas.Close())
	whole, err := os.ReadFile(at("torn.db"))
	require.NoError(t, err)
	write("torn.db", append(bytes.Clone(whole[:100]), bytes.Repeat([]byte{0xff}, len(whole)-100)...))

	for _, c := range []struct {
		file string
		o    sqlite.Options
		kind error
		says string
	}{
		{"noise.db", sqlite.Options{}, survey.ErrInvalid, "is not an atlas: it is no SQLite file"},
		{"noise.db", sqlite.Options{Create: true}, survey.ErrInvalid, "is not an atlas: it is no SQLite file"},
		{"noise.db", sqlite.Options{ReadOnly: true}, survey.ErrInvalid, "is not an atlas: it is no SQLite file"},
		{"letter.txt", sqlite.Options{}, survey.ErrInvalid, "is not an atlas: it is no SQLite file"},
		{"truncated.db", sqlite.Options{}, survey.ErrInvalid, "is not an atlas: it is no SQLite file"},
		{"empty.db", sqlite.Options{}, survey.ErrInvalid, "is empty, not an atlas"},
		{"blank.db", sqlite.Options{}, survey.ErrInvalid, "is empty, not an atlas"},
		{"folder", sqlite.Options{Create: true}, survey.ErrInvalid, "is a folder"},
		{"missing.db", sqlite.Options{}, survey.ErrNotFound, "there is no atlas at"},
		{"missing.db", sqlite.Options{ReadOnly: true, Create: true}, survey.ErrNotFound, "there is no atlas at"},
		{"nowhere/a.db", sqlite.Options{Create: true}, survey.ErrNotFound, "does not exist"},
		{"foreign.db", sqlite.Options{Create: true}, survey.ErrInvalid, "of another program"},
		{"foreign-wal.db", sqlite.Options{}, survey.ErrInvalid, "of another program"},
		{"foreign-id.db", sqlite.Options{}, survey.ErrInvalid, "of another program"},
		{"newer.db", sqlite.Options{}, survey.ErrInvalid, "newer version of this program (format 99; "},
		{"newer.db", sqlite.Options{ReadOnly: true}, survey.ErrInvalid, "newer version"},
		{"marked.db", sqlite.Options{}, survey.ErrReadOnly, "may not be written"},
		{"torn.db", sqlite.Options{}, survey.ErrInvalid, "cannot be read as an atlas"},
	} {
		t.Run(c.file, func(t *testing.T) {
			before, _ := os.ReadFile(at(c.file))
			s, err := sqlite.Open(t.Context(), at(c.file), c.o)
			if s != nil {
				_ = s.Close()
			}
			require.ErrorIs(t, err, c.kind)
			assert.ErrorContains(t, err, c.says)
			assert.NotContains(t, err.Error(), "\n")
			assert.Equal(t, 0, strings.Count(err.Error(), ". "), "one sentence: %s", err)
			after, _ := os.ReadFile(at(c.file))
			assert.True(t, bytes.Equal(before, after), "the file is left byte for byte")
			for _, beside := range []string{"-wal", "-shm", "-journal"} {
				assert.NoFileExists(t, at(c.file)+beside)
			}
		})
	}
}

func TestOpenAwkwardNames(t *testing.T) {
	for _, name := range []string{"a b.db", "100%.db", "what?.db", "a#b.db", "Ärger & Söhne.db", "a=b+c;d,e.db", "file:x.db", ":memory:"} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), name)
			putSite(t, open(t, path, sqlite.Options{Create: true}), knoll())
			assert.FileExists(t, path)
			s := open(t, path, sqlite.Options{})
			_, err := s.Site(t.Context(), "KB")
			assert.NoError(t, err)
		})
	}
}

func TestReadOnly(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "atlas.db")
	w, err := sqlite.Open(t.Context(), path, sqlite.Options{Create: true})
	require.NoError(t, err)
	putSite(t, w, knoll())

	check := func(t *testing.T) {
		t.Helper()
		r := open(t, path, sqlite.Options{ReadOnly: true})
		_, err := r.Site(t.Context(), "KB")
		require.NoError(t, err)
		_, err = r.PutSite(t.Context(), knoll(), officer, anyRev)
		assert.ErrorIs(t, err, survey.ErrReadOnly)
		assert.ErrorIs(t, r.DeleteSite(t.Context(), "x", officer, anyRev), survey.ErrReadOnly)
		assert.ErrorIs(t, r.ImportAll(t.Context(), nil, nil, officer), survey.ErrReadOnly)
	}
	t.Run("beside a writer", func(t *testing.T) {
		check(t)
		r := open(t, path, sqlite.Options{ReadOnly: true})
		more := knoll()
		more.Code = "KC"
		putSite(t, w, more)
		_, err := r.Site(t.Context(), "KC")
		assert.NoError(t, err, "a reader sees what was written after it opened")
	})
	require.NoError(t, w.Close())
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	t.Run("alone", check)
	t.Run("a file marked read-only", func(t *testing.T) {
		require.NoError(t, os.Chmod(path, 0o444))
		check(t)
	})
	t.Run("in a folder marked read-only", func(t *testing.T) {
		require.NoError(t, os.Chmod(dir, 0o555))
		t.Cleanup(func() { _ = os.Chmod(dir, 0o755) })
		check(t)
	})
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after), "reading leaves the file byte for byte")
}

// A reader of a medium that cannot be written must not miss what is still in
// the log beside the file.
func TestReadOnlyCopyWithLog(t *testing.T) {
	dir, away := t.TempDir(), t.TempDir()
	w := open(t, filepath.Join(dir, "atlas.db"), sqlite.Options{Create: true})
	putSite(t, w, knoll())
	for _, name := range []string{"atlas.db", "atlas.db-wal"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		require.NoError(t, err)
		require.NotEmpty(t, b)
		require.NoError(t, os.WriteFile(filepath.Join(away, name), b, 0o444))
	}
	r := open(t, filepath.Join(away, "atlas.db"), sqlite.Options{ReadOnly: true})
	_, err := r.Site(t.Context(), "KB")
	assert.NoError(t, err)
}

func TestMigrations(t *testing.T) {
	path := filepath.Join(t.TempDir(), "old.db")
	first, err := os.ReadFile("migration/0001_survey.sql")
	require.NoError(t, err)
	steps, err := os.ReadDir("migration")
	require.NoError(t, err)
	database(t, path, string(first), `PRAGMA application_id = 0x484f4c44`, `PRAGMA user_version = 1`,
		`INSERT INTO meta VALUES (1, 'an-old-atlas', '2020-01-01T00:00:00.000000Z')`)

	_, err = sqlite.Open(t.Context(), path, sqlite.Options{ReadOnly: true})
	require.ErrorIs(t, err, survey.ErrReadOnly)
	assert.ErrorContains(t, err, "older version")

	for range 2 { // upgrading is done once
		s := open(t, path, sqlite.Options{Policy: defaultPolicy(t)})
		id, err := s.ID(t.Context())
		require.NoError(t, err)
		assert.Equal(t, "an-old-atlas", id, "an upgrade keeps what is there")
		_, err = s.Layers(t.Context())
		assert.NoError(t, err, "layers came with format 2")
		_, err = s.Policy(t.Context())
		assert.ErrorIs(t, err, survey.ErrNotFound, "only a new atlas gets the first policy")
		_, read := s.Pools()
		var version, application int
		require.NoError(t, read.QueryRow(`SELECT user_version, application_id FROM pragma_user_version, pragma_application_id`).Scan(&version, &application))
		assert.Equal(t, len(steps), version)
		assert.Equal(t, "HOLD", string([]byte{byte(application >> 24), byte(application >> 16), byte(application >> 8), byte(application)}))
		require.NoError(t, s.Close())
	}
}

func TestCreate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "atlas.db")
	bad := defaultPolicy(t)
	bad.LoadCases = nil
	_, err := sqlite.Open(t.Context(), path, sqlite.Options{Create: true, Policy: bad})
	require.ErrorIs(t, err, survey.ErrInvalid)
	assert.NoFileExists(t, path, "a policy that cannot be stored makes no atlas")

	s := open(t, path, sqlite.Options{Create: true, Policy: defaultPolicy(t)})
	p, err := s.Policy(t.Context())
	require.NoError(t, err)
	assert.Equal(t, defaultPolicy(t), p)
	id, err := s.ID(t.Context())
	require.NoError(t, err)
	require.NoError(t, s.Close())
	s = open(t, path, sqlite.Options{Create: true})
	again, err := s.ID(t.Context())
	require.NoError(t, err)
	assert.Equal(t, id, again, "Create opens an atlas that exists")
}
