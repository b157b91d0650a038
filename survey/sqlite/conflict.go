package sqlite

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/version"
)

// Conflict is a field of an item on which versions made apart from each other
// do not agree. The first side is in force until a person settles it.
type Conflict struct {
	Collection string         `json:"collection"`
	ID         string         `json:"id"`
	Name       string         `json:"name"`     // what the item calls itself
	Revision   int64          `json:"revision"` // of the item as it is, for Resolution.Seen
	Path       string         `json:"path"`     // like a JSON Pointer; "" is the item as a whole
	Sides      []ConflictSide `json:"sides"`
}

// ConflictSide is what one of the versions says.
type ConflictSide struct {
	Of    string          `json:"of"`    // names the version, for Resolution.Choose
	Value json.RawMessage `json:"value"` // nil: nothing is recorded, or the item is taken out
	Who   string          `json:"who"`
	At    time.Time       `json:"at"`
}

// OpenConflicts lists what versions made apart do not agree on, by item.
func (s *Store) OpenConflicts(ctx context.Context) ([]Conflict, error) {
	out, err := s.conflicts(ctx, "1")
	return out, explain("list conflicts", err)
}

// ConflictsOf lists what versions of one item do not agree on.
func (s *Store) ConflictsOf(ctx context.Context, collection, id string) ([]Conflict, error) {
	out, err := s.conflicts(ctx, "c.collection = ? AND c.id = ?", collection, id)
	return out, explain("list conflicts", err)
}

func (s *Store) conflicts(ctx context.Context, where string, args ...any) ([]Conflict, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			c.collection,
			c.id,
			c.path,
			c.sides,
			(SELECT max(number) FROM revisions AS r WHERE r.collection = c.collection AND r.id = c.id),
			coalesce(
				(SELECT json_extract(body, '$.properties.name') FROM sites WHERE c.collection = 'sites' AND id = c.id),
				(SELECT json_extract(body, '$.properties.label') FROM points WHERE c.collection = 'points' AND id = c.id),
				c.id)
		FROM conflicts AS c
		WHERE `+where+`
		ORDER BY c.collection, c.id, c.path`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Conflict
	for rows.Next() {
		var c Conflict
		var sides []byte
		if err := rows.Scan(&c.Collection, &c.ID, &c.Path, &sides, &c.Revision, &c.Name); err != nil {
			return nil, err
		}
		if err := json.Unmarshal(sides, &c.Sides); err != nil {
			return nil, refuse(ErrDamaged, err, "a conflict cannot be read: %s", err)
		}
		out = append(out, c)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	for i := range out {
		if err := s.nameSides(ctx, &out[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// nameSides says who wrote what, and hides what may not be seen.
func (s *Store) nameSides(ctx context.Context, c *Conflict) error {
	for i := range c.Sides {
		side := &c.Sides[i]
		if string(side.Value) == "null" {
			side.Value = nil
		}
		if discreet(ctx) {
			side.Value = json.RawMessage(`"` + survey.Hidden + `"`)
		}
		var at moment
		err := s.read.QueryRowContext(ctx, `
			SELECT
				who,
				at
			FROM revisions
			JOIN chain ON chain.number = revisions.number
			WHERE chain.hash = unhex(?)`, side.Of).Scan(&side.Who, &at)
		if err != nil {
			return err
		}
		side.At = at.Time
	}
	return nil
}

// Resolution is what a person decides about the conflicts of an item: all of
// them, since the revision that is made settles all.
type Resolution struct {
	Collection string
	ID         string
	Seen       int64             // Conflict.Revision
	Choose     map[string]string // the side, by Conflict.Path
}

// ResolveConflict settles the conflicts of an item by a new revision and
// returns its number. When the item changed since it was seen, nothing happens
// and a *StaleError says so.
func (s *Store) ResolveConflict(ctx context.Context, r Resolution, a Author) (int64, error) {
	var number int64
	err := s.change(ctx, "settle conflict", a, func(t *tx) error {
		history, err := t.versions(ctx, r.Collection, r.ID)
		if err != nil {
			return err
		}
		if len(history) == 0 || !slices.Contains(together, r.Collection) {
			return survey.NotFound("conflict of "+r.Collection, r.ID)
		}
		if now := history[len(history)-1].Number; now != r.Seen {
			return &StaleError{Current: now}
		}
		joined, err := join(r.Collection, history)
		if err != nil {
			return err
		}
		if len(joined.Conflicts) == 0 {
			return survey.NotFound("conflict of "+r.Collection, r.ID)
		}
		doc, err := chosen(joined, r.Choose)
		if err != nil {
			return err
		}
		t.settles = true
		number, err = t.decide(ctx, r.Collection, r.ID, doc)
		return err
	})
	return number, err
}

// chosen is the item with the chosen side of each conflict; nil when it is to
// be taken out.
func chosen(j version.Joined, choose map[string]string) (json.RawMessage, error) {
	doc, fields := j.Doc, map[string]json.RawMessage{}
	var left []string
	for _, c := range j.Conflicts {
		of, ok := choose[c.Path]
		if !ok {
			left = append(left, version.What(c.Path))
			continue
		}
		i := slices.IndexFunc(c.Sides, func(s version.Side) bool { return s.Of == of })
		if i < 0 {
			return nil, survey.Invalid(c.Path, "has no side %q", clip(of, 64))
		}
		if c.Path == "" {
			if i > 0 { // the first side is what is in force
				doc = c.Sides[i].Value
			}
			continue
		}
		fields[c.Path] = c.Sides[i].Value
	}
	if left != nil {
		return nil, survey.Invalid("", "choose for everything that was recorded differently; nothing is chosen for: %s", strings.Join(left, "; "))
	}
	if len(choose) != len(j.Conflicts) {
		return nil, survey.Invalid("", "a choice is for a field that is in no conflict")
	}
	if doc == nil || len(fields) == 0 {
		return doc, nil
	}
	return version.With(doc, fields)
}

// decide writes what a person decided an item to be.
func (t *tx) decide(ctx context.Context, collection, id string, doc json.RawMessage) (int64, error) {
	var unseen survey.Opt[int64]
	switch {
	case collection == Policies:
		p, err := readPolicy(doc)
		if err != nil {
			return 0, err
		}
		number, err := t.record(ctx, Policies, policyID, Replace, doc, doc)
		if err != nil {
			return 0, err
		}
		if err := t.keepPolicy(ctx, number, p.Version, doc, t.stamp(), t.author.Who); err != nil {
			return 0, err
		}
		return number, t.enforce(ctx, number)
	case collection == Layers:
		number, err := t.record(ctx, Layers, id, Replace, doc, doc)
		return number, err
	case doc == nil:
		return t.last, t.remove(ctx, kindOf(collection), id, unseen)
	case collection == Sites:
		site, err := readSite(doc)
		if err == nil {
			err = site.Validate()
		}
		if err != nil {
			return 0, err
		}
		row, err := putSite(ctx, t, site, unseen)
		return row.Revision, err
	case collection == Points:
		p, err := readPoint(doc)
		if err == nil {
			err = p.Validate()
		}
		if err != nil {
			return 0, err
		}
		row, err := putPoint(ctx, t, p, unseen)
		return row.Revision, err
	}
	return 0, fmt.Errorf("settle conflict: %q is nothing that is settled", collection)
}
