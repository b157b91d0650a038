package sqlite_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const writerEnv = "HOLDFAST_TEST_WRITER"

// writeForever is the child of TestKilledWriter: it saves points and says
// which ones were acknowledged, until it is killed.
func writeForever(path string) {
	ctx := context.Background()
	s, err := sqlite.Open(ctx, path, sqlite.Options{Create: true})
	if err == nil {
		site := knoll()
		site.ID = "kb"
		_, err = s.PutSite(ctx, site, officer, anyRev)
	}
	for i := 0; err == nil; i++ {
		var row sqlite.Row[survey.Point]
		if row, err = s.PutPoint(ctx, stand("kb", fmt.Sprintf("P%d", i)), officer, anyRev); err == nil {
			fmt.Printf("%s %d\n", row.Item.ID, row.Revision) // one unbuffered write
		}
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// A process killed at any moment, even while it makes the atlas, loses no
// write it had acknowledged. (The page cache survives a kill; a power cut is
// what synchronous=FULL is for, see TestPragmas.)
func TestKilledWriter(t *testing.T) {
	const seed = 20261125
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	path := filepath.Join(t.TempDir(), "atlas.db")
	acknowledged := map[string]string{}
	for range 36 {
		for _, line := range killedAfter(t, path, time.Duration(rng.IntN(60_000))*time.Microsecond) {
			id, revision, _ := strings.Cut(line, " ")
			acknowledged[id] = revision
		}
	}
	require.NotEmpty(t, acknowledged)
	t.Logf("%d writes acknowledged over 36 kills", len(acknowledged))

	s := open(t, path, sqlite.Options{})
	rows, err := s.Points(t.Context(), sqlite.Filter{})
	require.NoError(t, err)
	stored := map[string]string{}
	for _, r := range rows {
		stored[r.Item.ID] = fmt.Sprint(r.Revision)
	}
	for id, revision := range acknowledged {
		require.Equal(t, revision, stored[id], "point %s was acknowledged", id)
	}
	_, read := s.Pools()
	var verdict string
	require.NoError(t, read.QueryRow(`PRAGMA integrity_check`).Scan(&verdict))
	assert.Equal(t, "ok", verdict)
	var unrevised, unboxed int
	require.NoError(t, read.QueryRow(`SELECT count(*) FROM points WHERE NOT EXISTS (
		SELECT 1 FROM revisions WHERE number = points.revision AND id = points.id AND after = points.body)`).Scan(&unrevised))
	require.NoError(t, read.QueryRow(`SELECT count(*) FROM points WHERE n NOT IN (SELECT n FROM points_box)`).Scan(&unboxed))
	assert.Zero(t, unrevised, "a point never stands without its revision")
	assert.Zero(t, unboxed, "nor without its box")
}

// killedAfter runs the writer and kills it so long after its first word, or
// after its start when it says none; it returns what was acknowledged.
func killedAfter(t *testing.T, path string, d time.Duration) []string {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), writerEnv+"="+path)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	timer := time.AfterFunc(d+30*time.Millisecond, func() { _ = cmd.Process.Kill() })
	defer timer.Stop()
	var lines []string
	in := bufio.NewReader(out)
	for {
		line, err := in.ReadString('\n')
		if err != nil { // a half-written line was not an acknowledgement
			break
		}
		lines = append(lines, strings.TrimSpace(line))
	}
	require.ErrorContains(t, cmd.Wait(), "killed", "the writer ends only by the kill: %s", &complaints)
	return lines
}
