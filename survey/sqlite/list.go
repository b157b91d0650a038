package sqlite

import (
	"context"
	"database/sql"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
)

// Filter chooses items; its zero value chooses all.
type Filter struct {
	// Bound keeps items whose bounds meet it, edges included. When Min is
	// east of Max it crosses the 180° meridian.
	Bound *orb.Bound
	// Site keeps the points of a site, or that site, by its id or code.
	Site string
	// Text keeps sites whose name or code, or points whose label, contain it,
	// in any letter case.
	Text string
	// After keeps ids that sort after it: the last id of the page before.
	After string
	// Limit is the most items returned; 0 is no limit.
	Limit int
}

// Sites returns the chosen sites in the order of their ids.
func (s *Store) Sites(ctx context.Context, f Filter) ([]Row[survey.Site], error) {
	return list(ctx, s, siteKind, f, readSite)
}

// Points returns the chosen points in the order of their ids.
func (s *Store) Points(ctx context.Context, f Filter) ([]Row[survey.Point], error) {
	return list(ctx, s, pointKind, f, readPoint)
}

// CountSites returns how many sites the filter chooses in all, whatever its
// After and Limit.
func (s *Store) CountSites(ctx context.Context, f Filter) (int, error) {
	return s.count(ctx, siteKind, f)
}

// CountPoints is CountSites for points.
func (s *Store) CountPoints(ctx context.Context, f Filter) (int, error) {
	return s.count(ctx, pointKind, f)
}

// PointsWithin returns every point within r of p, and some a little further
// off: it looks in the box round that circle. Measure before relying on it.
func (s *Store) PointsWithin(ctx context.Context, p orb.Point, r geo.Length) ([]Row[survey.Point], error) {
	b, err := around(p, r)
	if err != nil {
		return nil, err
	}
	return s.Points(ctx, Filter{Bound: &b})
}

func list[T any](ctx context.Context, s *Store, k kind, f Filter, read func([]byte) (T, error)) ([]Row[T], error) {
	where, args, err := s.where(ctx, k, f)
	if err != nil {
		return nil, err
	}
	limit := f.Limit
	if limit <= 0 {
		limit = -1
	}
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			body,
			revision,
			updated_at,
			updated_by
		FROM `+k.table+`
		WHERE `+where+` AND id > ?
		ORDER BY id
		LIMIT ?`, append(args, f.After, limit)...)
	out, err := all(rows, err, read)
	return out, explain("list "+k.table, err)
}

func (s *Store) count(ctx context.Context, k kind, f Filter) (int, error) {
	where, args, err := s.where(ctx, k, f)
	if err != nil {
		return 0, err
	}
	var n int
	err = s.read.QueryRowContext(ctx, `SELECT count(*) FROM `+k.table+` WHERE `+where, args...).Scan(&n)
	return n, explain("count "+k.table, err)
}

// where writes the filter as SQL conditions, without After and Limit.
func (s *Store) where(ctx context.Context, k kind, f Filter) (string, []any, error) {
	parts, args := []string{"deleted = 0"}, []any{}
	if f.Bound != nil {
		cond, bounds, err := s.meets(ctx, k.table, *f.Bound)
		if err != nil {
			return "", nil, err
		}
		parts, args = append(parts, cond), append(args, bounds...)
	}
	if f.Site != "" {
		const site = `(SELECT id FROM sites WHERE deleted = 0 AND (id = ? OR code = ?) ORDER BY id = ? DESC LIMIT 1)`
		if k.table == Points {
			parts = append(parts, "site = "+site)
		} else {
			parts = append(parts, "id = "+site)
		}
		args = append(args, f.Site, fold(f.Site), f.Site)
	}
	if f.Text != "" {
		parts, args = append(parts, "instr(words, ?) > 0"), append(args, fold(f.Text))
	}
	return strings.Join(parts, " AND "), args, nil
}

// all reads every row of a query.
func all[T any](rows *sql.Rows, err error, read func([]byte) (T, error)) ([]Row[T], error) {
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Row[T]
	for rows.Next() {
		row, err := one(rows, read)
		if err != nil {
			return nil, err
		}
		out = append(out, row)
	}
	return out, rows.Err()
}
