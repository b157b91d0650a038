package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"iter"

	"github.com/paulmach/orb"

	"holdfast/survey"
)

// AddLayer stores a layer with its features in one transaction, or nothing
// when the sequence yields an error. A layer of that id is replaced; what was
// in force is kept as its former edition until the next one is stored, and its
// description stays in the history. Features are numbered from 1 in the order
// they come, and that number is their id when read back; an id the source gave
// is kept as the property source_id. The sequence is read in a goroutine that
// has ended when AddLayer returns; it must not write to this store.
func (s *Store) AddLayer(ctx context.Context, l survey.Layer, features iter.Seq2[survey.LayerFeature, error], a Author) (survey.Layer, error) {
	l, _, err := s.addLayer(ctx, l, features, nil, a)
	return l, err
}

// ImportLayer is AddLayer for a file, and keeps on file what it was. The layer
// may be described until the sequence has ended: it is asked for then.
func (s *Store) ImportLayer(ctx context.Context, l survey.Layer, features iter.Seq2[survey.LayerFeature, error], o Origin, a Author) (survey.Layer, Import, error) {
	return s.addLayer(ctx, l, features, &o, a)
}

func (s *Store) addLayer(ctx context.Context, l survey.Layer, features iter.Seq2[survey.LayerFeature, error], o *Origin, a Author) (survey.Layer, Import, error) {
	var made Import
	if err := l.Validate(); err != nil {
		return l, made, err
	}
	err := s.change(ctx, "save layer", a, func(t *tx) error {
		was, n, err := t.nextEdition(ctx, l.ID)
		if err != nil {
			return err
		}
		l.LoadedAt, l.LoadedBy = t.now, a.Who
		var held *contents
		if l.Features, held, err = t.load(ctx, n, features); err != nil {
			return err
		}
		if o != nil && o.Refused != nil {
			l.Refused = o.Refused()
		}
		if err := t.saveContents(ctx, n, held); err != nil {
			return err
		}
		l.SHA256 = hex.EncodeToString(held.sum.Sum(nil)) // what digestLayer finds
		made, err = t.saveLayer(ctx, was, n, l, o)
		return err
	})
	return l, made, err
}

// layer returns the layer of that id as it stands.
func (t *tx) layer(ctx context.Context, id string) (state, error) {
	var st state
	err := t.QueryRowContext(ctx, `SELECT n, revision, body FROM layers WHERE id = ?`, id).Scan(&st.n, &st.revision, &st.body)
	if !errors.Is(err, sql.ErrNoRows) {
		st.found, st.live = true, true
		return st, err
	}
	err = t.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM revisions WHERE collection = ? AND id = ?)`, Layers, id).Scan(&st.found)
	return st, err
}

// nextEdition makes room for another edition of a layer and returns what is in
// force, now its former edition, and the row of the next.
func (t *tx) nextEdition(ctx context.Context, id string) (was state, n int64, err error) {
	if was, err = t.layer(ctx, id); err != nil {
		return was, 0, err
	}
	// Before an edition goes, so that none gets the number of one that was there: see State.
	if err := t.QueryRowContext(ctx, `SELECT coalesce(max(n), 0) + 1 FROM layers`).Scan(&n); err != nil {
		return was, 0, err
	}
	return was, n, t.setAside(ctx, was, id)
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

func (t *tx) saveLayer(ctx context.Context, was state, n int64, l survey.Layer, o *Origin) (Import, error) {
	var made Import
	body, err := json.Marshal(l)
	if err != nil {
		return made, fmt.Errorf("write layer: %w", err)
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
		return made, err
	}
	var by any // no import that is on file
	if o != nil {
		if made, err = t.noteImport(ctx, *o, l.ID, number, number); err != nil {
			return made, err
		}
		by = made.Number
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO layers (
			n,
			id,
			role,
			body,
			revision,
			import
		) VALUES (?, ?, ?, ?, ?, ?)`, n, l.ID, string(l.Role), string(body), number, by)
	return made, err
}

// DescribeLayer changes what a layer is called, how it takes part, the date of
// its data and its licence, as survey.Layer.Describe has it; what is in force
// and what is kept of the former edition stay. A layer that has become another
// than the one seen is refused as PutSite does; nothing is written when nothing
// changes.
func (s *Store) DescribeLayer(ctx context.Context, as survey.Layer, seen survey.Opt[int64], a Author) (survey.Layer, error) {
	var l survey.Layer
	err := s.change(ctx, "describe layer", a, func(t *tx) error {
		was, err := t.layer(ctx, as.ID)
		if err != nil {
			return err
		}
		if !was.live {
			return survey.NotFound("layer", as.ID)
		}
		if err := was.expect(seen); err != nil {
			return fmt.Errorf("describe layer %s: %w", as.ID, err)
		}
		if err := json.Unmarshal(was.body, &l); err != nil {
			return fmt.Errorf("read layer: %w", err)
		}
		if l, err = l.Describe(as); err != nil {
			return err
		}
		body, err := json.Marshal(l)
		if err != nil || bytes.Equal(body, was.body) {
			return err
		}
		number, err := t.record(ctx, Layers, l.ID, Replace, was.body, body)
		if err != nil {
			return err
		}
		return t.describe(ctx, was.n, l.Role, body, number)
	})
	return l, err
}

// describe writes what a revision says of the layer in a row.
func (t *tx) describe(ctx context.Context, n int64, role survey.Role, body []byte, revision int64) error {
	_, err := t.ExecContext(ctx, `UPDATE layers SET body = ?, role = ?, revision = ? WHERE n = ?`, string(body), string(role), revision, n)
	return err
}

// RemoveLayer takes a layer out of the atlas. It is kept as a former edition
// until a layer of its id is stored again; RestoreLayer brings it back.
func (s *Store) RemoveLayer(ctx context.Context, id string, a Author) error {
	return s.change(ctx, "remove layer", a, func(t *tx) error {
		was, err := t.layer(ctx, id)
		if err != nil {
			return err
		}
		if !was.live {
			return survey.NotFound("layer", id)
		}
		if err := t.setAside(ctx, was, id); err != nil {
			return err
		}
		_, err = t.record(ctx, Layers, id, Delete, was.body, nil)
		return err
	})
}

// Layers returns every layer in the order of their ids.
func (s *Store) Layers(ctx context.Context) ([]survey.Layer, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT body FROM layers WHERE former_of IS NULL ORDER BY id`)
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

// LayerRow returns the layer with that id and the last change to it.
func (s *Store) LayerRow(ctx context.Context, id string) (Row[survey.Layer], error) {
	var out Row[survey.Layer]
	var body []byte
	var at moment
	err := s.read.QueryRowContext(ctx, `
		SELECT
			layers.body,
			layers.revision,
			revisions.at,
			revisions.who
		FROM layers
		JOIN revisions ON revisions.number = layers.revision
		WHERE layers.id = ?`, id).Scan(&body, &out.Revision, &at, &out.UpdatedBy)
	if errors.Is(err, sql.ErrNoRows) {
		return out, survey.NotFound("layer", id)
	}
	if err == nil {
		out.UpdatedAt, err = at.Time, json.Unmarshal(body, &out.Item)
	}
	return out, explain("read layer", err)
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
