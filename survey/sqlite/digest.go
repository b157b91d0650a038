package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"

	"holdfast/survey"
)

// digestLayer returns the SHA-256 of what a layer holds, in hexadecimal: of
// every feature in its order the number in eight bytes, then geometry, heights
// and properties as they are stored, then of every piece of its file the
// bytes; each after its length in eight bytes, the highest first. The
// description of the layer carries it, and through that the history.
func digestLayer(ctx context.Context, q querier, layer int64) (string, error) {
	sum := sha256.New()
	err := eachRow(ctx, q, func(rows *sql.Rows) error {
		var number int64
		var shape, heights, properties sql.RawBytes
		if err := rows.Scan(&number, &shape, &heights, &properties); err != nil {
			return err
		}
		addFeature(sum, number, shape, heights, properties)
		return nil
	}, `
		SELECT
			number,
			geometry,
			heights,
			properties
		FROM layer_features
		WHERE layer = ?
		ORDER BY number`, layer)
	if err != nil {
		return "", err
	}
	err = eachRow(ctx, q, func(rows *sql.Rows) error {
		var bytes sql.RawBytes
		if err := rows.Scan(&bytes); err != nil {
			return err
		}
		addField(sum, bytes)
		return nil
	}, `SELECT bytes FROM layer_files WHERE layer = ? ORDER BY number`, layer)
	return hex.EncodeToString(sum.Sum(nil)), err
}

func addFeature(sum hash.Hash, number int64, shape, heights, properties []byte) {
	addNumber(sum, uint64(number))
	addField(sum, shape)
	addField(sum, heights)
	addField(sum, properties)
}

func addField(sum hash.Hash, b []byte) {
	addNumber(sum, uint64(len(b)))
	_, _ = sum.Write(b)
}

func addNumber(sum hash.Hash, n uint64) {
	_, _ = sum.Write(binary.BigEndian.AppendUint64(nil, n))
}

// eachRow runs a query and hands on its rows one by one.
func eachRow(ctx context.Context, q querier, do func(*sql.Rows) error, query string, args ...any) error {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := do(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// digestAll gives the layers of an atlas from before their digests.
func digestAll(ctx context.Context, t *tx) error {
	var ids []string
	err := eachRow(ctx, t, func(rows *sql.Rows) error {
		var id string
		err := rows.Scan(&id)
		ids = append(ids, id)
		return err
	}, `SELECT id FROM layers WHERE former_of IS NULL ORDER BY id`)
	if err != nil {
		return err
	}
	for _, id := range ids {
		was, err := t.layer(ctx, id)
		if err != nil {
			return err
		}
		var l survey.Layer
		if err := json.Unmarshal(was.body, &l); err != nil {
			return fmt.Errorf("read layer %s: %w", id, err)
		}
		if l.SHA256, err = digestLayer(ctx, t, was.n); err != nil {
			return err
		}
		body, err := json.Marshal(l)
		if err != nil {
			return fmt.Errorf("write layer %s: %w", id, err)
		}
		number, err := t.record(ctx, Layers, id, Replace, was.body, body)
		if err != nil {
			return err
		}
		if err := t.describe(ctx, was.n, l.Role, body, number); err != nil {
			return err
		}
	}
	return nil
}
