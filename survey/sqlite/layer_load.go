package sqlite

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"iter"
	"strings"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// ready is a feature made ready for its row.
type ready struct {
	bound          orb.Bound
	shape, heights []byte
	properties     []byte // JSON, nil when there are none
}

// load writes the features of a layer and returns how many there were, with
// what they hold.
func (t *tx) load(ctx context.Context, layer int64, features iter.Seq2[survey.LayerFeature, error]) (n int, held *contents, err error) {
	held = newContents()
	err = inBatches(makeReady(features, held), func(batches <-chan batch[ready]) (err error) {
		n, err = t.write(ctx, layer, batches)
		return err
	})
	return n, held, err
}

// makeReady makes features ready one by one.
func makeReady(features iter.Seq2[survey.LayerFeature, error], held *contents) iter.Seq2[ready, error] {
	return func(yield func(ready, error) bool) {
		scan := geojson.NewMembers()
		number := 0
		for f, err := range features {
			var r ready
			if err == nil {
				number++
				if r, err = prepare(f, held, scan); err == nil {
					addFeature(held.sum, int64(number), r.shape, r.heights, r.properties)
				} else {
					err = fmt.Errorf("feature %d: %w", number, err)
				}
			}
			if !yield(r, err) || err != nil {
				return
			}
		}
	}
}

func prepare(f survey.LayerFeature, held *contents, scan *geojson.Members) (ready, error) {
	var r ready
	var err error
	if r.bound, err = featureBound(f); err != nil {
		return r, err
	}
	if r.shape, err = wkb.Marshal(f.Geometry, binary.LittleEndian); err != nil {
		return r, survey.Invalid("/geometry", "cannot be stored: %s", err)
	}
	r.heights = packHeights(f.Heights)
	if r.properties, err = withSource(f.Properties, f.ID, scan); err != nil {
		return r, survey.Invalid("/properties", "is not a JSON object: %s", err)
	}
	held.add(r.bound, scan)
	return r, nil
}

// write stores what comes, numbered from 1.
func (t *tx) write(ctx context.Context, layer int64, batches <-chan batch[ready]) (int, error) {
	var before int64
	if err := t.QueryRowContext(ctx, `SELECT coalesce(max(n), 0) FROM layer_features`).Scan(&before); err != nil {
		return 0, err
	}
	// The driver watches a context that can end with a goroutine a statement.
	quiet := context.WithoutCancel(ctx)
	full, done := insertFeatures(batchSize), 0
	args := make([]any, 0, featureColumns*batchSize)
	for b := range batches {
		args = args[:0]
		for i, r := range b.rows {
			number := int64(done + i + 1)
			args = append(args, before+number, layer, number, r.bound.Min.Lon(), r.bound.Min.Lat(), r.bound.Max.Lon(), r.bound.Max.Lat(), r.shape, r.heights, r.json())
		}
		statement := full
		if len(b.rows) < batchSize {
			statement = insertFeatures(len(b.rows))
		}
		if len(b.rows) > 0 {
			_, err := t.ExecContext(quiet, statement, args...)
			if err == nil {
				_, err = t.ExecContext(quiet, boxFeatures, before+int64(done)+1, before+int64(done+len(b.rows)))
			}
			if ended := ctx.Err(); ended != nil {
				return done, ended // whatever the statements made of it
			}
			if err != nil {
				return done, err
			}
		}
		if done += len(b.rows); b.err != nil {
			return done, b.err
		}
	}
	return done, nil
}

func (r ready) json() any {
	if r.properties == nil {
		return nil
	}
	return string(r.properties)
}

const featureColumns = 10

// insertFeatures writes so many rows in one statement.
func insertFeatures(rows int) string {
	row := "(" + strings.TrimSuffix(strings.Repeat("?, ", featureColumns), ", ") + ")"
	return `
		INSERT INTO layer_features (
			n,
			layer,
			number,
			west,
			south,
			east,
			north,
			geometry,
			heights,
			properties
		) VALUES ` + strings.TrimSuffix(strings.Repeat(row+", ", rows), ", ")
}

// boxFeatures puts rows that were just written into the box index.
const boxFeatures = `
	INSERT INTO layer_features_box (n, west, east, south, north)
	SELECT n, west, east, south, north FROM layer_features WHERE n BETWEEN ? AND ?`

// withSource keeps the source's own id beside the properties, which scan then
// holds one by one.
func withSource(props json.RawMessage, id string, scan *geojson.Members) ([]byte, error) {
	const key = "source_id"
	if err := scan.Read(props); err != nil {
		return nil, err
	}
	if _, has := scan.Get(key); id == "" || has {
		return props, nil
	}
	value, err := json.Marshal(id)
	if err != nil {
		return nil, err
	}
	out := make([]byte, 0, len(props)+len(value)+len(key)+6)
	if len(scan.List) == 0 {
		out = append(out, '{')
	} else {
		end := scan.End // of the last value
		out = append(append(out, props[:end]...), ',')
	}
	out = append(out, `"`+key+`":`...)
	out = append(append(out, value...), '}')
	scan.List = append(scan.List, geojson.Member{Name: key, Value: value})
	return out, nil
}
