package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func TestBackupCheckRestore(t *testing.T) {
	atlas := district(t)
	got := call(t, "", "check", "--atlas", atlas)
	require.Equal(t, exitDone, got.code, got.err)
	assert.Regexp(t, `^Sound: \d+ sites, \d+ points, \d+ layers, \d+ revisions\.\nLog entry \d+: [0-9a-f]{64}\n$`, got.out)
	assert.Empty(t, got.err, "quiet in a pipe")

	folder := t.TempDir()
	got = call(t, "", "backup", folder, "--atlas", atlas)
	require.Equal(t, exitDone, got.code, got.err)
	backup := strings.TrimSpace(got.out)
	assert.FileExists(t, backup)
	assert.Equal(t, folder, filepath.Dir(backup))
	call(t, "", "backup", backup, "--atlas", atlas).sentence(t, exitFailed, "there is a file")

	restored := filepath.Join(t.TempDir(), "restored.db")
	got = call(t, "", "restore", backup, "--atlas", restored, "--json")
	require.Equal(t, exitDone, got.code, got.err)
	var said struct {
		File  string
		Sites int
	}
	require.NoError(t, json.Unmarshal([]byte(got.out), &said))
	assert.Equal(t, restored, said.File)
	assert.NotZero(t, said.Sites)
	call(t, "", "restore", backup, "--atlas", restored).sentence(t, exitFailed, "to be replaced")
	got = call(t, "", "restore", backup, "--atlas", restored, "--replace")
	require.Equal(t, exitDone, got.code, got.err)
	assert.Contains(t, got.err, restored+".before-")
	assert.Contains(t, got.err, "everybody signs in anew")

	text, err := os.ReadFile(restored)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(restored, text[:len(text)/2], 0o600))
	got = call(t, "", "check", "--atlas", restored)
	assert.Equal(t, exitFailed, got.code)
	assert.Contains(t, got.out, "NOT SOUND")
	assert.Contains(t, got.out, "restore the last backup")
	call(t, "", "check", "--atlas", filepath.Join(folder, "none.db")).sentence(t, exitFailed, "there is no atlas")
}

// A new laptop is made from headquarters, both are edited, and a stick brings
// them together.
func TestSync(t *testing.T) {
	hq, laptop := district(t), filepath.Join(t.TempDir(), "laptop.db")
	got := call(t, "", "sync", hq, "--atlas", laptop)
	require.Equal(t, exitDone, got.code, got.err)
	assert.Contains(t, got.out, "No conflict is open.")
	before := call(t, "", "policy", "show", "--atlas", hq)
	assert.Equal(t, before.out, call(t, "", "policy", "show", "--atlas", laptop).out, "the policy comes along")

	id := ""
	for i, path := range []string{hq, laptop} {
		s, err := sqlite.Open(t.Context(), path, sqlite.Options{})
		require.NoError(t, err)
		rows, err := s.Points(t.Context(), sqlite.Filter{Limit: 1})
		require.NoError(t, err)
		p := rows[0].Item
		id = p.ID
		p.Terrain.SlopeDeg = survey.Known(float64(50 + i))
		_, err = s.PutPoint(t.Context(), p, author(), survey.Known(rows[0].Revision))
		require.NoError(t, err)
		name := []string{"North weir", "South weir"}[i]
		_, err = s.PutSite(t.Context(), survey.Site{ID: name[:5], Name: name, Code: "WR-1", Geometry: p.Position}, author(), survey.Opt[int64]{})
		require.NoError(t, err)
		require.NoError(t, s.Close())
	}
	stick := filepath.Join(t.TempDir(), "stick.db")
	for _, path := range []string{hq, laptop, hq} {
		got = call(t, "", "sync", stick, "--atlas", path)
		require.Equal(t, exitDone, got.code, got.err)
	}
	assert.Contains(t, got.out, "Open conflicts: 1.")
	assert.Contains(t, got.out, "terrain.slope_deg")
	assert.Contains(t, got.out, "The code WR-1 is that of North weir (North) and South weir (South): give all but one another code.")
	got = call(t, "", "sync", stick, "--atlas", laptop, "--json")
	var said struct{ Conflicts []sqlite.Conflict }
	require.NoError(t, json.Unmarshal([]byte(got.out), &said))
	require.Len(t, said.Conflicts, 1)
	assert.Equal(t, id, said.Conflicts[0].ID)

	call(t, "", "sync", laptop, "--atlas", laptop).sentence(t, exitUsage, "is the atlas itself")
	call(t, "", "sync", "http://", "--atlas", laptop).sentence(t, exitUsage, "is no address")
	call(t, "", "sync", filepath.Join(t.TempDir(), "x.db"), "--atlas", filepath.Join(t.TempDir(), "y.db")).sentence(t, exitFailed, "neither")
}

// What the policy keeps for some time goes when that is over and somebody says
// so, and not before.
func TestPrune(t *testing.T) {
	path := district(t)
	got := call(t, "", "prune", "--atlas", path)
	require.Equal(t, exitDone, got.code, got.err)
	assert.Contains(t, got.out, "the policy keeps everything")

	s, err := sqlite.Open(t.Context(), path, sqlite.Options{Now: func() time.Time { return time.Now().AddDate(-3, 0, 0) }})
	require.NoError(t, err)
	p, err := s.Policy(t.Context())
	require.NoError(t, err)
	p.Version, p.Keep = "kept-2", []survey.Keeping{{Of: survey.KeptVisits, Months: 12, Source: "department"}}
	require.NoError(t, s.SetPolicy(t.Context(), p, author()))
	require.NoError(t, s.Note(t.Context(), sqlite.Event{What: "sign-in refused", Detail: map[string]string{"from": "192.0.2.7"}}, author()))
	require.NoError(t, s.Close())

	for _, c := range []struct {
		verb []string
		says string
	}{
		{[]string{"prune", "--dry-run"}, "entries of the log: 1, the last of"},
		{[]string{"prune", "--dry-run"}, "Nothing was removed."},
		{[]string{"prune"}, "entries of the log: 1, the last of"},
		{[]string{"prune"}, "Nothing is older than the policy keeps it."},
		{[]string{"prune", "--json"}, "[]"},
		{[]string{"check"}, "Sound:"},
	} {
		got := call(t, "", append(c.verb, "--atlas", path)...)
		assert.Equal(t, exitDone, got.code, got.err)
		assert.Contains(t, got.out, c.says, c.verb)
	}
}
