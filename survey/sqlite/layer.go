package sqlite

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"iter"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"

	"holdfast/survey"
)

// AddLayer stores a layer with its features in one transaction, or nothing
// when the sequence yields an error. A layer of that id is replaced; its
// earlier description stays in the history. Features are numbered from 1 in
// the order they come, and that number is their id when read back; an id the
// source gave is kept as the property source_id. The sequence must not write
// to this store.
func (s *Store) AddLayer(ctx context.Context, l survey.Layer, features iter.Seq2[survey.LayerFeature, error], a Author) (survey.Layer, error) {
	if err := l.Validate(); err != nil {
		return l, err
	}
	err := s.change(ctx, "save layer", a, func(t *tx) error {
		was, err := t.layer(ctx, l.ID)
		if err != nil {
			return err
		}
		if err := t.empty(ctx, was.n); err != nil {
			return err
		}
		l.LoadedAt, l.LoadedBy, l.Features = t.now, a.Who, 0
		held := newContents()
		for f, err := range features {
			if err != nil {
				return err
			}
			l.Features++
			if err := t.addFeature(ctx, was.n, l.Features, f, held); err != nil {
				return fmt.Errorf("feature %d: %w", l.Features, err)
			}
		}
		if err := t.saveContents(ctx, was.n, held); err != nil {
			return err
		}
		return t.saveLayer(ctx, was, l)
	})
	return l, err
}

// layer returns the layer of that id as it stands; when there is none, the row
// it is to get.
func (t *tx) layer(ctx context.Context, id string) (state, error) {
	var st state
	err := t.QueryRowContext(ctx, `SELECT n, revision, body FROM layers WHERE id = ?`, id).Scan(&st.n, &st.revision, &st.body)
	if !errors.Is(err, sql.ErrNoRows) {
		st.found, st.live = true, true
		return st, err
	}
	err = t.QueryRowContext(ctx, `
		SELECT
			(SELECT coalesce(max(n), 0) + 1 FROM layers),
			EXISTS (SELECT 1 FROM revisions WHERE collection = ? AND id = ?)`, Layers, id).Scan(&st.n, &st.found)
	return st, err
}

// empty removes the features and the file of a layer.
func (t *tx) empty(ctx context.Context, n int64) error {
	if _, err := t.ExecContext(ctx, `DELETE FROM layer_files WHERE layer = ?`, n); err != nil {
		return err
	}
	if _, err := t.ExecContext(ctx, `DELETE FROM layer_contents WHERE layer = ?`, n); err != nil {
		return err
	}
	if _, err := t.ExecContext(ctx, `DELETE FROM layer_features_box WHERE n IN (SELECT n FROM layer_features WHERE layer = ?)`, n); err != nil {
		return err
	}
	_, err := t.ExecContext(ctx, `DELETE FROM layer_features WHERE layer = ?`, n)
	return err
}

func (t *tx) addFeature(ctx context.Context, layer int64, number int, f survey.LayerFeature, held *contents) error {
	b, err := featureBound(f)
	if err != nil {
		return err
	}
	shape, err := wkb.Marshal(f.Geometry, binary.LittleEndian)
	if err != nil {
		return survey.Invalid("/geometry", "cannot be stored: %s", err)
	}
	props, members, err := withSource(f.Properties, f.ID)
	if err != nil {
		return survey.Invalid("/properties", "is not a JSON object: %s", err)
	}
	held.add(b, members)
	res, err := t.ExecContext(ctx, `
		INSERT INTO layer_features (
			layer,
			number,
			west,
			south,
			east,
			north,
			geometry,
			heights,
			properties
		) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		layer,
		number,
		b.Min.Lon(),
		b.Min.Lat(),
		b.Max.Lon(),
		b.Max.Lat(),
		shape,
		packHeights(f.Heights),
		text(props),
	)
	if err != nil {
		return err
	}
	n, err := res.LastInsertId()
	if err != nil {
		return err
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO layer_features_box (n, west, east, south, north)
		VALUES (?, ?, ?, ?, ?)`, n, b.Min.Lon(), b.Max.Lon(), b.Min.Lat(), b.Max.Lat())
	return err
}

