package sqlite_test

import (
	"errors"
	"syscall"
	"testing"

	"github.com/mattn/go-sqlite3"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// What the disk refuses is told apart from what is asked wrongly. source for
// the codes: www.sqlite.org/rescode.html; for the numbers errno(3).
func TestRefusalsOfTheDisk(t *testing.T) {
	for name, c := range map[string]struct {
		from error
		kind error
	}{
		"turned read-only under an open file": {sqlite3.Error{Code: sqlite3.ErrIoErr, ExtendedCode: sqlite3.ErrIoErrWrite, SystemErrno: syscall.EROFS}, sqlite.ErrRefused},
		"read-only when the log is made anew": {sqlite3.Error{Code: sqlite3.ErrCantOpen, SystemErrno: syscall.EROFS}, sqlite.ErrRefused},
		"a medium that fails while writing":   {sqlite3.Error{Code: sqlite3.ErrIoErr, ExtendedCode: sqlite3.ErrIoErrFsync, SystemErrno: syscall.EIO}, sqlite.ErrRefused},
		"the file belongs to somebody else":   {sqlite3.Error{Code: sqlite3.ErrReadonly}, sqlite.ErrRefused},
		"no room":                             {sqlite3.Error{Code: sqlite3.ErrFull}, sqlite.ErrFull},
		"a quota":                             {sqlite3.Error{Code: sqlite3.ErrIoErr, ExtendedCode: sqlite3.ErrIoErrWrite, SystemErrno: syscall.EDQUOT}, sqlite.ErrFull},
	} {
		t.Run(name, func(t *testing.T) {
			err := sqlite.Explain("save", c.from)
			require.ErrorIs(t, err, c.kind)
			assert.Equal(t, c.kind == sqlite.ErrRefused, errors.Is(err, survey.ErrReadOnly))
		})
	}
	assert.NotErrorIs(t, sqlite.Explain("read", sqlite3.Error{Code: sqlite3.ErrIoErr, ExtendedCode: sqlite3.ErrIoErrRead, SystemErrno: syscall.EIO}), sqlite.ErrRefused)
}
