package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"strconv"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// Within returns features of a collection whose bounds meet b, at most about
// so many: of more, every second, third and so on, in the order in which they
// were stored, so that what is left is spread as they were. Limit 0 is no
// limit.
func (s *Store) Within(ctx context.Context, collection string, b orb.Bound, limit int) ([]geojson.Feature, error) {
	var out []geojson.Feature
	var err error
	switch collection {
	case Sites, Points:
		out, err = s.itemsWithin(ctx, collection, b, limit)
	default:
		out, err = s.featuresWithin(ctx, collection, b, limit)
	}
	return out, explain("look within "+collection, err)
}

func (s *Store) itemsWithin(ctx context.Context, table string, b orb.Bound, limit int) ([]geojson.Feature, error) {
	boxed, args := boxed(table, b)
	step, err := s.step(ctx, `SELECT count(*)`+boxed, args, limit)
	if err != nil {
		return nil, err
	}
	rows, err := s.read.QueryContext(ctx, `SELECT body FROM `+table+` WHERE n IN (SELECT n`+boxed+` AND n % ? = 0) ORDER BY n`, append(args, step)...)
	return readAll(rows, err, func(rows *sql.Rows) (f geojson.Feature, err error) {
		var body sql.RawBytes
		if err := rows.Scan(&body); err != nil {
			return f, err
		}
		f, err = readStored(body, func(body []byte) (f geojson.Feature, err error) { return f, json.Unmarshal(body, &f) })
		if err == nil && discreet(ctx) {
			f, err = discreetFeature(table, f)
		}
		return f, err
	})
}

func (s *Store) featuresWithin(ctx context.Context, id string, b orb.Bound, limit int) ([]geojson.Feature, error) {
	l, layer, err := s.layerAt(ctx, id)
	if err != nil {
		return nil, err
	}
	boxed, args := boxed("layer_features", b)
	step := 1
	if limit > 0 && l.Features > limit {
		// The rows of a layer were stored in one go, so they follow each other.
		step, err = s.step(ctx, `
			SELECT count(*)`+boxed+` AND n BETWEEN
				(SELECT n FROM layer_features WHERE layer = ? AND number = 1) AND
				(SELECT n FROM layer_features WHERE layer = ? AND number = ?)`, append(args[:len(args):len(args)], layer, layer, l.Features), limit)
		if err != nil {
			return nil, err
		}
	}
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			number,
			geometry,
			properties
		FROM layer_features
		WHERE n IN (SELECT n`+boxed+` AND n % ? = 0) AND +layer = ?
		ORDER BY n`, append(args, step, layer)...)
	return readAll(rows, err, func(rows *sql.Rows) (g geojson.Feature, err error) {
		var r rawFeature
		if err := rows.Scan(&r.number, &r.shape, &r.properties); err != nil {
			return g, err
		}
		f, err := r.feature(survey.Layer{ID: id})
		return geojson.Feature{ID: strconv.FormatInt(r.number, 10), NumericID: true, Geometry: geojson.Geometry{Geometry: f.Geometry}, Properties: f.Properties}, err
	})
}

// boxed is the source of the rows whose box meets b.
func boxed(table string, b orb.Bound) (string, []any) {
	return ` FROM ` + table + `_box WHERE east >= ? AND west <= ? AND north >= ? AND south <= ?`, []any{b.Min[0], b.Max[0], b.Min[1], b.Max[1]}
}

// step is how many rows to go on after each, to end with about so many of
// those counted.
func (s *Store) step(ctx context.Context, count string, args []any, limit int) (int, error) {
	if limit <= 0 {
		return 1, nil
	}
	var found int
	err := s.read.QueryRowContext(ctx, count, args...).Scan(&found)
	return max(1, (found+limit-1)/limit), err
}

func readAll(rows *sql.Rows, err error, read func(*sql.Rows) (geojson.Feature, error)) ([]geojson.Feature, error) {
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []geojson.Feature
	for rows.Next() {
		f, err := read(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	return out, rows.Err()
}
