package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"io"
	"io/fs"
	"net/url"
	"os"

	"github.com/mattn/go-sqlite3"

	"holdfast/survey"
)

// applicationID marks an atlas in the SQLite header: "HOLD" in ASCII.
const applicationID = 0x484f4c44

// immutable is the way to open a file that nobody can be writing to.
const immutable = "immutable"

// magic starts every SQLite file (www.sqlite.org/fileformat2.html §1.3.1).
const magic = "SQLite format 3\x00"

// inspect looks at the file without changing it and returns the mode to open
// it in: rwc, rw, ro or immutable.
func inspect(ctx context.Context, path, abs string, o Options) (string, error) {
	info, err := os.Stat(abs)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if o.Create && !o.ReadOnly {
			return "rwc", nil
		}
		return "", refuse(survey.ErrNotFound, err, "there is no atlas at %q", path)
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
	if err := checkAccess(path, abs, o, marked); err != nil {
		return "", err
	}
	id, mode, err := identify(ctx, abs, marked)
	if err != nil {
		return "", refuse(survey.ErrInvalid, err, "%q cannot be read as an atlas: %s", path, explain("read", err))
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

// checkAccess requires the magic of SQLite at the start and, for writing,
// leave to write.
func checkAccess(path, abs string, o Options, marked bool) error {
	flag := os.O_RDWR
	if o.ReadOnly {
		flag = os.O_RDONLY
	} else if marked {
		return refuse(survey.ErrReadOnly, nil, "%q is marked read-only; open it for reading only", path)
	}
	f, err := os.OpenFile(abs, flag, 0)
	switch {
	case err != nil && o.ReadOnly:
		return refuse(survey.ErrInvalid, err, "%q may not be read", path)
	case err != nil:
		return refuse(survey.ErrReadOnly, err, "%q may not be written; open it for reading only", path)
	}
	defer f.Close()
	head := make([]byte, len(magic))
	n, err := io.ReadFull(f, head)
	if n == 0 && errors.Is(err, io.EOF) {
		return nil
	}
	if !bytes.Equal(head[:n], []byte(magic)) {
		return refuse(survey.ErrInvalid, nil, "%q is not an atlas: it is no SQLite file", path)
	}
	return nil
}

type identity struct {
	application, version, tables int
}

// identify asks SQLite, since the header alone may lag behind the log of a
// program that was cut off. A read-only folder or medium has no room for the
// log's index; with no log to read, the file is then safe to take as it is.
func identify(ctx context.Context, abs string, marked bool) (identity, string, error) {
	log, err := os.Stat(abs + "-wal")
	settled := err != nil || log.Size() == 0
	if !(marked && settled) {
		id, err := identity{}.ask(ctx, abs, url.Values{"mode": {"ro"}})
		cause, ok := errors.AsType[sqlite3.Error](err)
		if !ok || !settled || (cause.Code != sqlite3.ErrCantOpen && cause.Code != sqlite3.ErrReadonly) {
			return id, "ro", err
		}
	}
	id, err := identity{}.ask(ctx, abs, url.Values{"mode": {"ro"}, "immutable": {"1"}})
	return id, immutable, err
}

func (identity) ask(ctx context.Context, abs string, params url.Values) (identity, error) {
	var id identity
	db, err := open(abs, params, 1)
	if err != nil {
		return id, err
	}
	err = db.QueryRowContext(ctx, `
		SELECT (SELECT application_id FROM pragma_application_id),
		       (SELECT user_version FROM pragma_user_version),
		       (SELECT count(*) FROM sqlite_schema)`).Scan(&id.application, &id.version, &id.tables)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return id, errors.Join(err, db.Close())
}
