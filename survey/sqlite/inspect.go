package sqlite

import (
	"context"
	"errors"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	"github.com/mattn/go-sqlite3"

	"holdfast/survey"
)

// applicationID marks an atlas in the SQLite header: "HOLD" in ASCII.
const applicationID = 0x484f4c44

// immutable is the way to open a file that nobody can be writing to.
const immutable = "immutable"

// inspect looks at the file without changing it and returns the mode to open
// it in: rwc, rw, ro or immutable. It never opens the file itself: closing a
// file drops every lock that this process holds on it through SQLite
// (www.sqlite.org/howtocorrupt.html §2.2).
func inspect(ctx context.Context, path, abs string, o Options) (string, error) {
	info, err := os.Stat(abs)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if !o.Create || o.ReadOnly {
			return "", refuse(survey.ErrNotFound, err, "there is no atlas at %q", path)
		}
		return "rwc", inspectFolder(path, abs)
	case err != nil:
		return "", refuse(survey.ErrInvalid, err, "%q cannot be looked at: %s", path, err)
	case info.IsDir():
		return "", refuse(survey.ErrInvalid, nil, "%q is a folder, not an atlas", path)
	case !info.Mode().IsRegular():
		return "", refuse(survey.ErrInvalid, nil, "%q is not an ordinary file", path)
	}
	// A file marked read-only is meant to stay as it is, even where the
	// system would let this user write to it.
	marked := info.Mode().Perm()&0o222 == 0
	if !o.ReadOnly {
		if err := writable(abs); err != nil || marked {
			return "", refuse(survey.ErrReadOnly, err, "%q may not be written; open it for reading only", path)
		}
		if err := inspectFolder(path, abs); err != nil {
			return "", err
		}
	}
	id, mode, err := identify(ctx, abs, marked)
	if cause, ok := errors.AsType[sqlite3.Error](err); ok && cause.Code == sqlite3.ErrNotADB {
		return "", refuse(survey.ErrInvalid, err, "%q is not an atlas: it is no SQLite file", path)
	} else if ok && cause.Code == sqlite3.ErrCantOpen && mode == "ro" && writable(filepath.Dir(abs)) != nil {
		return "", refuse(survey.ErrReadOnly, err, "%q has changes in the log beside it that cannot be read where nothing may be written; copy both files to a writable folder", path)
	} else if err != nil {
		return "", refuse(survey.ErrInvalid, err, "%q cannot be read as an atlas: %s", path, err)
	}
	switch {
	case id.application == 0 && id.version == 0 && id.tables == 0: // the first moment of an atlas that was being made
		if o.Create && !o.ReadOnly {
			return "rw", nil
		}
		return "", refuse(survey.ErrInvalid, nil, "%q is empty, not an atlas", path)
	case id.application != applicationID:
		return "", refuse(survey.ErrInvalid, nil, "%q is a database of another program, not an atlas", path)
	case id.version > schemaVersion():
		return "", refuse(survey.ErrInvalid, nil, "%q was written by a newer version of this program (format %d; this one knows up to %d)", path, id.version, schemaVersion())
	case id.version < schemaVersion() && o.ReadOnly:
		return "", refuse(survey.ErrReadOnly, nil, "%q was written by an older version of this program; open it once for writing to bring it up to date", path)
	}
	if o.ReadOnly {
		return mode, nil
	}
	return "rw", nil
}

// inspectFolder requires a folder with room for the log beside the atlas.
func inspectFolder(path, abs string) error {
	err := writable(filepath.Dir(abs))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return refuse(survey.ErrNotFound, err, "the folder of %q does not exist", path)
	case err != nil:
		return refuse(survey.ErrReadOnly, err, "the folder of %q may not be written; an atlas there can only be read", path)
	}
	return nil
}

type identity struct {
	application, version, tables int
}

// identify asks SQLite, since the header alone may lag behind the log of a
// program that was cut off. Where there is no log, the file is first taken as
// it is, which leaves no trace beside it. The mode returned is for reading: a
// read-only file, folder or medium has no room for a log either.
func identify(ctx context.Context, abs string, marked bool) (identity, string, error) {
	if log, err := os.Stat(abs + "-wal"); err == nil && log.Size() > 0 {
		id, err := ask(ctx, abs, url.Values{"mode": {"ro"}})
		return id, "ro", err
	}
	id, err := ask(ctx, abs, url.Values{"mode": {"ro"}, "immutable": {"1"}})
	if marked || writable(filepath.Dir(abs)) != nil {
		return id, immutable, err
	}
	return id, "ro", err
}

func ask(ctx context.Context, abs string, params url.Values) (identity, error) {
	var id identity
	db, err := open(abs, params, 1)
	if err != nil {
		return id, err
	}
	err = db.QueryRowContext(ctx, `
		SELECT
			(SELECT application_id FROM pragma_application_id),
			(SELECT user_version FROM pragma_user_version),
			(SELECT count(*) FROM sqlite_schema)`).Scan(&id.application, &id.version, &id.tables)
	return id, errors.Join(err, db.Close())
}
