package server_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestLeftoversAreSweptAway: what a server that crashed left behind goes, what
// another may still use and what is not ours stays.
func TestLeftoversAreSweptAway(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	for name, age := range map[string]time.Duration{
		"holdfast-incoming-1": 8 * 24 * time.Hour, "holdfast-incoming-2": 24 * time.Hour,
		"holdfast-demo-1": 8 * 24 * time.Hour, "incoming-1": 8 * 24 * time.Hour,
	} {
		path := filepath.Join(dir, name)
		require.NoError(t, os.Mkdir(path, 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(path, "sent"), []byte("a file"), 0o600))
		require.NoError(t, os.Chtimes(path, now.Add(-age), now.Add(-age)))
	}
	s, _ := fixture(t)
	var left []string
	all, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, f := range all {
		left = append(left, f.Name())
	}
	assert.Equal(t, []string{"holdfast-demo-1", "holdfast-incoming-2", "incoming-1"}, left)
	require.NoError(t, s.Close())
}
