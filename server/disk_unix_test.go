//go:build unix

package server_test

import (
	"fmt"
	"net/http"
	"net/url"
	"os/signal"
	"sync"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey/sqlite"
)

// noRoom has the system refuse every write to a file by this process, whoever
// runs it, as a full disk or a quota does, until again is called.
func noRoom(t *testing.T) (again func()) {
	t.Helper()
	signal.Ignore(syscall.SIGXFSZ)
	var was syscall.Rlimit
	require.NoError(t, syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was))
	require.NoError(t, syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 0, Max: was.Max}))
	again = sync.OnceFunc(func() {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
			panic(err)
		}
		signal.Reset(syscall.SIGXFSZ)
	})
	t.Cleanup(again)
	return again
}

// TestDiskStopsTakingWrites while the server runs: it goes on being read, says
// to whom it concerns what to do, loses nothing that it acknowledged, and goes
// on when the disk does.
func TestDiskStopsTakingWrites(t *testing.T) {
	d := newDepartment(t)
	lead, surveyor := d.key(t, "lead"), d.key(t, "surveyor")
	put := func(i int) *http.Response {
		body := fmt.Sprintf(`{"type": "Feature", "geometry": {"type": "Point", "coordinates": [-91.2045, 44.6513]}, "properties": {"site": "s-alder", "label": "N%d"}}`, i)
		return call(t, d, http.MethodPut, fmt.Sprintf("/api/collections/points/items/n-%d", i), body, "Content-Type: application/geo+json", surveyor, "If-None-Match: *")
	}
	reads := []string{"/", "/sites/s-alder", "/sites/s-alder/sheet", "/sites/s-alder/sheet.pdf", "/points/p-good", "/upkeep", "/ratings", "/layers", "/api/collections/points/items?limit=5", "/api/near?lon=-91.2045&lat=44.6513&rope_m=60", "/sites/s-alder/revisions"}
	var codes []int
	var says []string
	acknowledged := map[int]bool{}
	write := func(i int) (code int, body string, res *http.Response) {
		res = put(i)
		body = bodyOf(t, res)
		if res.StatusCode < 300 {
			acknowledged[i] = true
		}
		return res.StatusCode, body, res
	}
	for i := range 5 {
		code, body, _ := write(i)
		require.Equal(t, http.StatusCreated, code, body)
	}
	require.Equal(t, "ready\n", bodyOf(t, call(t, d, http.MethodGet, "/readyz", "")))

	again := noRoom(t) // nothing is written to a file now, the test's own words included
	for i := 5; i < 8; i++ {
		code, body, res := write(i)
		codes, says = append(codes, code), append(says, body+res.Header.Get("Retry-After"))
	}
	signIn := send(t, d, "/sign-in", credentials("The lead", phrase))
	signBody := bodyOf(t, signIn)
	form := bodyOf(t, send(t, d, "/sites/s-alder/review", url.Values{"by": {"The lead"}}, lead))
	ready := bodyOf(t, call(t, d, http.MethodGet, "/readyz", ""))
	alive := call(t, d, http.MethodGet, "/healthz", "").StatusCode
	read := map[string]int{}
	for _, path := range reads {
		read[path] = call(t, d, http.MethodGet, path, "", lead).StatusCode
	}
	count := figures(t, d)
	again()

	assert.Equal(t, []int{http.StatusInsufficientStorage, http.StatusInsufficientStorage, http.StatusInsufficientStorage}, codes)
	for _, s := range says {
		assert.Contains(t, s, "full; nothing was saved. Reading goes on. Tell whoever looks after the server")
		assert.NotContains(t, s, "sqlite")
		assert.Regexp(t, `60$`, s)
	}
	assert.Equal(t, http.StatusInsufficientStorage, signIn.StatusCode)
	assert.Contains(t, signBody, "Reading goes on.")
	assert.NotEmpty(t, form)
	assert.Contains(t, ready, "ready to read only: write to the atlas: the disk")
	assert.Equal(t, http.StatusOK, alive)
	for path, code := range read {
		assert.Equal(t, http.StatusOK, code, path)
	}
	assert.Contains(t, count, "holdfast_writable 0")

	assert.Equal(t, "ready\n", bodyOf(t, call(t, d, http.MethodGet, "/readyz", "")), "it looks for itself")
	assert.Contains(t, figures(t, d), "holdfast_writable 1")
	for i := 5; i < 8; i++ {
		code, body, _ := write(i)
		assert.Equal(t, http.StatusCreated, code, body)
	}
	assert.Equal(t, http.StatusSeeOther, send(t, d, "/sign-in", credentials("The lead", phrase)).StatusCode)
	for i := range acknowledged {
		_, err := d.store.Point(t.Context(), fmt.Sprintf("n-%d", i))
		assert.NoError(t, err)
	}
	r, err := sqlite.Check(t.Context(), d.store.Path(), nil)
	require.NoError(t, err)
	assert.Empty(t, r.Findings)
}
