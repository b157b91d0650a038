package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"slices"

	"holdfast/survey"
)

// ExchangeFormat is the form in which atlases hand each other their history, and
// the rule by which they join it: another rule makes another item of the same
// history.
const ExchangeFormat = 2

// Mark is a place in the history of an atlas. Its link tells whether the
// history up to there is still the one that was seen.
type Mark struct {
	Number int64 `json:"number"`
	Link   Hash  `json:"link"`
}

// Standing is what one atlas tells another before they exchange.
type Standing struct {
	Format int    `json:"format"`
	Atlas  string `json:"atlas"`
	Taken  Mark   `json:"taken"` // how far the other's history was taken in; zero for not at all
}

// Sent is a revision on its way to another atlas. What it was made on goes by
// hash; the number it has is each atlas's own.
type Sent struct {
	Collection string  `json:"collection"`
	ID         string  `json:"id"`
	At         string  `json:"at"`
	Who        string  `json:"who"`
	Device     string  `json:"device,omitempty"`
	Verb       Verb    `json:"verb"`            // or "settle"
	After      *string `json:"after,omitempty"` // the item as JSON, byte for byte; none when deleted
	On         []Hash  `json:"on,omitempty"`

	Hash Hash `json:"-"` // the receiver works it out
}

// Parcel is a piece of the history of an atlas, in its order. It may be sent
// again, and lost.
type Parcel struct {
	Format    int    `json:"format"`
	Atlas     string `json:"atlas"`
	From      Mark   `json:"from"` // zero: from the beginning
	To        Mark   `json:"to"`   // the same as From when there is no more
	Revisions []Sent `json:"revisions"`
}

// The most of a parcel: as much as is sent again when a connection breaks.
const (
	mostRevisions = 500
	mostBytes     = 1 << 20
)

// Standing says how far the history of the asking atlas was taken in.
func (s *Store) Standing(ctx context.Context, asker string) (Standing, error) {
	st := Standing{Format: ExchangeFormat}
	var err error
	if st.Atlas, err = s.ID(ctx); err != nil {
		return st, err
	}
	err = s.read.QueryRowContext(ctx, `SELECT number, link FROM peers WHERE atlas = ?`, asker).Scan(&st.Taken.Number, &st.Taken.Link)
	if errors.Is(err, sql.ErrNoRows) {
		err = nil
	}
	return st, explain("read exchange", err)
}

// Parcel returns the history after a mark. When the mark is not of this
// history - a backup was restored since - it begins at the beginning. Most
// bounds how many revisions are looked at; 0 is as many as fit.
func (s *Store) Parcel(ctx context.Context, after Mark, most int) (Parcel, error) {
	if most <= 0 || most > mostRevisions {
		most = mostRevisions
	}
	p := Parcel{Format: ExchangeFormat, Revisions: []Sent{}}
	var err error
	if p.Atlas, err = s.ID(ctx); err != nil {
		return p, err
	}
	var link Hash
	err = s.read.QueryRowContext(ctx, `SELECT link FROM chain WHERE number = ?`, after.Number).Scan(&link)
	switch {
	case err == nil && link == after.Link:
		p.From = after
	case err != nil && !errors.Is(err, sql.ErrNoRows):
		return p, explain("read history", err)
	}
	p.To = p.From
	rows, err := s.read.QueryContext(ctx, selectChained+`
		WHERE revisions.number > ?
		ORDER BY revisions.number
		LIMIT ?`, p.From.Number, most)
	if err != nil {
		return p, explain("read history", err)
	}
	list, err := readChained(rows, err)
	if err != nil {
		return p, explain("read history", err)
	}
	size := 0
	for _, c := range list {
		if size += len(c.After); size > mostBytes && len(p.Revisions) > 0 {
			break
		}
		p.To = Mark{c.Number, c.link}
		if slices.Contains(together, c.Collection) {
			p.Revisions = append(p.Revisions, sent(c))
		}
	}
	return p, nil
}

func sent(c chained) Sent {
	out := Sent{Collection: c.Collection, ID: c.ID, At: c.At.Format(timeFormat), Who: c.Who, Device: c.Device, Verb: wireVerb(c.Revision), On: c.parents, Hash: c.hash}
	if c.After != nil {
		text := string(c.After)
		out.After = &text
	}
	return out
}

// Missing returns those of some revisions that this atlas does not have.
func (s *Store) Missing(ctx context.Context, hashes []Hash) ([]Hash, error) {
	list, err := json.Marshal(hashes)
	if err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, `
		SELECT value
		FROM json_each(?)
		WHERE unhex(value) NOT IN (SELECT hash FROM chain)`, string(list))
	if err != nil {
		return nil, explain("read history", err)
	}
	defer rows.Close()
	out := []Hash{}
	for rows.Next() {
		var text []byte
		var h Hash
		if err := rows.Scan(&text); err != nil {
			return nil, explain("read history", err)
		}
		if err := h.UnmarshalText(text); err != nil {
			return nil, survey.Invalid("", "%s", err)
		}
		out = append(out, h)
	}
	return out, explain("read history", rows.Err())
}
