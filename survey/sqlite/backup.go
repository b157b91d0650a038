package sqlite

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"github.com/mattn/go-sqlite3"

	"holdfast/survey"
)

// UnsoundError says that an atlas did not pass its check.
type UnsoundError struct {
	File   string
	Report Report
}

func (e *UnsoundError) Error() string {
	f := e.Report.Findings[0]
	text := fmt.Sprintf("%s is not sound: %s %s", e.File, f.Where, f.What)
	if n := len(e.Report.Findings) + e.Report.More; n > 1 {
		text += fmt.Sprintf(", and %d more", n-1)
	}
	return text
}

func (e *UnsoundError) Unwrap() error { return ErrDamaged }

// Progress is told how far a long piece of work is: so many bytes of about so
// many, or all 0 where that is not known.
type Progress func(step string, done, all int64)

// Backup writes the atlas at path, as it is at this moment, to a new file; it
// may be written to meanwhile. The file gets its name only when it is whole on
// the disk and has passed a check, so that what has the name is a backup. A
// file of that name is refused with survey.ErrConflict.
func Backup(ctx context.Context, path, to string, each Progress) (Report, error) {
	var r Report
	if _, err := os.Lstat(to); err == nil {
		return r, refuse(survey.ErrConflict, nil, "there is a file %q already: give the backup another name", to)
	}
	part, err := spare(to)
	if err != nil {
		return r, err
	}
	defer os.Remove(part) //nolint:errcheck // it is gone when all went well
	if err := copyInto(ctx, path, part, each); err != nil {
		return r, err
	}
	if r, err = sound(ctx, part, path, each); err != nil {
		return r, err
	}
	return r, place(part, to)
}

// spare makes an empty file beside the one that is to be.
func spare(to string) (string, error) {
	f, err := os.CreateTemp(filepath.Dir(to), ".holdfast-*.part")
	if err != nil {
		return "", refuse(survey.ErrReadOnly, err, "the folder of %q cannot be written: %s", to, err)
	}
	return f.Name(), f.Close()
}

// place gives a file that is whole its name, for good.
func place(part, to string) error {
	if err := os.Rename(part, to); err != nil {
		return fmt.Errorf("name %s: %w", to, err)
	}
	return flush(filepath.Dir(to))
}

// flush has the system write a file or a folder to the disk.
func flush(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("write %s to the disk: %w", path, err)
	}
	err = f.Sync()
	if errors.Is(err, errors.ErrUnsupported) {
		err = nil // a folder on a medium that has no such thing
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write %s to the disk: %w", path, err)
	}
	return nil
}

// copyInto copies one moment of an atlas of any format, with what is in the
// log beside it, into an empty file.
func copyInto(ctx context.Context, path, into string, each Progress) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return refuse(survey.ErrNotFound, err, "there is no atlas at %q", path)
	case err != nil || !info.Mode().IsRegular():
		return refuse(survey.ErrInvalid, err, "%q is not an ordinary file", path)
	}
	from := abs(path)
	id, mode, err := identify(ctx, from, info.Mode().Perm()&0o222 == 0)
	if err != nil {
		return refuse(ErrDamaged, err, "%q cannot be read as an atlas: %s", path, err)
	}
	if id.application != applicationID {
		return refuse(survey.ErrInvalid, nil, "%q is not an atlas", path)
	}
	params := url.Values{"mode": {"ro"}}
	if mode == immutable {
		params.Set("immutable", "1")
	}
	db, err := open(from, params, 1)
	if err != nil {
		return explain("read "+path, err)
	}
	defer db.Close()
	stop := watch(into, info.Size(), each)
	_, err = db.ExecContext(ctx, `VACUUM INTO ?`, into)
	stop()
	if err != nil {
		return explain("copy "+path, err)
	}
	return flush(into)
}

// watch tells how large a file has become until it is stopped.
func watch(file string, all int64, each Progress) (stop func()) {
	if each == nil {
		return func() {}
	}
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		tick := time.NewTicker(200 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-done:
				return
			case <-tick.C:
				if info, err := os.Stat(file); err == nil {
					each("copying", info.Size(), all)
				}
			}
		}
	}()
	return func() { close(done); <-ended }
}

// sound checks a copy and blames the file it is of.
func sound(ctx context.Context, file, of string, each Progress) (Report, error) {
	r, err := Check(ctx, file, func(step string) {
		if each != nil {
			each("checking "+step, 0, 0)
		}
	})
	if err == nil && len(r.Findings) > 0 {
		err = &UnsoundError{File: of, Report: r}
	}
	return r, err
}

