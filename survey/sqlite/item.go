package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/paulmach/orb"
	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"holdfast/survey"
)

// kind is one of the two revised tables, sites and points, which differ in
// one column: a site has a code, a point has a site.
type kind struct {
	table string // and the name of the collection
	noun  string
	load  string
	save  string
	bury  string
	place string
	unbox string

	known  string // whether one of several ids was ever there
	last   string // the highest n
	create string // new rows, up to their values
	box    string // rows just created
}

var (
	siteKind  = newKind(Sites, "site", "code")
	pointKind = newKind(Points, "point", "site")
)

func newKind(table, noun, key string) kind {
	columns := "id, " + key + ", words, west, south, east, north, body, revision, updated_at, updated_by, deleted"
	fill := strings.NewReplacer("{table}", table, "{key}", key, "{columns}", columns).Replace
	return kind{
		table: table,
		noun:  noun,
		load: fill(`
			SELECT
				n,
				revision,
				body,
				deleted
			FROM {table}
			WHERE id = ?`),
		save: fill(`
			INSERT INTO {table} ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0)
			ON CONFLICT (id) DO UPDATE SET
				{key}      = excluded.{key},
				words      = excluded.words,
				west       = excluded.west,
				south      = excluded.south,
				east       = excluded.east,
				north      = excluded.north,
				body       = excluded.body,
				revision   = excluded.revision,
				updated_at = excluded.updated_at,
				updated_by = excluded.updated_by,
				deleted    = 0
			RETURNING n`),
		bury: fill(`
			UPDATE {table} SET
				revision   = ?,
				updated_at = ?,
				updated_by = ?,
				deleted    = 1
			WHERE n = ?`),
		place: fill(`INSERT OR REPLACE INTO {table}_box (n, west, east, south, north) VALUES (?, ?, ?, ?, ?)`),
		unbox: fill(`DELETE FROM {table}_box WHERE n = ?`),
		known: fill(`
			SELECT EXISTS (SELECT 1 FROM revisions WHERE collection = '{table}' AND id IN (SELECT value FROM json_each(?)))`),
		last: fill(`SELECT coalesce(max(n), 0) FROM {table}`),
		create: fill(`
			INSERT INTO {table} (n, {columns}) VALUES `),
		box: fill(`
			INSERT INTO {table}_box (n, west, east, south, north)
			SELECT n, west, east, south, north FROM {table} WHERE n BETWEEN ? AND ?`),
	}
}

const longestID = 100 // characters

// item is what a table keeps of a site or point.
type item struct {
	id    string
	key   string // the code of a site, the site of a point
	words string
	bound orb.Bound
	body  []byte
}

// state is an item as it stands before a change.
type state struct {
	n        int64
	revision int64
	body     []byte
	found    bool // there is a row, perhaps a tombstone
	live     bool
}

func (t *tx) state(ctx context.Context, k kind, id string) (state, error) {
	var st state
	var deleted bool
	err := t.QueryRowContext(ctx, k.load, id).Scan(&st.n, &st.revision, &st.body, &deleted)
	if errors.Is(err, sql.ErrNoRows) {
		return st, nil
	}
	st.found, st.live = true, !deleted
	return st, err
}

// expect holds a writer to the revision it has seen; 0 means none.
func (st state) expect(seen survey.Opt[int64]) error {
	current := st.revision
	if !st.live {
		current = 0
	}
	if want, ok := seen.Get(); ok && want != current {
		return &StaleError{Current: current}
	}
	return nil
}

// put creates, replaces or restores an item and returns its revision.
func (t *tx) put(ctx context.Context, k kind, it item, seen survey.Opt[int64]) (int64, error) {
	if n := utf8.RuneCountInString(it.id); n > longestID {
		return 0, survey.Invalid("/id", "is %d characters long; at most %d fit", n, longestID)
	}
	st, err := t.state(ctx, k, it.id)
	if err != nil {
		return 0, err
	}
	if err := st.expect(seen); err != nil {
		return 0, fmt.Errorf("save %s %s: %w", k.noun, it.id, err)
	}
	verb, before := Create, []byte(nil)
	switch {
	case st.live:
		verb, before = Replace, st.body
	case st.found:
		verb = Restore
	}
	number, err := t.record(ctx, k.table, it.id, verb, before, it.body)
	if err != nil {
		return 0, err
	}
	return number, t.keep(ctx, k, it, number, t.stamp(), t.author.Who)
}

// keep writes the row of an item that a revision made what it is.
func (t *tx) keep(ctx context.Context, k kind, it item, number int64, at, who string) error {
	var n int64
	b := it.bound
	err := t.QueryRowContext(ctx, k.save,
		it.id,
		it.key,
		it.words,
		b.Min.Lon(),
		b.Min.Lat(),
		b.Max.Lon(),
		b.Max.Lat(),
		string(it.body),
		number,
		at,
		who,
	).Scan(&n)
	if err != nil {
		return err
	}
	_, err = t.ExecContext(ctx, k.place, n, b.Min.Lon(), b.Max.Lon(), b.Min.Lat(), b.Max.Lat())
	return err
}

// delete turns an item into a tombstone.
func (t *tx) delete(ctx context.Context, k kind, id string, seen survey.Opt[int64]) error {
	st, err := t.state(ctx, k, id)
	if err != nil {
		return err
	}
	if !st.live {
		return survey.NotFound(k.noun, id)
	}
	if err := st.expect(seen); err != nil {
		return fmt.Errorf("delete %s %s: %w", k.noun, id, err)
	}
	number, err := t.record(ctx, k.table, id, Delete, st.body, nil)
	if err != nil {
		return err
	}
	return t.buried(ctx, k, st.n, number, t.stamp(), t.author.Who)
}

// buried makes the row of an item a tombstone.
func (t *tx) buried(ctx context.Context, k kind, n, number int64, at, who string) error {
	if _, err := t.ExecContext(ctx, k.bury, number, at, who, n); err != nil {
		return err
	}
	_, err := t.ExecContext(ctx, k.unbox, n)
	return err
}

// newID returns a UUID of version 7 (RFC 9562 §5.7): ids made later sort
// later, so lists by id are lists by age.
func newID() (string, error) {
	id, err := uuid.NewV7()
	return id.String(), err
}

// fold brings text to a form in which upper and lower case and the two ways
// of writing an accent compare equal (Unicode full case folding, NFC).
func fold(s string) string { return norm.NFC.String(cases.Fold().String(s)) }
