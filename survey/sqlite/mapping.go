package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"time"

	"holdfast/survey"
)

// Mappings is the collection of mappings in the history.
const Mappings = "mappings"

// Mapping is a saved mapping of somebody else's columns and values to ours.
type Mapping struct {
	Name    string          `json:"name"`
	Of      string          `json:"of"` // Sites or Points
	Body    json.RawMessage `json:"mapping"`
	SavedAt time.Time       `json:"saved_at"`
	SavedBy string          `json:"saved_by"`
}

// SaveMapping keeps a mapping under its name, in the place of one that has it,
// in any case of Latin letters. What it says is for the caller to check.
func (s *Store) SaveMapping(ctx context.Context, m Mapping, a Author) error {
	if m.Of != Sites && m.Of != Points {
		return survey.Invalid("", "a mapping is for sites or points, not %q", m.Of)
	}
	if n := len([]rune(m.Name)); n < 1 || n > 100 {
		return survey.Invalid("", "a mapping needs a name of 1 to 100 characters")
	}
	return s.change(ctx, "save mapping", a, func(t *tx) error {
		var name string
		var was []byte
		verb := Replace
		err := t.QueryRowContext(ctx, `SELECT name, body FROM mappings WHERE name = ?`, m.Name).Scan(&name, &was)
		if errors.Is(err, sql.ErrNoRows) {
			name, verb = m.Name, Create
		} else if err != nil {
			return err
		}
		number, err := t.record(ctx, Mappings, name, verb, was, m.Body)
		if err != nil {
			return err
		}
		_, err = t.ExecContext(ctx, `
			INSERT INTO mappings (
				name,
				collection,
				body,
				revision
			) VALUES (?, ?, ?, ?)
			ON CONFLICT (name) DO UPDATE SET
				collection = excluded.collection,
				body       = excluded.body,
				revision   = excluded.revision`, name, m.Of, string(m.Body), number)
		return err
	})
}

// Mappings returns the saved mappings by their names.
func (s *Store) Mappings(ctx context.Context) ([]Mapping, error) {
	out, err := s.mappings(ctx, "1")
	return out, explain("list mappings", err)
}

// Mapping returns the saved mapping of a name.
func (s *Store) Mapping(ctx context.Context, name string) (Mapping, error) {
	found, err := s.mappings(ctx, "mappings.name = ?", name)
	if err == nil && len(found) == 0 {
		err = survey.NotFound("mapping", name)
	}
	if err != nil {
		return Mapping{}, explain("read mapping", err)
	}
	return found[0], nil
}

func (s *Store) mappings(ctx context.Context, where string, args ...any) ([]Mapping, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			mappings.name,
			mappings.collection,
			mappings.body,
			revisions.at,
			revisions.who
		FROM mappings
		JOIN revisions ON revisions.number = mappings.revision
		WHERE `+where+`
		ORDER BY mappings.name`, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Mapping
	for rows.Next() {
		var m Mapping
		var at moment
		var body []byte
		if err := rows.Scan(&m.Name, &m.Of, &body, &at, &m.SavedBy); err != nil {
			return nil, err
		}
		m.Body, m.SavedAt = body, at.Time
		out = append(out, m)
	}
	return out, rows.Err()
}