// Restored says what a restore did.
type Restored struct {
	Report Report
	Keys   int    // sessions, devices, stations and tokens of the backup that were ended
	Aside  string // where the atlas that was there is now, "" when there was none
}

// RestoreBackup makes the atlas at path what a backup holds. The backup is
// copied, brought up to date and checked first; only then does it take the
// place of what is there, which is kept aside. An atlas that is there is
// refused with survey.ErrConflict unless it is to be replaced, and in any case
// while another program has it open. Nobody is signed in afterwards: the backup
// does not know which of its keys were ended since. Nor does it know which
// accounts were closed and which passwords changed.
func RestoreBackup(ctx context.Context, backup, path string, replace bool, a Author, each Progress) (Restored, error) {
	var out Restored
	_, err := os.Lstat(path)
	there := err == nil
	if there && !replace {
		return out, refuse(survey.ErrConflict, nil, "there is an atlas at %q already: say that it is to be replaced, it is then kept aside", path)
	}
	part, err := spare(path)
	if err != nil {
		return out, err
	}
	defer removeAll(part)
	if err := copyInto(ctx, backup, part, each); err != nil {
		return out, err
	}
	if out.Keys, err = bringUp(ctx, part, backup, a); err != nil {
		return out, err
	}
	if out.Report, err = sound(ctx, part, backup, each); err != nil {
		return out, err
	}
	if there {
		if out.Aside, err = setFileAside(ctx, abs(path)); err != nil {
			return out, err
		}
	}
	return out, place(part, path)
}

// bringUp opens a copy once, which brings an older format up to date, ends
// every key in it and notes in its log where it comes from.
func bringUp(ctx context.Context, part, backup string, a Author) (keys int, err error) {
	s, err := Open(ctx, part, Options{})
	if err != nil {
		return 0, fmt.Errorf("open the copy of %s: %w", backup, err)
	}
	err = s.change(ctx, "restore", a, func(t *tx) error {
		ended, err := t.ExecContext(ctx, `DELETE FROM keys`)
		if err != nil {
			return err
		}
		n, err := ended.RowsAffected()
		keys = int(n)
		return errors.Join(err, t.tell(map[string]any{"file": clip(filepath.Base(backup), 200), "keys": n}))
	})
	if err := errors.Join(err, s.Close()); err != nil {
		return 0, fmt.Errorf("write the copy of %s: %w", backup, err)
	}
	return keys, flush(part)
}

func removeAll(file string) {
	for _, end := range []string{"", "-wal", "-shm", "-journal"} {
		_ = os.Remove(file + end) // what is not there need not go
	}
}

// setFileAside gives an atlas another name. What is in the log beside it is
// brought home first; of a file too damaged for that, the log goes along.
func setFileAside(ctx context.Context, path string) (string, error) {
	if err := alone(ctx, path); err != nil {
		return "", err
	}
	aside := fmt.Sprintf("%s.before-%s", path, time.Now().UTC().Format("20060102T150405"))
	for n := 2; ; n++ {
		if _, err := os.Lstat(aside); errors.Is(err, fs.ErrNotExist) {
			break
		}
		aside = fmt.Sprintf("%s.before-%s-%d", path, time.Now().UTC().Format("20060102T150405"), n)
	}
	for _, end := range []string{"-wal", "-shm"} {
		if err := os.Rename(path+end, aside+end); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("keep %s aside: %w", path, err)
		}
	}
	if os.Link(path, aside) == nil { // so that there is an atlas at every moment
		return aside, nil
	}
	if err := os.Rename(path, aside); err != nil {
		return "", fmt.Errorf("keep %s aside: %w", path, err)
	}
	return aside, nil
}

// alone requires that no other program has the atlas open.
func alone(ctx context.Context, path string) error {
	db, err := open(path, url.Values{"mode": {"rw"}, "_locking_mode": {"EXCLUSIVE"}, "_busy_timeout": {"500"}}, 1)
	if err != nil {
		return explain("open "+path, err)
	}
	var busy, log, done int
	err = db.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &log, &done)
	if err == nil {
		err = db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema`).Scan(&log)
	}
	err = errors.Join(err, db.Close())
	if cause, ok := errors.AsType[sqlite3.Error](err); ok && (cause.Code == sqlite3.ErrBusy || cause.Code == sqlite3.ErrLocked) {
		return refuse(ErrBusy, err, "another program has %q open: stop it first", path)
	}
	return nil // one that cannot be opened is nobody's
}
