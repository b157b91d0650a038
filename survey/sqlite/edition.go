package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"

	"holdfast/survey"
)

// setAside makes the edition in force the former one of its layer. What was
// kept as that before goes for good.
func (t *tx) setAside(ctx context.Context, was state, id string) error {
	former, err := t.former(ctx, id)
	if err != nil {
		return err
	}
	if former.found {
		if err := t.drop(ctx, former.n); err != nil {
			return err
		}
	}
	if !was.live {
		return nil
	}
	if err := t.unbox(ctx, was.n); err != nil {
		return err
	}
	_, err = t.ExecContext(ctx, `UPDATE layers SET id = '/' || n, former_of = ? WHERE n = ?`, id, was.n)
	return err
}

// former returns the former edition that is kept of a layer, if one is.
func (t *tx) former(ctx context.Context, id string) (state, error) {
	var st state
	err := t.QueryRowContext(ctx, `SELECT n, revision, body FROM layers WHERE former_of = ?`, id).Scan(&st.n, &st.revision, &st.body)
	if errors.Is(err, sql.ErrNoRows) {
		return st, nil
	}
	st.found = true
	return st, err
}

// drop removes an edition with its features and its file.
func (t *tx) drop(ctx context.Context, n int64) error {
	if err := t.unbox(ctx, n); err != nil {
		return err
	}
	for _, statement := range []string{
		`DELETE FROM layer_files WHERE layer = ?`,
		`DELETE FROM layer_contents WHERE layer = ?`,
		`DELETE FROM layer_features WHERE layer = ?`,
		`DELETE FROM layers WHERE n = ?`,
	} {
		if _, err := t.ExecContext(ctx, statement, n); err != nil {
			return err
		}
	}
	return nil
}

// unbox takes the features of an edition out of the box index.
func (t *tx) unbox(ctx context.Context, n int64) error {
	_, err := t.ExecContext(ctx, `DELETE FROM layer_features_box WHERE n IN (SELECT n FROM layer_features WHERE layer = ?)`, n)
	return err
}

// putBack puts the former edition of a layer in force again, in the place of
// the one that is.
func (t *tx) putBack(ctx context.Context, id string, now, former state) error {
	verb := Restore
	if now.live {
		verb = Replace
		if err := t.drop(ctx, now.n); err != nil {
			return err
		}
	}
	number, err := t.record(ctx, Layers, id, verb, now.body, former.body)
	if err != nil {
		return err
	}
	if _, err := t.ExecContext(ctx, `UPDATE layers SET id = ?, former_of = NULL, revision = ? WHERE n = ?`, id, number, former.n); err != nil {
		return err
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO layer_features_box (n, west, east, south, north)
		SELECT n, west, east, south, north FROM layer_features WHERE layer = ?`, former.n)
	return err
}

// RestoreLayer brings back a layer that was taken out, while it is kept.
func (s *Store) RestoreLayer(ctx context.Context, id string, a Author) error {
	return s.change(ctx, "restore layer", a, func(t *tx) error {
		now, err := t.layer(ctx, id)
		if err != nil {
			return err
		}
		former, err := t.former(ctx, id)
		switch {
		case err != nil:
			return err
		case now.live:
			return refuse(survey.ErrConflict, nil, "the layer %s is there already", id)
		case !former.found:
			return survey.NotFound("layer that was taken out", id)
		}
		return t.putBack(ctx, id, now, former)
	})
}

// RemovedLayers returns the layers that were taken out and are still kept, in
// the order of their ids.
func (s *Store) RemovedLayers(ctx context.Context) ([]survey.Layer, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT body
		FROM layers
		WHERE former_of IS NOT NULL AND former_of NOT IN (SELECT id FROM layers)
		ORDER BY former_of`)
	if err != nil {
		return nil, explain("list layers", err)
	}
	defer rows.Close()
	var out []survey.Layer
	for rows.Next() {
		var body []byte
		var l survey.Layer
		if err := rows.Scan(&body); err != nil {
			return nil, explain("list layers", err)
		}
		if err := json.Unmarshal(body, &l); err != nil {
			return nil, refuse(ErrDamaged, err, "a stored layer cannot be read: %s", err)
		}
		out = append(out, l)
	}
	return out, explain("list layers", rows.Err())
}
