package sqlite

import (
	"context"

	"holdfast/survey"
)

// PointsWithTests returns every point at which something was pulled on
// purpose, in the order of their ids.
func (s *Store) PointsWithTests(ctx context.Context) ([]Row[survey.Point], error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			body,
			revision,
			updated_at,
			updated_by
		FROM points
		WHERE deleted = 0 AND json_array_length(body, '$.properties.pull_tests') > 0
		ORDER BY id`)
	out, err := all(rows, err, discreetly(ctx, readPoint))
	return out, explain("list pull tests", err)
}
