package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"runtime"
	"sync/atomic"
	"time"

	"github.com/mattn/go-sqlite3" // the database/sql driver "sqlite3" too

	"holdfast/survey"
)

// Options says how an atlas is opened.
type Options struct {
	// ReadOnly opens without ever writing to the file.
	ReadOnly bool
	// Create makes a new atlas where there is no file yet.
	Create bool
	// Policy is what a newly created atlas starts with; an empty one sets none.
	Policy survey.Policy
	// Now is the clock; nil is time.Now. It is read once per transaction.
	Now func() time.Time
}

// Author is who makes a change, and from which device. Who is required.
type Author struct {
	Who    string
	Device string
}

// Row is a stored item with the number of the revision that made it what it
// is. Numbers count the changes of the whole atlas, so they only grow.
type Row[T any] struct {
	Item      T
	Revision  int64
	UpdatedAt time.Time // UTC
	UpdatedBy string
}

// UpdatedKey is what the row stands by in the order of the last changes, for
// Filter.AfterKey.
func (r Row[T]) UpdatedKey() string { return r.UpdatedAt.UTC().Format(timeFormat) }

// Store is an open atlas. It is safe for use by many goroutines.
type Store struct {
	path  string
	write *sql.DB // one connection: writers of this process queue here, not in SQLite; nil when read-only
	read  *sql.DB
	now   func() time.Time

	failing atomic.Pointer[error]              // of the disk, at the last write
	policy  atomic.Pointer[Row[survey.Policy]] // read last; see PolicyInForce
}

// busyTimeout is how long a writer waits for another program's turn to end.
const busyTimeout = 10 * time.Second

// Open opens the atlas in the file at path. A file that is not an atlas of
// this version of the program, or an older one that can be upgraded, is
// refused and left as it is. The error then says in one sentence what the file
// is instead and wraps survey.ErrInvalid, survey.ErrNotFound or
// survey.ErrReadOnly.
func Open(ctx context.Context, path string, o Options) (*Store, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("open atlas: %w", err)
	}
	if real, err := filepath.EvalSymlinks(abs); err == nil {
		abs = real // SQLite keeps its log beside the file a link leads to
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Create && o.Policy.Version != "" {
		if err := o.Policy.Validate(); err != nil {
			return nil, fmt.Errorf("create atlas: first policy: %w", err)
		}
	}
	s := &Store{path: abs, now: o.Now}
	mode, err := inspect(ctx, path, abs, o)
	if err != nil {
		return nil, err
	}
	if !o.ReadOnly {
		if s.write, err = open(abs, url.Values{"mode": {mode}, "_txlock": {"immediate"}, "_journal_mode": {"WAL"}, "_cache_size": {"-65536"}}, 1); err != nil {
			return nil, explain("open atlas", err)
		}
		if err := s.prepare(ctx, o); err != nil {
			return nil, errors.Join(explain("open atlas", err), s.Close())
		}
		mode = "rw"
	}
	readers := url.Values{"mode": {mode}, "_query_only": {"1"}}
	if mode == immutable {
		readers = url.Values{"mode": {"ro"}, "immutable": {"1"}, "_query_only": {"1"}}
	}
	if s.read, err = open(abs, readers, max(4, runtime.NumCPU())); err != nil {
		return nil, errors.Join(explain("open atlas", err), s.Close())
	}
	return s, nil
}

// open makes a pool. Every setting is in the data source name, because a
// PRAGMA sent to a pool reaches only one of its connections.
func open(abs string, params url.Values, conns int) (*sql.DB, error) {
	params.Set("_foreign_keys", "1")
	if !params.Has("_busy_timeout") {
		params.Set("_busy_timeout", fmt.Sprint(busyTimeout.Milliseconds()))
	}
	params.Set("_synchronous", "FULL")
	params.Set("_stmt_cache_size", "64")
	file := url.URL{Path: filepath.ToSlash(abs)}
	db, err := sql.Open("sqlite3", "file:"+file.EscapedPath()+"?"+params.Encode())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(conns)
	return db, nil
}

// patiently connects by do, which it repeats for busyTimeout at the most while
// the atlas is busy. SQLite does not wait by itself when two programs give a
// new file its write-ahead log in the same moment: each has a read lock that
// the other waits for, so one of them is told at once to let go
// (www.sqlite.org/c3ref/busy_handler.html, on deadlock).
func patiently(ctx context.Context, do func() error) error {
	ctx, cancel := context.WithTimeout(ctx, busyTimeout)
	defer cancel()
	for {
		err := do()
		if cause, ok := errors.AsType[sqlite3.Error](err); !ok || cause.Code != sqlite3.ErrBusy {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// Path is the file of the atlas.
func (s *Store) Path() string { return s.path }

// Close closes the atlas.
func (s *Store) Close() error {
	var errs []error
	for _, db := range []*sql.DB{s.read, s.write} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(errs...)
}

// tx is a write in progress: its author and the one time it happens at.
type tx struct {
	*sql.Tx
	author Author
	now    time.Time

	wrote   bool   // a revision
	detail  []byte // for the log, JSON; nil for none
	settles bool   // revisions settle what versions made apart did not agree on
	linked  bool   // last and link are read
	last    int64  // number of the last revision
	link    Hash   // and its link in the chain
}

// change runs do as one transaction: all of it is kept, or none. When it wrote
// a revision or told of something, the log gets an entry under the verb.
func (s *Store) change(ctx context.Context, verb string, a Author, do func(*tx) error) error {
	wrote, err := s.commit(ctx, verb, a, do)
	s.disk(wrote, err)
	return err
}

// commit is change, and tells whether anything was written.
func (s *Store) commit(ctx context.Context, verb string, a Author, do func(*tx) error) (wrote bool, err error) {
	if s.write == nil {
		return false, refuse(survey.ErrReadOnly, nil, "the atlas is open for reading only")
	}
	if a.Who == "" {
		return false, survey.Invalid("", "a change needs the name of who makes it")
	}
	t, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return false, explain(verb, err)
	}
	defer t.Rollback() //nolint:errcheck // after a commit there is nothing to roll back
	x := &tx{Tx: t, author: a, now: s.now().UTC().Truncate(time.Microsecond)}
	if err := do(x); err != nil {
		return false, explain(verb, err)
	}
	if err := x.account(ctx, verb); err != nil {
		return false, explain(verb, err)
	}
	return x.wrote || x.detail != nil, explain(verb, t.Commit())
}

// timeFormat has a fixed width, so that text order is time order.
const timeFormat = "2006-01-02T15:04:05.000000Z"

func (t *tx) stamp() string { return t.now.Format(timeFormat) }

// moment reads a time column.
type moment struct{ time.Time }

func (m *moment) Scan(v any) error {
	s, ok := v.(string)
	if !ok {
		return fmt.Errorf("read time: found a %T", v)
	}
	t, err := time.Parse(timeFormat, s)
	if err != nil {
		return fmt.Errorf("read time: %w", err)
	}
	m.Time = t.UTC()
	return nil
}
