package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"iter"
	"time"

	"holdfast/survey"
)

// Origin is the file that an import reads, and what is to be kept on file of
// the import.
type Origin struct {
	File    string // its name
	Size    int64  // bytes
	SHA256  string // of its content, in hexadecimal
	Mapping json.RawMessage
	// Report is asked for when every record has been read: what became of the
	// file as a whole, a JSON object.
	Report func() (json.RawMessage, error)
	// Refused, when not nil, is asked then how many records were refused.
	Refused func() int
}

// Import is an import that is on file.
type Import struct {
	Number  int64           `json:"number"`
	At      time.Time       `json:"at"`
	Who     string          `json:"who"`
	Device  string          `json:"device,omitempty"`
	File    string          `json:"file"`
	Size    int64           `json:"size"`
	SHA256  string          `json:"sha256"`
	Target  string          `json:"target"`            // Sites, Points or the id of a layer
	Mapping json.RawMessage `json:"mapping,omitempty"` // nil when none was used
	Report  json.RawMessage `json:"report"`
	// First and Last are the revisions that it wrote, all between included; 0
	// when everything was on file already.
	First    int64     `json:"first_revision,omitempty"`
	Last     int64     `json:"last_revision,omitempty"`
	UndoneAt time.Time `json:"undone_at,omitzero"` // zero when it stands
	UndoneBy string    `json:"undone_by,omitempty"`
}

// Undone tells whether the import was taken back.
func (i Import) Undone() bool { return i.UndoneBy != "" }

// Items is what an import of sites or points writes. The sequences are read in
// a goroutine that has ended when the import has; they must not write to the
// store.
type Items struct {
	Of     string // Sites or Points
	Sites  iter.Seq2[Row[survey.Site], error]
	Points iter.Seq2[Row[survey.Point], error]
	// Remove, when not nil, yields the ids of items to delete with the revisions
	// at which they were seen. It is asked when the other sequences have ended.
	Remove iter.Seq2[string, int64]
}

// ImportAll puts every site and then every point, as PutSite and PutPoint do
// without an expected revision, in one transaction: one that is refused
// refuses them all, and the error names it by its place, counted from 1.
// Points may belong to sites of the same import, by id or code.
func (s *Store) ImportAll(ctx context.Context, sites []survey.Site, points []survey.Point, a Author) error {
	return s.change(ctx, "import", a, func(t *tx) error {
		if err := t.putSites(ctx, anyhow(sites)); err != nil {
			return err
		}
		return t.putPoints(ctx, anyhow(points))
	})
}

// ImportItems puts sites and points of a file as ImportAll does, each at the
// revision at which it was compared with the file - one that was changed since
// refuses the import, one without a revision must be new -, deletes what is to
// be removed, and keeps the import on file. An error of a sequence refuses the
// import too.
func (s *Store) ImportItems(ctx context.Context, items Items, o Origin, a Author) (Import, error) {
	var made Import
	remove := siteKind
	if items.Of == Points {
		remove = pointKind
	}
	err := s.change(ctx, "import", a, func(t *tx) error {
		before, err := t.lastRevision(ctx)
		if err != nil {
			return err
		}
		if err := t.putSites(ctx, held(items.Sites)); err != nil {
			return err
		}
		if err := t.putPoints(ctx, held(items.Points)); err != nil {
			return err
		}
		if items.Remove != nil {
			for id, seen := range items.Remove {
				if err := t.remove(ctx, remove, id, survey.Known(seen)); err != nil {
					return err
				}
			}
		}
		last, err := t.lastRevision(ctx)
		if err != nil {
			return err
		}
		first := before + 1
		if last == before {
			first, last = 0, 0
		}
		made, err = t.noteImport(ctx, o, items.Of, first, last)
		return err
	})
	return made, err
}

func (t *tx) lastRevision(ctx context.Context) (int64, error) {
	var n int64
	err := t.QueryRowContext(ctx, `SELECT coalesce(max(number), 0) FROM revisions`).Scan(&n)
	return n, err
}

// noteImport keeps an import on file.
func (t *tx) noteImport(ctx context.Context, o Origin, target string, first, last int64) (Import, error) {
	made := Import{
		At: t.now, Who: t.author.Who, Device: t.author.Device,
		File: o.File, Size: o.Size, SHA256: o.SHA256, Target: target, Mapping: o.Mapping, First: first, Last: last,
	}
	report, err := o.Report()
	if err != nil {
		return made, fmt.Errorf("report on the import: %w", err)
	}
	made.Report = report
	res, err := t.ExecContext(ctx, `
		INSERT INTO imports (
			at,
			who,
			device,
			file,
			size,
			sha256,
			target,
			mapping,
			report,
			first,
			last
		) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		t.stamp(),
		made.Who,
		made.Device,
		made.File,
		made.Size,
		made.SHA256,
		made.Target,
		text(made.Mapping),
		string(made.Report),
		first,
		last,
	)
	if err != nil {
		return made, err
	}
	made.Number, err = res.LastInsertId()
	return made, err
}

// Imports returns every import that is on file, the latest first.
func (s *Store) Imports(ctx context.Context) ([]Import, error) {
	out, err := readImports(ctx, s.read, "1")
	return out, explain("list imports", err)
}

// Import returns an import by its number; 0 is the latest that was not undone.
func (s *Store) Import(ctx context.Context, number int64) (Import, error) {
	one, err := readImport(ctx, s.read, number)
	return one, explain("read import", err)
}

// ImportsOf returns the imports that stand of a file with this content, the
// latest first.
func (s *Store) ImportsOf(ctx context.Context, sha256 string) ([]Import, error) {
	out, err := readImports(ctx, s.read, "sha256 = ? AND undone_at IS NULL", sha256)
	return out, explain("list imports", err)
}

func readImport(ctx context.Context, q querier, number int64) (Import, error) {
	where, what := "number = ?", fmt.Sprint(number)
	if number == 0 {
		where, what = "undone_at IS NULL AND ? = 0", "latest"
	}
	found, err := readImports(ctx, q, where, number)
	if err != nil {
		return Import{}, err
	}
	if len(found) == 0 {
		return Import{}, survey.NotFound("import", what)
	}
	return found[0], nil
}

func readImports(ctx context.Context, q querier, where string, args ...any) ([]Import, error) {
	rows, err := q.QueryContext(ctx, `
		SELECT
			number,
			at,
			who,
			device,
			file,
			size,
			sha256,
			target,
			mapping,
			report,
			first,
			last,
			undone_at,
			coalesce(undone_by, '')
		FROM imports
		WHERE `+where+`
		ORDER BY number DESC`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Import
	for rows.Next() {
		var i Import
		var at moment
		var undone sql.Null[moment]
		var mapping, report sql.RawBytes
		if err := rows.Scan(&i.Number, &at, &i.Who, &i.Device, &i.File, &i.Size, &i.SHA256, &i.Target, &mapping, &report, &i.First, &i.Last, &undone, &i.UndoneBy); err != nil {
			return nil, err
		}
		i.At, i.UndoneAt = at.Time, undone.V.Time
		i.Mapping, i.Report = append(json.RawMessage(nil), mapping...), append(json.RawMessage(nil), report...)
		out = append(out, i)
	}
	return out, rows.Err()
}
