package sqlite_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const writerEnv = "HOLDFAST_TEST_WRITER"

// begun is what a writer says before it opens the atlas: how long a process
// takes to start is nothing of the atlas.
const begun = "begun"

// batchSize is how many points one import of the writer has.
const batchSize = 25

// writeForever is the child of the tests of faults: it changes an atlas in
// every way and says what was acknowledged, until it is killed or refused.
func writeForever(path string) {
	ctx := context.Background()
	fmt.Println(begun)
	s, err := sqlite.Open(ctx, path, sqlite.Options{Create: true})
	if err == nil && os.Getenv(loaderEnv) != "" {
		err = loadForever(ctx, s)
	}
	if err == nil {
		site := knoll()
		site.ID = "kb"
		_, err = s.PutSite(ctx, site, officer, anyRev)
	}
	say := func(format string, args ...any) { // one unbuffered write
		if err == nil {
			fmt.Printf(format+"\n", args...)
		}
	}
	var row sqlite.Row[survey.Point]
	for i := 0; err == nil; i++ {
		switch {
		case i%7 == 3:
			key := fmt.Sprintf("%d-%d", os.Getpid(), i)
			points := make([]survey.Point, batchSize)
			for k := range points {
				points[k] = stand("kb", fmt.Sprint("B", k))
				points[k].SurveyedBy = key
			}
			err = s.ImportAll(ctx, nil, points, officer)
			say("import %s", key)
		case i%11 == 5:
			err = s.DeletePoint(ctx, row.Item.ID, officer, anyRev)
			say("delete %s", row.Item.ID)
		case i%13 == 8:
			var l survey.Layer
			l, err = s.AddLayer(ctx, gas(), sequence(awkward()...), officer)
			say("layer %s", l.SHA256)
		default:
			if row, err = s.PutPoint(ctx, stand("kb", fmt.Sprint("P", i)), officer, anyRev); err == nil {
				say("point %s %d", row.Item.ID, row.Revision)
			}
		}
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// ledger is what was acknowledged.
type ledger struct {
	mu      sync.Mutex
	points  map[string]string // revision by id
	deleted map[string]bool
	imports map[string]bool
	writes  int
}

func newLedger() *ledger {
	return &ledger{points: map[string]string{}, deleted: map[string]bool{}, imports: map[string]bool{}}
}

func (l *ledger) note(lines []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, line := range lines {
		l.writes++
		f := strings.Fields(line)
		switch f[0] {
		case "point":
			l.points[f[1]] = f[2]
		case "delete":
			l.deleted[f[1]] = true
		case "import":
			l.imports[f[1]] = true
		}
	}
}

// holds requires that an atlas has everything that was acknowledged, no half
// of anything, and is sound.
func (l *ledger) holds(t *testing.T, path string) {
	t.Helper()
	s, err := sqlite.Open(t.Context(), path, sqlite.Options{Create: true})
	require.NoError(t, err)
	defer s.Close()
	rows, err := s.Points(t.Context(), sqlite.Filter{})
	require.NoError(t, err)
	stored, batches := map[string]string{}, map[string]int{}
	for _, r := range rows {
		stored[r.Item.ID] = strconv.FormatInt(r.Revision, 10)
		if key := r.Item.SurveyedBy; key != "" {
			batches[key]++
		}
	}
	for id, revision := range l.points {
		if l.deleted[id] {
			require.NotContains(t, stored, id, "its deletion was acknowledged")
			continue
		}
		// The next deletion may have been made and not acknowledged any more.
		if got, ok := stored[id]; ok {
			require.Equal(t, revision, got, "point %s was acknowledged", id)
			continue
		}
		past, err := s.History(t.Context(), sqlite.Points, id)
		require.NoError(t, err)
		require.Len(t, past, 2, "point %s was acknowledged", id)
		require.Equal(t, sqlite.Delete, past[0].Verb)
	}
	for key := range l.imports {
		require.Equal(t, batchSize, batches[key], "import %s was acknowledged", key)
	}
	for key, n := range batches {
		require.Equal(t, batchSize, n, "half of import %s", key)
	}
	r, err := sqlite.Check(t.Context(), path, nil)
	require.NoError(t, err)
	require.Empty(t, r.Findings)
}

// Two processes at a time write to one atlas and are killed at any moment, even
// while they make it: no acknowledged write is lost and no half import is seen.
// (The page cache survives a kill; a power cut is what synchronous=FULL is for,
// see TestPragmas.)
func TestKilledWriters(t *testing.T) {
	const seed = 20261125
	rounds := 20
	if os.Getenv("CI") != "" {
		rounds = 350 // of two kills each
	}
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	l := newLedger()
	dir, atlases := t.TempDir(), 0
	path := ""
	for i := range rounds {
		if i%25 == 0 { // a new atlas, so that its making is interrupted too
			if path != "" {
				l.holds(t, path)
				require.NotZero(t, l.writes)
			}
			atlases++
			path, l = filepath.Join(dir, fmt.Sprintf("%d.db", atlases)), newLedger()
		}
		var wg sync.WaitGroup
		for range 2 {
			after := time.Duration(rng.IntN(75_000)) * time.Microsecond
			wg.Go(func() { l.note(killedAfter(t, path, after)) })
		}
		wg.Wait()
		if i%5 == 4 {
			l.holds(t, path)
		}
	}
	l.holds(t, path)
	t.Logf("%d kills, the last atlas acknowledged %d writes", 2*rounds, l.writes)
}

// killedAfter runs the writer and kills it so long after it began; it returns
// what was acknowledged.
func killedAfter(t *testing.T, path string, d time.Duration) []string {
	cmd, out, complaints := writer(t, path)
	timer := time.AfterFunc(d, func() { _ = cmd.Process.Kill() })
	defer timer.Stop()
	lines := said(out)
	assert.ErrorContains(t, cmd.Wait(), "killed", "the writer ends only by the kill: %s", complaints)
	return lines
}

// writer starts the writer and returns when it goes to work.
func writer(t *testing.T, path string, env ...string) (*exec.Cmd, *bufio.Reader, *strings.Builder) {
	exe, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(exe)
	cmd.Env = append(append(os.Environ(), writerEnv+"="+path), env...)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	in := bufio.NewReader(out)
	line, err := in.ReadString('\n')
	assert.NoError(t, err)
	assert.Equal(t, begun+"\n", line)
	return cmd, in, &complaints
}

// said reads lines until there are no more; a half-written one was no
// acknowledgement.
func said(in *bufio.Reader) []string {
	var lines []string
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return lines
		}
		lines = append(lines, strings.TrimSpace(line))
	}
}
