package sqlite

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"holdfast/survey"
)

// Event is something done with the atlas that changes no item: a sign-in, a
// refused one, an export, a backup.
type Event struct {
	What   string // a few words, like "sign-in refused"
	Detail any    // written as JSON; nil for none
}

// Entry is one line of the log of an atlas. Every change has one, and every
// Event.
type Entry struct {
	Number   int64           `json:"number"` // from 1 without a gap
	At       time.Time       `json:"at"`
	Who      string          `json:"who"`
	Device   string          `json:"device,omitempty"`
	Event    string          `json:"event"`
	Detail   json.RawMessage `json:"detail"`
	Revision int64           `json:"revision"` // the last there was then; those since the entry before are what this one wrote
	Hash     Hash            `json:"hash"`     // over this entry and the one before, see hashEntry
}

// mostDetail bounds what is kept of an event, in bytes.
const mostDetail = 4096

// Note adds an event to the log. The log is only ever added to.
func (s *Store) Note(ctx context.Context, e Event, a Author) error {
	if e.What == "" {
		return survey.Invalid("", "an event needs words for what was done")
	}
	return s.change(ctx, clip(e.What, 100), a, func(t *tx) error {
		return t.tell(e.Detail)
	})
}

// tell says more about this change in the log, where it gets an entry even
// when it wrote no revision.
func (t *tx) tell(detail any) error {
	if detail == nil {
		detail = struct{}{}
	}
	b, err := json.Marshal(detail)
	if err != nil {
		return fmt.Errorf("write detail: %w", err)
	}
	if len(b) > mostDetail {
		return survey.Invalid("", "the detail of an event is %d bytes long; at most %d fit", len(b), mostDetail)
	}
	t.detail = b
	return nil
}

// Audit returns entries of the log, newest first: those numbered below before
// (0: from the newest on), at most limit.
func (s *Store) Audit(ctx context.Context, before int64, limit int) ([]Entry, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			number,
			at,
			who,
			device,
			event,
			detail,
			revision,
			hash
		FROM audit
		WHERE ?1 <= 0 OR number < ?1
		ORDER BY number DESC
		LIMIT ?2`, before, limit)
	if err != nil {
		return nil, explain("read log", err)
	}
	defer rows.Close()
	var out []Entry
	for rows.Next() {
		var e Entry
		var at moment
		var detail string
		if err := rows.Scan(&e.Number, &at, &e.Who, &e.Device, &e.Event, &detail, &e.Revision, &e.Hash); err != nil {
			return nil, explain("read log", err)
		}
		e.At, e.Detail = at.Time, json.RawMessage(detail)
		out = append(out, e)
	}
	return out, explain("read log", rows.Err())
}
