package sqlite

import (
	"context"
	"errors"
	"time"
)

// disk remembers whether the disk took the last write.
func (s *Store) disk(wrote bool, err error) {
	switch {
	case errors.Is(err, ErrFull), errors.Is(err, ErrRefused):
		s.failing.Store(&err)
	case wrote && err == nil:
		s.failing.Store(nil)
	}
}

// Failing is why the disk did not take the last write; nil when it did. What
// is stored is read nevertheless.
func (s *Store) Failing() error {
	if err := s.failing.Load(); err != nil {
		return *err
	}
	return nil
}

// Retry writes something and takes it back, when the last write failed, to see
// whether the disk takes writes again.
func (s *Store) Retry(ctx context.Context) error {
	if s.Failing() == nil || s.write == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	s.disk(true, explain("write to the atlas", s.rewrite(ctx)))
	return s.Failing()
}

// rewrite has a page written with what it holds: a single statement that
// changes no value would write none.
func (s *Store) rewrite(ctx context.Context) error {
	t, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer t.Rollback() //nolint:errcheck // after a commit there is nothing to roll back
	for _, statement := range []string{`UPDATE meta SET atlas = atlas || ' '`, `UPDATE meta SET atlas = rtrim(atlas)`} {
		if _, err := t.ExecContext(ctx, statement); err != nil {
			return err
		}
	}
	return t.Commit()
}
