package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"strconv"
	"time"

	"holdfast/survey"
)

// The collections of an atlas, as named in its history.
const (
	Sites    = "sites"
	Points   = "points"
	Layers   = "layers"
	Policies = "policies"
)

// Verb is what a revision did.
type Verb string

const (
	Create  Verb = "create"
	Replace Verb = "replace"
	Delete  Verb = "delete"
	Restore Verb = "restore" // put back after a delete
)

// Revision is one change: who made it, when, from which device, and the whole
// item before and after.
type Revision struct {
	Number     int64           `json:"number"`
	Collection string          `json:"collection"`
	ID         string          `json:"id"`
	At         time.Time       `json:"at"`
	Who        string          `json:"who"`
	Device     string          `json:"device,omitempty"`
	Verb       Verb            `json:"verb"`
	Settles    bool            `json:"settles,omitempty"` // what versions made apart did not agree on
	Before     json.RawMessage `json:"before,omitempty"`  // nil when there was none
	After      json.RawMessage `json:"after,omitempty"`   // nil when deleted
}

// record appends a revision, made on what the item is now, and returns its
// number.
func (t *tx) record(ctx context.Context, collection, id string, verb Verb, before, after []byte) (int64, error) {
	var parents []Hash
	var err error
	if verb != Create || collection != Sites && collection != Points { // else there is nothing it was made on
		if parents, err = t.heads(ctx, collection, id); err != nil {
			return 0, err
		}
	}
	number, err := t.append(ctx, Revision{
		Collection: collection,
		ID:         id,
		At:         t.now,
		Who:        t.author.Who,
		Device:     t.author.Device,
		Verb:       verb,
		Settles:    t.settles,
		Before:     before,
		After:      after,
	}, parents)
	if err != nil {
		return 0, err
	}
	return number, t.rejoin(ctx, collection, id)
}

