package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"

	"github.com/paulmach/orb"
)

// Place is a point as a list of very many of them needs it.
type Place struct {
	ID, Site, Label string // Site is an id
	Position        orb.Point
	Tested          bool // pull tests were made there
}

// Places returns where every point stands, in the order of sites and ids.
func (s *Store) Places(ctx context.Context) ([]Place, error) { return s.places(ctx, "") }

// PlacesOf is Places for the points with these ids, as far as they are there.
func (s *Store) PlacesOf(ctx context.Context, ids []string) ([]Place, error) {
	list, err := json.Marshal(ids)
	if err != nil {
		return nil, explain("list places", err)
	}
	return s.places(ctx, "AND id IN (SELECT value FROM json_each(?))", list)
}

func (s *Store) places(ctx context.Context, of string, args ...any) ([]Place, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			id,
			site,
			json_extract(body, '$.properties.label'),
			west,
			south,
			coalesce(json_array_length(body, '$.properties.pull_tests'), 0) > 0
		FROM points
		WHERE deleted = 0 `+of+`
		ORDER BY site, id`, args...)
	if err != nil {
		return nil, explain("list places", err)
	}
	defer rows.Close()
	var out []Place
	for rows.Next() {
		var p Place
		var label sql.NullString
		if err := rows.Scan(&p.ID, &p.Site, &label, &p.Position[0], &p.Position[1], &p.Tested); err != nil {
			return nil, explain("list places", err)
		}
		p.Label = label.String
		out = append(out, p)
	}
	return out, explain("list places", rows.Err())
}

// Changed names an item of which there is a revision.
type Changed struct{ Collection, ID string }

// ChangedSince names what has changed after a revision, each item once.
func (s *Store) ChangedSince(ctx context.Context, revision int64) ([]Changed, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT DISTINCT collection, id FROM revisions WHERE number > ? ORDER BY collection, id`, revision)
	if err != nil {
		return nil, explain("list changes", err)
	}
	defer rows.Close()
	var out []Changed
	for rows.Next() {
		var c Changed
		if err := rows.Scan(&c.Collection, &c.ID); err != nil {
			return nil, explain("list changes", err)
		}
		out = append(out, c)
	}
	return out, explain("list changes", rows.Err())
}
