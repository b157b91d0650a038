package sqlite

import (
	"context"
	"time"
)

// PointsChanged returns the points that were changed after they were first
// taken in, by id, with when they last were. A point that was only ever
// created, by hand or by an import, is not among them.
func (s *Store) PointsChanged(ctx context.Context) (map[string]time.Time, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			points.id,
			revisions.at
		FROM points
		JOIN revisions ON revisions.number = points.revision
		WHERE points.deleted = 0 AND revisions.verb <> 'create'`)
	if err != nil {
		return nil, explain("list changed points", err)
	}
	defer rows.Close()
	out := map[string]time.Time{}
	for rows.Next() {
		var id string
		var at moment
		if err := rows.Scan(&id, &at); err != nil {
			return nil, explain("list changed points", err)
		}
		out[id] = at.Time
	}
	return out, explain("list changed points", rows.Err())
}
