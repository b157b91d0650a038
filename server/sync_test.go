package server_test

import (
	"bufio"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
)

// TestWhoDoesNotReadHoldsNothing: however many ask for a large layer and do not
// read it, the others are served.
func TestWhoDoesNotReadHoldsNothing(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	s, store := fixture(t)
	s.SetQueueWait(20 * time.Millisecond)
	large := strings.Repeat("231 232\n", 3<<20) // more than two ends of a connection keep
	covers := orb.Polygon{{{-91.3, 44.6}, {-91.1, 44.6}, {-91.1, 44.8}, {-91.3, 44.6}}}
	l, err := store.AddRaster(t.Context(), survey.Layer{ID: "ground", Title: "Ground", Role: survey.RoleElevation}, covers, strings.NewReader(large), author)
	require.NoError(t, err)
	web := httptest.NewServer(s)
	defer web.Close()
	codes := map[string]int{}
	var open []net.Conn
	for range max(4, runtime.NumCPU()) + 2 { // more than the atlas has readers
		c, err := net.Dial("tcp", web.Listener.Addr().String())
		require.NoError(t, err)
		open = append(open, c)
		require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second))) // else a failure would hang
		_, err = fmt.Fprintf(c, "GET /api/sync/contents/layer/ground/%s HTTP/1.1\r\nHost: localhost\r\n\r\n", l.SHA256)
		require.NoError(t, err)
		line, err := bufio.NewReaderSize(c, 16).ReadString('\n')
		require.NoError(t, err, "answered at once, whatever the answer")
		codes[strings.TrimSpace(line[9:])]++
	}
	assert.Equal(t, 2, codes["200 OK"])
	assert.Equal(t, len(open)-2, codes["503 Service Unavailable"])
	for _, path := range []string{"/readyz", "/api/collections/points/items/p-good"} {
		assert.Equal(t, http.StatusOK, call(t, s, http.MethodGet, path, "").StatusCode, path)
	}
	for _, c := range open {
		assert.NoError(t, c.Close())
	}
	require.Eventually(t, func() bool { return s.AtWork() == 0 }, 20*time.Second, time.Millisecond)
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	assert.Empty(t, left)
}
