//go:build unix

package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const serveEnv = "HOLDFAST_TEST_SERVE"

// TestServeChild is the server of TestStoppedUnderLoad, in a process of its
// own that takes signals as the command does.
func TestServeChild(t *testing.T) {
	path := os.Getenv(serveEnv)
	if path == "" {
		t.Skip("it is only run by another test")
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, []string{"serve", "--atlas", path, "--listen", "127.0.0.1:0"}, os.Stdin, os.Stdout, os.Stderr))
}

// A server that is told to stop while many write ends what it has begun and
// stops by itself: every write it acknowledged is there.
func TestStoppedUnderLoad(t *testing.T) {
	path := filepath.Join(t.TempDir(), "atlas.db")
	store, err := sqlite.Open(t.Context(), path, sqlite.Options{Create: true})
	require.NoError(t, err)
	_, err = store.PutSite(t.Context(), survey.Site{ID: "kb", Name: "Kiln Bend", Code: "KB", Geometry: orb.Point{-91.2, 44.65}}, author(), survey.Known[int64](0))
	require.NoError(t, err)
	require.NoError(t, store.Close())

	exe, err := os.Executable()
	require.NoError(t, err)
	child := exec.Command(exe, "-test.run", "^TestServeChild$")
	child.Env = append(os.Environ(), serveEnv+"="+path)
	var complaints strings.Builder
	child.Stderr = &complaints
	out, err := child.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, child.Start())
	address, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err, &complaints)
	address = strings.TrimSuffix(strings.TrimSpace(address), "/")

	var mu sync.Mutex
	acknowledged := map[string]bool{}
	var wg sync.WaitGroup
	for w := range 6 {
		wg.Go(func() {
			for i := 0; ; i++ {
				id := fmt.Sprintf("w%d-%d", w, i)
				if !put(address, id) {
					return
				}
				mu.Lock()
				acknowledged[id] = true
				mu.Unlock()
			}
		})
	}
	require.Eventually(t, func() bool { mu.Lock(); defer mu.Unlock(); return len(acknowledged) > 50 }, time.Minute, 5*time.Millisecond)
	require.NoError(t, child.Process.Signal(syscall.SIGTERM))
	wg.Wait()
	assert.NoError(t, child.Wait(), "it stops of its own accord: %s", &complaints)

	r, err := sqlite.Check(t.Context(), path, nil)
	require.NoError(t, err)
	assert.Empty(t, r.Findings)
	store, err = sqlite.Open(t.Context(), path, sqlite.Options{})
	require.NoError(t, err)
	defer store.Close()
	for id := range acknowledged {
		_, err := store.Point(t.Context(), id)
		require.NoError(t, err, "it was acknowledged")
	}
}

// put saves a point and tells whether that was acknowledged.
func put(address, id string) bool {
	body := `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"site":"kb","label":"` + id + `"}}`
	r, err := http.NewRequest(http.MethodPut, address+"/api/collections/points/items/"+id, strings.NewReader(body))
	if err != nil {
		return false
	}
	r.Header.Set("Content-Type", "application/geo+json")
	r.Header.Set("If-None-Match", "*")
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		return false
	}
	_, err = io.Copy(io.Discard, res.Body)
	_ = res.Body.Close() // read to its end
	return err == nil && res.StatusCode == http.StatusCreated
}
