package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"

	"github.com/paulmach/orb"

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
		l.LoadedAt, l.LoadedBy = t.now, a.Who
		var held *contents
		if l.Features, held, err = t.load(ctx, was.n, features); err != nil {
			return err
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
