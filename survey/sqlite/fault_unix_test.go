//go:build unix

package sqlite_test

import (
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const limitEnv = "HOLDFAST_TEST_LIMIT"

// limited keeps the files of this process below a size, as a quota or a full
// disk would.
func limited() {
	most, err := strconv.ParseUint(os.Getenv(limitEnv), 10, 64)
	if err != nil {
		return
	}
	signal.Ignore(syscall.SIGXFSZ)
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: most, Max: most}); err != nil {
		panic(err)
	}
}

// A write that the system refuses half-way - the log or the file has reached
// what it may take - is an error and nothing else: what was acknowledged before
// is there, and the atlas is sound and takes writes again when there is room.
func TestNoRoom(t *testing.T) {
	for _, most := range []int{300_000, 900_000, 1_500_000, 2_500_000} {
		t.Run(strconv.Itoa(most), func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "atlas.db")
			cmd, out, complaints := writer(t, path, limitEnv+"="+strconv.Itoa(most))
			l := newLedger()
			l.note(said(out))
			require.Error(t, cmd.Wait())
			assert.NotContains(t, complaints.String(), "panic")
			assert.Contains(t, complaints.String(), "is full; nothing was saved")
			if most > 300_000 { // too little for the atlas to be made
				assert.NotZero(t, l.writes)
			}
			t.Logf("%d writes, then: %s", l.writes, complaints)
			l.holds(t, path)
		})
	}
}
