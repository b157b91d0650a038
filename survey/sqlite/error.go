package sqlite

import (
	"errors"
	"fmt"
	"slices"
	"syscall"

	"github.com/mattn/go-sqlite3"

	"holdfast/survey"
)

// The failures of the file itself.
var (
	ErrBusy    = errors.New("the atlas is busy")
	ErrFull    = errors.New("the disk is full")
	ErrDamaged = errors.New("the atlas is damaged")
	// ErrRefused: the disk, or who owns the file, takes no writes any more. It
	// is a survey.ErrReadOnly.
	ErrRefused = fmt.Errorf("the disk takes no writes: %w", survey.ErrReadOnly)
)

// StaleError says that an item is not at the revision the writer had seen.
// Current is its revision now, 0 when it does not exist or was deleted. It
// unwraps to survey.ErrStale.
type StaleError struct {
	Current int64
}

func (e *StaleError) Error() string {
	if e.Current == 0 {
		return "it is not there any more: someone else may have deleted it"
	}
	return fmt.Sprintf("it was changed meanwhile and is now at revision %d: look at that first", e.Current)
}

func (e *StaleError) Unwrap() error { return survey.ErrStale }

// refusal is an error in plain words; kind and cause are for errors.Is and As.
type refusal struct {
	words string
	kind  error
	cause error
}

func refuse(kind, cause error, format string, args ...any) error {
	return &refusal{words: fmt.Sprintf(format, args...), kind: kind, cause: cause}
}

func (r *refusal) Error() string { return r.words }

func (r *refusal) Unwrap() []error {
	if r.cause == nil {
		return []error{r.kind}
	}
	return []error{r.kind, r.cause}
}

// ofWriting are the failures of the disk that only a write meets.
var ofWriting = []sqlite3.ErrNoExtended{
	sqlite3.ErrIoErrWrite, sqlite3.ErrIoErrFsync, sqlite3.ErrIoErrDirFsync, sqlite3.ErrIoErrTruncate, sqlite3.ErrIoErrSHMSize, sqlite3.ErrIoErrSHMOpen,
}

// explain puts an error of the driver into plain words; others it passes on.
func explain(verb string, err error) error {
	if err == nil {
		return nil
	}
	cause, ok := errors.AsType[sqlite3.Error](err)
	if _, done := errors.AsType[*refusal](err); done || !ok {
		return err
	}
	switch cause.Code {
	case sqlite3.ErrIoErr:
		if errors.Is(cause.SystemErrno, syscall.ENOSPC) || errors.Is(cause.SystemErrno, syscall.EFBIG) || errors.Is(cause.SystemErrno, syscall.EDQUOT) {
			return refuse(ErrFull, err, "%s: the disk or the quota is full; nothing was saved", verb)
		}
		if errors.Is(cause.SystemErrno, syscall.EROFS) || slices.Contains(ofWriting, cause.ExtendedCode) {
			return refuse(ErrRefused, err, "%s: the disk takes no writes any more (%s); nothing was saved", verb, cause.SystemErrno)
		}
	case sqlite3.ErrFull:
		return refuse(ErrFull, err, "%s: the disk is full; nothing was saved", verb)
	case sqlite3.ErrReadonly, sqlite3.ErrPerm:
		return refuse(ErrRefused, err, "%s: the file may not be written", verb)
	case sqlite3.ErrBusy, sqlite3.ErrLocked:
		return refuse(ErrBusy, err, "%s: another program is writing to the atlas; try again in a moment", verb)
	case sqlite3.ErrCorrupt, sqlite3.ErrNotADB:
		return refuse(ErrDamaged, err, "%s: the file is damaged; restore a backup", verb)
	case sqlite3.ErrCantOpen:
		return refuse(ErrRefused, err, "%s: the file or its folder cannot be opened or written", verb)
	case sqlite3.ErrConstraint:
		return refuse(survey.ErrInvalid, err, "%s: the atlas refuses this value (%s)", verb, err)
	}
	return fmt.Errorf("%s: %w", verb, err)
}
