package survey

import (
	"errors"
	"fmt"
	"strings"
)

// The kinds of failure a caller can act on. Errors of this module wrap one of
// them, or none when the failure is internal.
var (
	ErrInvalid   = errors.New("invalid")
	ErrNotFound  = errors.New("not found")
	ErrConflict  = errors.New("conflict")
	ErrStale     = errors.New("changed by someone else")
	ErrForbidden = errors.New("not allowed")
	ErrReadOnly  = errors.New("read-only")
)

// Problem is one thing wrong with an input: where (a JSON Pointer, RFC 6901,
// into the Feature or document) and, in plain words, what to do about it.
type Problem struct {
	Pointer string      `json:"pointer"`
	Message string      `json:"message"`
	Within  *[2]float64 `json:"-"` // what a figure must lie between, in the field's own unit; nil when that is not what is wrong
}

func (p Problem) String() string {
	if p.Pointer == "" {
		return p.Message
	}
	return p.Pointer + ": " + p.Message
}

// InvalidError lists everything wrong with one input. It unwraps to ErrInvalid.
type InvalidError struct {
	Problems []Problem
}

func (e *InvalidError) Error() string {
	s := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		s[i] = p.String()
	}
	return strings.Join(s, "; ")
}

func (e *InvalidError) Unwrap() error { return ErrInvalid }

// Invalid returns an InvalidError with a single problem.
func Invalid(pointer, format string, args ...any) error {
	return &InvalidError{Problems: []Problem{{Pointer: pointer, Message: fmt.Sprintf(format, args...)}}}
}

// NotFound says that no item of that kind has that id.
func NotFound(kind, id string) error {
	return fmt.Errorf("there is no %s %q: %w", kind, id, ErrNotFound)
}