// append adds a revision with everything it says to the history.
func (t *tx) append(ctx context.Context, r Revision, parents []Hash) (int64, error) {
	at := r.At.Format(timeFormat)
	res, err := t.ExecContext(ctx, `
		INSERT INTO revisions (
			collection,
			id,
			at,
			who,
			device,
			verb,
			before,
			after
		) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
		r.Collection,
		r.ID,
		at,
		r.Who,
		r.Device,
		string(r.Verb),
		text(r.Before),
		text(r.After),
	)
	if err != nil {
		return 0, err
	}
	number, err := res.LastInsertId()
	if err != nil {
		return 0, err
	}
	return number, t.enchain(ctx, number, hashRevision(r, at, parents), parents, r.Settles)
}

// text stores JSON as text, nil as NULL.
func text(b []byte) any {
	if b == nil {
		return nil
	}
	return string(b)
}

const selectRevision = `
		SELECT
			number,
			collection,
			id,
			at,
			who,
			device,
			verb,
			before,
			after
		FROM revisions`

// selectChained is selectRevision with what the chain has of it.
const selectChained = `
		SELECT
			revisions.number,
			collection,
			id,
			at,
			who,
			device,
			verb,
			before,
			after,
			settles,
			hash,
			parents,
			link
		FROM revisions
		JOIN chain ON chain.number = revisions.number`

// History returns every revision of an item, newest first; none when the item
// never existed.
func (s *Store) History(ctx context.Context, collection, id string) ([]Revision, error) {
	rows, err := s.read.QueryContext(ctx, selectRevision+`
		WHERE collection = ? AND id = ?
		ORDER BY number DESC`, collection, id)
	out, err := readRevisions(rows, err)
	if err == nil {
		out, err = discreetRevisions(ctx, out)
	}
	return out, explain("read history", err)
}

func readRevisions(rows *sql.Rows, err error) ([]Revision, error) {
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Revision
	for rows.Next() {
		var r Revision
		if err := r.scan(rows); err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// scan reads a row of selectRevision; more is what follows in it.
func (r *Revision) scan(rows *sql.Rows, more ...any) error {
	var at moment
	var before, after *string
	into := []any{&r.Number, &r.Collection, &r.ID, &at, &r.Who, &r.Device, &r.Verb, &before, &after}
	if err := rows.Scan(append(into, more...)...); err != nil {
		return err
	}
	r.At = at.Time
	if before != nil {
		r.Before = json.RawMessage(*before)
	}
	if after != nil {
		r.After = json.RawMessage(*after)
	}
	return nil
}

// chained is a revision with its place in the chain.
type chained struct {
	Revision
	hash    Hash
	parents []Hash
	link    Hash
}

func readChained(rows *sql.Rows, err error) ([]chained, error) {
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []chained
	for rows.Next() {
		var c chained
		var parents []byte
		if err := c.scan(rows, &c.Settles, &c.hash, &parents, &c.link); err != nil {
			return nil, err
		}
		c.parents = splitHashes(parents)
		out = append(out, c)
	}
	return out, rows.Err()
}

// At returns one revision of an item.
func (s *Store) At(ctx context.Context, collection, id string, number int64) (Revision, error) {
	rows, err := s.read.QueryContext(ctx, selectRevision+`
		WHERE collection = ? AND id = ? AND number = ?`, collection, id, number)
	found, err := readRevisions(rows, err)
	if err == nil {
		found, err = discreetRevisions(ctx, found)
	}
	if err != nil {
		return Revision{}, explain("read history", err)
	}
	if len(found) == 0 {
		return Revision{}, survey.NotFound("revision of that item", strconv.FormatInt(number, 10))
	}
	return found[0], nil
}

// Site reads the site that a revision left behind. Rules made stricter since
// do not make it unreadable.
func (r Revision) Site() (survey.Site, error) { return readStored(r.After, readSite) }

// Point reads the point that a revision left behind, as Site does.
func (r Revision) Point() (survey.Point, error) { return readStored(r.After, readPoint) }

// PutBack makes a site or a point again what a revision left behind: a new
// revision, so that nothing in between is lost. Today's rules hold for it. For
// expect see PutSite.
func (s *Store) PutBack(ctx context.Context, collection, id string, number int64, a Author, expect survey.Opt[int64]) (int64, error) {
	old, err := s.At(ctx, collection, id, number)
	if err != nil {
		return 0, err
	}
	if old.After == nil {
		return 0, refuse(survey.ErrConflict, nil, "revision %d deleted it: there is no version to put back", number)
	}
	var made int64
	err = s.change(ctx, "put back", a, func(t *tx) error {
		if err := t.tell(map[string]any{"collection": collection, "id": id, "from": number}); err != nil {
			return err
		}
		switch collection {
		case Sites:
			site, err := old.Site()
			if err == nil {
				err = site.Validate()
			}
			if err != nil {
				return err
			}
			row, err := putSite(ctx, t, site, expect)
			made = row.Revision
			return err
		case Points:
			p, err := old.Point()
			if err == nil {
				err = p.Validate()
			}
			if err != nil {
				return err
			}
			if p.Site, err = t.siteID(ctx, p.Site); err != nil {
				return err
			}
			row, err := putPoint(ctx, t, p, expect)
			made = row.Revision
			return err
		}
		return refuse(survey.ErrInvalid, nil, "only sites and points can be put back")
	})
	return made, err
}

// State is what an atlas holds, to tell whether that is still so: of two equal
// states sites, points, policy and layers are the same.
type State struct {
	Revision int64 // see Store.Revision
	Edition  int64 // of layers: what one holds may come after its revision, from another atlas
}

// State returns the state of the atlas.
func (s *Store) State(ctx context.Context) (State, error) {
	var out State
	err := s.read.QueryRowContext(ctx, `
		SELECT
			(SELECT coalesce(max(number), 0) FROM revisions),
			(SELECT coalesce(max(n), 0) FROM layers)`).Scan(&out.Revision, &out.Edition)
	return out, explain("read state", err)
}

// Revision returns the number of the last change to the atlas, 0 when there
// was none. It grows with every change to any site, point, layer or policy.
func (s *Store) Revision(ctx context.Context) (int64, error) {
	var n int64
	err := s.read.QueryRowContext(ctx, `SELECT coalesce(max(number), 0) FROM revisions`).Scan(&n)
	return n, explain("read revision", err)
}
