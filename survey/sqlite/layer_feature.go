package sqlite

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"math"
	"strconv"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"

	"holdfast/geo"
	"holdfast/survey"
)

// LayerFeatures returns the features of a layer whose bounds meet bound (nil:
// all), in their order, those numbered above after; limit 0 is no limit. The
// ID of the last one, a number, is the after of the next page.
func (s *Store) LayerFeatures(ctx context.Context, id string, bound *orb.Bound, after int64, limit int) ([]survey.LayerFeature, error) {
	l, err := s.Layer(ctx, id)
	if err != nil {
		return nil, err
	}
	where, args := "layers.id = ? AND layer_features.number > ?", []any{l.ID, after}
	if bound != nil {
		cond, bounds, err := s.meets(ctx, "layer_features", *bound)
		if err != nil {
			return nil, err
		}
		where, args = where+" AND "+cond, append(args, bounds...)
	}
	if limit <= 0 {
		limit = -1
	}
	out, err := features(ctx, s.read, where+" ORDER BY layer_features.layer, layer_features.number LIMIT ?", append(args, limit)...)
	return out, explain("list layer "+id, err)
}

// LayerFeature returns one feature of a layer by its number.
func (s *Store) LayerFeature(ctx context.Context, id string, number int64) (survey.LayerFeature, error) {
	found, err := features(ctx, s.read, "layers.id = ? AND layer_features.number = ?", id, number)
	if err != nil {
		return survey.LayerFeature{}, explain("read layer "+id, err)
	}
	if len(found) == 0 {
		return survey.LayerFeature{}, survey.NotFound("feature of layer "+id, strconv.FormatInt(number, 10))
	}
	return found[0], nil
}

// CountLayerFeatures returns how many features of a layer meet bound (nil: all).
func (s *Store) CountLayerFeatures(ctx context.Context, id string, bound *orb.Bound) (int, error) {
	l, err := s.Layer(ctx, id)
	if err != nil || bound == nil {
		return l.Features, err
	}
	cond, args, err := s.meets(ctx, "layer_features", *bound)
	if err != nil {
		return 0, err
	}
	var n int
	err = s.read.QueryRowContext(ctx, `
		SELECT count(*)
		FROM layer_features
		WHERE layer = (SELECT n FROM layers WHERE id = ?) AND `+cond, append([]any{id}, args...)...).Scan(&n)
	return n, explain("count layer "+id, err)
}

// LayersNear returns the features of every layer whose bounds come within r of
// p, in the order of their layers, and the roles that any layer of the atlas
// has: a role that is missing there was not looked at, which is not the same
// as nothing near.
func (s *Store) LayersNear(ctx context.Context, p orb.Point, r geo.Length) (near []survey.LayerFeature, roles map[survey.Role]bool, err error) {
	b, err := around(p, r)
	if err != nil {
		return nil, nil, err
	}
	cond, args, err := s.meets(ctx, "layer_features", b)
	if err != nil {
		return nil, nil, explain("look near", err)
	}
	t, err := s.read.BeginTx(ctx, nil) // one moment: a role looked at and its features belong together
	if err != nil {
		return nil, nil, explain("look near", err)
	}
	defer t.Rollback() //nolint:errcheck // it only read
	if roles, err = readRoles(ctx, t); err != nil {
		return nil, nil, explain("look near", err)
	}
	near, err = features(ctx, t, cond+" ORDER BY layer_features.layer, layer_features.number", args...)
	return near, roles, explain("look near", err)
}

// querier is a pool or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func readRoles(ctx context.Context, q querier) (map[survey.Role]bool, error) {
	rows, err := q.QueryContext(ctx, `SELECT DISTINCT role FROM layers ORDER BY role`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	roles := make(map[survey.Role]bool)
	for rows.Next() {
		var role survey.Role
		if err := rows.Scan(&role); err != nil {
			return nil, err
		}
		roles[role] = true
	}
	return roles, rows.Err()
}

// features reads the features that meet a condition.
func features(ctx context.Context, q querier, where string, args ...any) ([]survey.LayerFeature, error) {
	rows, err := q.QueryContext(ctx, `
		SELECT
			layers.body,
			layer_features.layer,
			layer_features.number,
			layer_features.geometry,
			layer_features.heights,
			layer_features.properties
		FROM layer_features
		JOIN layers ON layers.n = layer_features.layer
		WHERE `+where, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	layers := map[int64]survey.Layer{}
	var out []survey.LayerFeature
	for rows.Next() {
		f, err := readFeature(rows, layers)
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	return out, rows.Err()
}

// readFeature reads one feature; layers keeps the descriptions read so far.
func readFeature(rows *sql.Rows, layers map[int64]survey.Layer) (survey.LayerFeature, error) {
	var f survey.LayerFeature
	var body, shape, heights, props sql.RawBytes
	var layer, number int64
	if err := rows.Scan(&body, &layer, &number, &shape, &heights, &props); err != nil {
		return f, err
	}
	l, ok := layers[layer]
	if !ok {
		if err := json.Unmarshal(body, &l); err != nil {
			return f, refuse(ErrDamaged, err, "a stored layer cannot be read: %s", err)
		}
		layers[layer] = l
	}
	g, err := wkb.Unmarshal(shape)
	if err != nil {
		return f, refuse(ErrDamaged, err, "feature %d of layer %s cannot be read: %s", number, l.ID, err)
	}
	f = survey.LayerFeature{Layer: l.Title, LayerID: l.ID, Role: l.Role, AsOf: l.AsOf, ID: strconv.FormatInt(number, 10), Geometry: g}
	if f.Heights, err = unpackHeights(heights); err != nil {
		return f, err
	}
	if props != nil {
		f.Properties = append(json.RawMessage(nil), props...)
	}
	return f, nil
}

// packHeights writes heights as float64 little-endian, none as NULL.
func packHeights(z []float64) []byte {
	if z == nil {
		return nil
	}
	b := make([]byte, 0, 8*len(z))
	for _, v := range z {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
	}
	return b
}

func unpackHeights(b []byte) ([]float64, error) {
	if b == nil {
		return nil, nil
	}
	if len(b)%8 != 0 {
		return nil, refuse(ErrDamaged, nil, "stored heights cannot be read: %d bytes", len(b))
	}
	z := make([]float64, len(b)/8)
	for i := range z {
		z[i] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))
	}
	return z, nil
}
