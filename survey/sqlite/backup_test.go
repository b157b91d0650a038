package sqlite_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

// files lists a folder, so that a test sees what was left lying about.
func files(t *testing.T, dir string) []string {
	t.Helper()
	list, err := os.ReadDir(dir)
	require.NoError(t, err)
	var out []string
	for _, f := range list {
		out = append(out, f.Name())
	}
	return out
}

// A backup taken while others write holds every write acknowledged before it
// began, and is sound.
func TestBackupWhileWriting(t *testing.T) {
	path := filepath.Join(t.TempDir(), "atlas.db")
	s := open(t, path, sqlite.Options{Create: true, Policy: defaultPolicy(t)})
	putSite(t, s, knoll())
	var acknowledged atomic.Int64
	stop, stopped := make(chan struct{}), make(chan error, 1)
	go func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				stopped <- nil
				return
			default:
			}
			if _, err := s.PutPoint(t.Context(), stand("KB", fmt.Sprint("P", i)), officer, anyRev); err != nil {
				stopped <- err
				return
			}
			acknowledged.Add(1)
		}
	}()
	dir := t.TempDir()
	for i := range 5 {
		before := acknowledged.Load()
		to := filepath.Join(dir, fmt.Sprintf("backup-%d.db", i))
		r, err := sqlite.Backup(t.Context(), path, to, nil)
		require.NoError(t, err)
		assert.GreaterOrEqual(t, int64(r.Points), before)
		b := open(t, to, sqlite.Options{ReadOnly: true})
		n, err := b.CountPoints(t.Context(), sqlite.Filter{})
		require.NoError(t, err)
		assert.Equal(t, r.Points, n)
	}
	close(stop)
	require.NoError(t, <-stopped)
	assert.Len(t, files(t, dir), 5, "nothing else is left in the folder")
	_, err := sqlite.Backup(t.Context(), path, filepath.Join(dir, "backup-1.db"), nil)
	require.ErrorIs(t, err, survey.ErrConflict)
}

func TestRestore(t *testing.T) {
	path := lived(t)
	dir := filepath.Dir(path)
	backup := filepath.Join(t.TempDir(), "backup.db")
	_, err := sqlite.Backup(t.Context(), path, backup, nil)
	require.NoError(t, err)
	s := open(t, path, sqlite.Options{})
	added := putPoint(t, s, stand("KB", "later"))

	_, err = sqlite.RestoreBackup(t.Context(), backup, path, false, officer, nil)
	require.ErrorIs(t, err, survey.ErrConflict)
	_, err = sqlite.RestoreBackup(t.Context(), backup, path, true, officer, nil)
	require.ErrorIs(t, err, sqlite.ErrBusy, "while a program has it open")
	assert.ErrorContains(t, err, "stop it first")
	require.NoError(t, s.Close())

	did, err := sqlite.RestoreBackup(t.Context(), backup, path, true, officer, nil)
	require.NoError(t, err)
	restored := open(t, path, sqlite.Options{})
	_, err = restored.Point(t.Context(), added.Item.ID)
	require.ErrorIs(t, err, survey.ErrNotFound)
	log, err := restored.Audit(t.Context(), 0, 1)
	require.NoError(t, err)
	assert.Equal(t, "restore", log[0].Event)
	aside := open(t, did.Aside, sqlite.Options{ReadOnly: true})
	_, err = aside.Point(t.Context(), added.Item.ID)
	require.NoError(t, err, "what was there is kept")
	assert.Empty(t, check(t, path).Findings)

	elsewhere := filepath.Join(t.TempDir(), "new.db")
	did, err = sqlite.RestoreBackup(t.Context(), unpack(t, 3), elsewhere, false, officer, nil)
	require.NoError(t, err, "a backup of an earlier format")
	assert.Empty(t, did.Aside)
	holdsWhatItHeld(t, open(t, elsewhere, sqlite.Options{}), 3)

	// One that is not sound is not put in place of one that may be.
	whole, err := os.ReadFile(backup)
	require.NoError(t, err)
	whole = bytes.ReplaceAll(whole, []byte(`"slope_deg":35`), []byte(`"slope_deg":55`))
	require.NoError(t, os.WriteFile(backup, whole, 0o644))
	target := filepath.Join(t.TempDir(), "target.db")
	_, err = sqlite.RestoreBackup(t.Context(), backup, target, false, officer, nil)
	unsound, ok := err.(*sqlite.UnsoundError)
	require.True(t, ok, "%v", err)
	assert.NotEmpty(t, unsound.Report.Findings)
	assert.NoFileExists(t, target)
	assert.Empty(t, files(t, filepath.Dir(target)))
	_, err = sqlite.RestoreBackup(t.Context(), filepath.Join(dir, "none.db"), target, false, officer, nil)
	require.ErrorIs(t, err, survey.ErrNotFound)
}

// What was ended since a backup was made stays ended when it is restored.
func TestRestoreSignsEverybodyOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "atlas.db")
	clock := sqlite.Options{Now: func() time.Time { return noon }}
	create := clock
	create.Create = true
	s := open(t, path, create)
	reed := admin(t, s)
	for _, kind := range []survey.KeyKind{survey.Session, survey.Device, survey.Station, survey.Token, survey.Link} {
		_, err := s.AddKey(t.Context(), key(reed, kind, "lost"), secret.Digest(string(kind)), officer)
		require.NoError(t, err)
	}
	backup := filepath.Join(t.TempDir(), "backup.db")
	_, err := sqlite.Backup(t.Context(), path, backup, nil)
	require.NoError(t, err)
	require.NoError(t, s.RemoveKeys(t.Context(), reed.ID, officer))

	elsewhere := filepath.Join(t.TempDir(), "restored.db")
	did, err := sqlite.RestoreBackup(t.Context(), backup, elsewhere, false, officer, nil)
	require.NoError(t, err)
	assert.Equal(t, 5, did.Keys)
	restored := open(t, elsewhere, clock)
	_, _, err = restored.Key(t.Context(), secret.Digest(string(survey.Token)))
	require.ErrorIs(t, err, survey.ErrNotFound)
	keys, err := restored.Keys(t.Context(), "")
	require.NoError(t, err)
	assert.Empty(t, keys)
	assert.Empty(t, check(t, elsewhere).Findings)
}