// featureBound requires a geometry whose positions are on the globe.
func featureBound(f survey.LayerFeature) (orb.Bound, error) {
	if f.Geometry == nil {
		return orb.Bound{}, survey.Invalid("/geometry", "is missing")
	}
	b := extent(f.Geometry)
	if !finite(b.Min[0], b.Min[1], b.Max[0], b.Max[1]) {
		return b, survey.Invalid("/geometry/coordinates", "holds a number that is not finite")
	}
	if b.IsEmpty() {
		return b, survey.Invalid("/geometry/coordinates", "has no position")
	}
	if !world.Contains(b.Min) || !world.Contains(b.Max) {
		return b, survey.Invalid("/geometry/coordinates", "is not on the globe: longitude must be within ±180 and latitude within ±90")
	}
	return b, nil
}

// withSource keeps the source's own id beside the properties, and returns them
// whole and one by one.
func withSource(props json.RawMessage, id string) (json.RawMessage, map[string]json.RawMessage, error) {
	const key = "source_id"
	var members map[string]json.RawMessage
	if len(props) > 0 {
		if err := json.Unmarshal(props, &members); err != nil {
			return nil, nil, err
		}
	}
	if _, has := members[key]; id == "" || has {
		return props, members, nil
	}
	value, err := json.Marshal(id)
	if err != nil {
		return nil, nil, err
	}
	if members == nil {
		members = make(map[string]json.RawMessage, 1)
	}
	members[key] = value
	props, err = json.Marshal(members)
	return props, members, err
}

func (t *tx) saveLayer(ctx context.Context, was state, l survey.Layer) error {
	body, err := json.Marshal(l)
	if err != nil {
		return fmt.Errorf("write layer: %w", err)
	}
	verb := Create
	switch {
	case was.live:
		verb = Replace
	case was.found:
		verb = Restore
	}
	number, err := t.record(ctx, Layers, l.ID, verb, was.body, body)
	if err != nil {
		return err
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO layers (
			n,
			id,
			role,
			body,
			revision
		) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (n) DO UPDATE SET
			role     = excluded.role,
			body     = excluded.body,
			revision = excluded.revision`, was.n, l.ID, string(l.Role), string(body), number)
	return err
}

// RemoveLayer takes a layer and its features out of the atlas; its description
// stays in the history.
func (s *Store) RemoveLayer(ctx context.Context, id string, a Author) error {
	return s.change(ctx, "remove layer", a, func(t *tx) error {
		was, err := t.layer(ctx, id)
		if err != nil {
			return err
		}
		if !was.live {
			return survey.NotFound("layer", id)
		}
		if err := t.empty(ctx, was.n); err != nil {
			return err
		}
		if _, err := t.record(ctx, Layers, id, Delete, was.body, nil); err != nil {
			return err
		}
		_, err = t.ExecContext(ctx, `DELETE FROM layers WHERE n = ?`, was.n)
		return err
	})
}

// Layers returns every layer in the order of their ids.
func (s *Store) Layers(ctx context.Context) ([]survey.Layer, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT body FROM layers ORDER BY id`)
	if err != nil {
		return nil, explain("list layers", err)
	}
	defer rows.Close()
	var out []survey.Layer
	for rows.Next() {
		l, err := readLayer(rows)
		if err != nil {
			return nil, explain("list layers", err)
		}
		out = append(out, l)
	}
	return out, explain("list layers", rows.Err())
}

// Layer returns the layer with that id.
func (s *Store) Layer(ctx context.Context, id string) (survey.Layer, error) {
	l, err := readLayer(s.read.QueryRowContext(ctx, `SELECT body FROM layers WHERE id = ?`, id))
	if errors.Is(err, sql.ErrNoRows) {
		return l, survey.NotFound("layer", id)
	}
	return l, explain("read layer", err)
}

func readLayer(from scanner) (survey.Layer, error) {
	var l survey.Layer
	var body []byte
	if err := from.Scan(&body); err != nil {
		return l, err
	}
	return l, json.Unmarshal(body, &l)
}
