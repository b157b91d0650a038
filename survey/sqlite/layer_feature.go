package sqlite

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strconv"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"

	"holdfast/geo"
	"holdfast/geo/cql2"
	"holdfast/survey"
)

// Features returns the chosen features of a layer in the order of their
// numbers, which are their ids. Of the filter, Site and Text say nothing here;
// Where asks for the properties by their names and for GeometryName.
func (s *Store) Features(ctx context.Context, id string, f Filter) ([]survey.LayerFeature, error) {
	out, err := s.features(ctx, id, f)
	return out, explain("list layer "+id, err)
}

func (s *Store) features(ctx context.Context, id string, f Filter) ([]survey.LayerFeature, error) {
	l, n, err := s.layerAt(ctx, id)
	if err != nil {
		return nil, err
	}
	c, err := s.chooseFeatures(ctx, n, f, fewRows)
	if err != nil {
		return nil, err
	}
	after, clause, args, err := f.numbered()
	if err != nil {
		return nil, err
	}
	limit := f.Limit
	if limit <= 0 || !c.exact() {
		limit = -1
	}
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			number,
			geometry,
			heights,
			properties,
			`+c.inside+`
		FROM layer_features
		WHERE `+c.sql+` AND `+after+clause+`
		LIMIT ?`, slices.Concat(c.insideArgs, c.args, args, []any{limit})...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []survey.LayerFeature
	for (f.Limit <= 0 || len(out) < f.Limit) && rows.Next() {
		var r rawFeature
		var inside bool
		if err := rows.Scan(&r.number, &r.shape, &r.heights, &r.properties, &inside); err != nil {
			return nil, err
		}
		if ok, err := c.holdsFeature(inside, r); err != nil {
			return nil, err
		} else if !ok {
			continue
		}
		one, err := r.feature(l)
		if err != nil {
			return nil, err
		}
		out = append(out, one)
	}
	return out, rows.Err()
}

// layerAt returns a layer and its row.
func (s *Store) layerAt(ctx context.Context, id string) (l survey.Layer, n int64, err error) {
	var body []byte
	err = s.read.QueryRowContext(ctx, `SELECT n, body FROM layers WHERE id = ?`, id).Scan(&n, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return l, 0, survey.NotFound("layer", id)
	}
	if err != nil {
		return l, 0, err
	}
	return l, n, json.Unmarshal(body, &l)
}

// chooseFeatures translates a filter of the features of a layer.
func (s *Store) chooseFeatures(ctx context.Context, layer int64, f Filter, few int) (choice, error) {
	c, err := s.choose(ctx, "layer_features", f, layerColumn, few)
	if err != nil {
		return c, err
	}
	if c.narrow { // the plus keeps SQLite from walking the whole layer instead of the few rows
		c.and("+layer_features.layer = ?", layer)
	} else {
		c.and("layer_features.layer = ?", layer)
	}
	return c, nil
}

// numbered is ordered for the features of a layer.
func (f Filter) numbered() (cond, clause string, args []any, err error) {
	if f.Order.By != "" && f.Order.By != IDName {
		return "", "", nil, survey.Invalid("", "the features of a layer cannot be put in the order of %q", f.Order.By)
	}
	than, way := " > ", ""
	if f.Order.Down {
		than, way = " < ", " DESC"
	}
	cond, clause = "1", " ORDER BY layer_features.layer"+way+", layer_features.number"+way
	if f.After != "" {
		n, err := strconv.ParseInt(f.After, 10, 64)
		if err != nil {
			return "", "", nil, survey.Invalid("", "%q is no number of a feature", f.After)
		}
		cond, args = "layer_features.number"+than+"?", []any{n}
	}
	return cond, clause, args, nil
}

// holdsFeature answers for a stored feature.
func (c choice) holdsFeature(inside bool, r rawFeature) (bool, error) {
	shape, properties := c.needs(inside)
	if !shape && !properties {
		return true, nil
	}
	var f cql2.Feature
	if shape {
		g, err := wkb.Unmarshal(r.shape)
		if err != nil {
			return false, refuse(ErrDamaged, err, "feature %d cannot be read: %s", r.number, err)
		}
		f.Geometry = g
	}
	if properties && r.properties != nil {
		if err := json.Unmarshal(r.properties, &f.Properties); err != nil {
			return false, refuse(ErrDamaged, err, "feature %d cannot be read: %s", r.number, err)
		}
	}
	return c.holds(inside, f), nil
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

// CountFeatures returns how many features of a layer the filter chooses
// in all, whatever its After and Limit.
func (s *Store) CountFeatures(ctx context.Context, id string, f Filter) (int, error) {
	l, n, err := s.layerAt(ctx, id)
	if err != nil || f.Bound == nil && f.Where == nil {
		return l.Features, explain("count layer "+id, err)
	}
	c, err := s.chooseFeatures(ctx, n, f, fewCount)
	if err != nil {
		return 0, explain("count layer "+id, err)
	}
	total, err := c.count(ctx, s.read, "layer_features", "number, geometry, properties", func(rows *sql.Rows, inside *bool) (bool, error) {
		var r rawFeature
		if err := rows.Scan(&r.number, &r.shape, &r.properties, inside); err != nil {
			return false, err
		}
		return c.holdsFeature(*inside, r)
	})
	return total, explain("count layer "+id, err)
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
	m, err := s.meets(ctx, "layer_features", b, fewRows)
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
	near, err = features(ctx, t, m.sql+" ORDER BY layer_features.layer, layer_features.number", m.args...)
	return near, roles, explain("look near", err)
}

// LayersWithin returns the features of every layer whose bounds meet b, in the
// order LayersNear has, and the roles that any layer of the atlas has. More
// features than limit are a survey.ErrConflict.
func (s *Store) LayersWithin(ctx context.Context, b orb.Bound, limit int) ([]survey.LayerFeature, map[survey.Role]bool, error) {
	t, err := s.read.BeginTx(ctx, nil)
	if err != nil {
		return nil, nil, explain("look within", err)
	}
	defer t.Rollback() //nolint:errcheck // it only read
	roles, err := readRoles(ctx, t)
	if err != nil {
		return nil, nil, explain("look within", err)
	}
	boxed, args := boxed("layer_features", b)
	var found int
	if err := t.QueryRowContext(ctx, `SELECT count(*)`+boxed, args...).Scan(&found); err != nil {
		return nil, nil, explain("look within", err)
	}
	if found > limit {
		return nil, nil, refuse(survey.ErrConflict, nil, "%d features of layers lie there; at most %d can be taken", found, limit)
	}
	near, err := features(ctx, t, `layer_features.n IN (SELECT n`+boxed+`) ORDER BY layer_features.layer, layer_features.number`, args...)
	return near, roles, explain("look within", err)
}

// querier is a pool or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

func readRoles(ctx context.Context, q querier) (map[survey.Role]bool, error) {
	rows, err := q.QueryContext(ctx, `SELECT DISTINCT role FROM layers WHERE former_of IS NULL ORDER BY role`)
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
		JOIN layers ON layers.n = layer_features.layer AND layers.former_of IS NULL
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
	var r rawFeature
	var body sql.RawBytes
	var layer int64
	if err := rows.Scan(&body, &layer, &r.number, &r.shape, &r.heights, &r.properties); err != nil {
		return survey.LayerFeature{}, err
	}
	l, ok := layers[layer]
	if !ok {
		if err := json.Unmarshal(body, &l); err != nil {
			return survey.LayerFeature{}, refuse(ErrDamaged, err, "a stored layer cannot be read: %s", err)
		}
		layers[layer] = l
	}
	return r.feature(l)
}

// rawFeature is a feature as it is stored; it holds until the next row is read.
type rawFeature struct {
	number                     int64
	shape, heights, properties sql.RawBytes
}

func (r rawFeature) feature(l survey.Layer) (survey.LayerFeature, error) {
	f := survey.LayerFeature{Layer: l.Title, LayerID: l.ID, Role: l.Role, AsOf: l.AsOf, ID: strconv.FormatInt(r.number, 10)}
	g, err := wkb.Unmarshal(r.shape)
	if err != nil {
		return f, refuse(ErrDamaged, err, "feature %d of layer %s cannot be read: %s", r.number, l.ID, err)
	}
	f.Geometry = g
	if f.Heights, err = unpackHeights(r.heights); err != nil {
		return f, err
	}
	if r.properties != nil {
		f.Properties = append(json.RawMessage(nil), r.properties...)
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
