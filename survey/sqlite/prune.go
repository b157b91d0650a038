package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"holdfast/survey"
)

// Outdated is something that need not be kept any more.
type Outdated struct {
	Of    survey.Kept `json:"of"`
	ID    string      `json:"id"`    // of the photo or the layer; of sign-ins "log"
	Since time.Time   `json:"since"` // it is not in use; of sign-ins the last of them
	Count int         `json:"count"` // features of a layer, entries of the log; of a photo 1
	Bytes int64       `json:"bytes"`
}

// Outdated lists what was out of use before the moments given for each kind.
// Nothing is that is listed, in force, or a side of a conflict: photos of no
// point, former editions of layers, and of sign-ins in the log from where and
// with what. A time is the later of that of the change and that of its coming
// here, so that another atlas's clock makes nothing old.
func (s *Store) Outdated(ctx context.Context, before map[survey.Kept]time.Time) ([]Outdated, error) {
	t, err := s.read.BeginTx(ctx, nil)
	if err != nil {
		return nil, explain("look for what is outdated", err)
	}
	defer t.Rollback() //nolint:errcheck // it only read
	out, err := (&tx{Tx: t}).outdated(ctx, before)
	return out, explain("look for what is outdated", err)
}

// Prune removes what Outdated lists and calls each after every removal. Each is
// a change of its own with an entry in the log: a digest of what was removed,
// by whom and when. Its room in the file is overwritten and used again. A
// removed photo that a point lists anew is taken from a station that has it
// still, and from nowhere else.
func (s *Store) Prune(ctx context.Context, before map[survey.Kept]time.Time, a Author, each func(Outdated)) error {
	list, err := s.Outdated(ctx, before)
	if err != nil || len(list) == 0 {
		return err
	}
	if s.write != nil { // the one connection that writes
		if _, err := s.write.ExecContext(ctx, `PRAGMA secure_delete = ON`); err != nil {
			return explain("prune", err)
		}
	}
	for _, o := range list {
		gone := false
		err := s.change(ctx, "prune", a, func(t *tx) error {
			still, err := t.outdated(ctx, map[survey.Kept]time.Time{o.Of: before[o.Of]})
			if err != nil {
				return err
			}
			i := slices.IndexFunc(still, func(one Outdated) bool { return one.ID == o.ID })
			if i < 0 {
				return nil // in use again since
			}
			gone, o = true, still[i]
			switch o.Of {
			case survey.KeptPhotos:
				return t.prunePhoto(ctx, o)
			case survey.KeptLayers:
				return t.pruneLayer(ctx, o)
			}
			return t.pruneVisits(ctx, o, before[o.Of])
		})
		if err != nil {
			return err
		}
		if gone {
			each(o)
		}
	}
	return nil
}

func (t *tx) outdated(ctx context.Context, before map[survey.Kept]time.Time) ([]Outdated, error) {
	var out []Outdated
	for _, of := range survey.KeptKinds {
		limit, ok := before[of]
		if !ok {
			continue
		}
		query := map[survey.Kept]string{survey.KeptPhotos: oldPhotos, survey.KeptLayers: oldLayers, survey.KeptVisits: oldVisits}[of]
		err := eachRow(ctx, t, func(rows *sql.Rows) error {
			o := Outdated{Of: of}
			var since moment
			if err := rows.Scan(&o.ID, &since, &o.Count, &o.Bytes); err != nil {
				return err
			}
			o.Since = since.Time
			out = append(out, o)
			return nil
		}, query, limit.UTC().Format(timeFormat))
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// laterOf is the time of a revision, or of the entry of the log that brought
// it here when that is later.
const laterOf = `max(r.at, coalesce((SELECT at FROM audit WHERE revision >= r.number ORDER BY number LIMIT 1), r.at))`

// oldPhotos are those of no point, with the last time that one had them.
const oldPhotos = `
	SELECT
		id,
		since,
		1,
		bytes
	FROM (
		SELECT
			p.id,
			length(p.jpeg) + length(p.small) AS bytes,
			max(p.added_at, coalesce((
				SELECT max(` + laterOf + `)
				FROM revisions AS r
				WHERE r.collection = 'points' AND r.id = p.point AND (
					EXISTS (SELECT 1 FROM json_each(coalesce(r.before, '{}'), '$.properties.photos') WHERE value = p.id)
					OR EXISTS (SELECT 1 FROM json_each(coalesce(r.after, '{}'), '$.properties.photos') WHERE value = p.id))
			), p.added_at)) AS since
		FROM photos AS p
		WHERE p.added_at < ?1
			AND NOT EXISTS (
				SELECT 1 FROM points, json_each(points.body, '$.properties.photos') AS listed
				WHERE points.deleted = 0 AND listed.value = p.id)
			AND NOT EXISTS (
				SELECT 1
				FROM (SELECT collection, id FROM forks UNION SELECT collection, id FROM conflicts) AS apart
				WHERE apart.collection = 'points' AND apart.id = p.point)
	)
	WHERE since < ?1
	ORDER BY id`

// oldLayers are former editions, with the time at which the next came.
const oldLayers = `
	SELECT
		id,
		since,
		features,
		bytes
	FROM (
		SELECT
			l.former_of AS id,
			(SELECT count(*) FROM layer_features WHERE layer = l.n) AS features,
			(SELECT coalesce(sum(length(geometry) + coalesce(length(heights), 0) + coalesce(length(properties), 0)), 0) FROM layer_features WHERE layer = l.n)
				+ (SELECT coalesce(sum(length(bytes)), 0) FROM layer_files WHERE layer = l.n) AS bytes,
			(
				SELECT ` + laterOf + `
				FROM revisions AS r
				WHERE r.collection = 'layers' AND r.id = l.former_of AND r.number > l.revision
				ORDER BY r.number DESC
				LIMIT 1
			) AS since
		FROM layers AS l
		WHERE l.former_of IS NOT NULL
			AND NOT EXISTS (SELECT 1 FROM forks WHERE collection = 'layers' AND id = l.former_of)
			AND NOT EXISTS (SELECT 1 FROM conflicts WHERE collection = 'layers' AND id = l.former_of)
	)
	WHERE since < ?1
	ORDER BY id`

// visits are the entries of the log of who came in, or did not, and who left.
// They are those that the trigger audit_keep_update lets go.
const visits = `(event IN ('sign in', 'sign-in refused') OR event = 'end key' AND detail ->> '$.kind' = 'session')
		AND detail ->> '$.pruned' IS NULL`

const oldVisits = `
	SELECT
		'log',
		max(at),
		count(*),
		sum(length(detail) + length(device))
	FROM audit
	WHERE at < ?1 AND ` + visits + `
	HAVING count(*) > 0`

// pruneEvent is what the log keeps of what was pruned.
type pruneEvent struct {
	Of     survey.Kept `json:"of"`
	Photo  string      `json:"pruned_photo,omitempty"`
	Layer  string      `json:"layer,omitempty"`
	Count  int         `json:"count,omitempty"`  // entries of the log, or features
	SHA256 string      `json:"sha256,omitempty"` // of the photo by photoDigest, of the layer by digestLayer, of what is left of the entries by leftOf
}

func (t *tx) prunePhoto(ctx context.Context, o Outdated) error {
	digest, err := photoDigest(ctx, t, o.ID)
	if err != nil {
		return err
	}
	kept, err := hex.DecodeString(digest)
	if err != nil {
		return fmt.Errorf("read digest: %w", err)
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO pruned_photos (
			id,
			point,
			kept,
			at,
			who
		) SELECT id, point, ?, ?, ? FROM photos WHERE id = ?`, kept, t.stamp(), t.author.Who, o.ID)
	if err != nil {
		return err
	}
	if _, err := t.ExecContext(ctx, `DELETE FROM photos WHERE id = ?`, o.ID); err != nil {
		return err
	}
	return t.tell(pruneEvent{Of: o.Of, Photo: o.ID, SHA256: digest})
}

func (t *tx) pruneLayer(ctx context.Context, o Outdated) error {
	was, err := t.former(ctx, o.ID)
	if err != nil {
		return err
	}
	var l survey.Layer
	if err := json.Unmarshal(was.body, &l); err != nil {
		return fmt.Errorf("read layer %s: %w", o.ID, err)
	}
	if err := t.drop(ctx, was.n); err != nil {
		return err
	}
	return t.tell(pruneEvent{Of: o.Of, Layer: o.ID, Count: o.Count, SHA256: l.SHA256})
}

// pruneVisits takes from entries of the log with what and from where, and notes
// a digest of what is left.
func (t *tx) pruneVisits(ctx context.Context, o Outdated, before time.Time) error {
	var next int64
	if err := t.QueryRowContext(ctx, `SELECT coalesce(max(number), 0) + 1 FROM audit`).Scan(&next); err != nil {
		return err
	}
	mark := prunedBy(next)
	_, err := t.ExecContext(ctx, `UPDATE audit SET device = '', detail = ? WHERE at < ? AND `+visits, mark, before.UTC().Format(timeFormat))
	if err != nil {
		return err
	}
	sum := sha256.New()
	err = eachRow(ctx, t, func(rows *sql.Rows) error {
		var e Entry
		var at string
		if err := rows.Scan(&e.Number, &at, &e.Who, &e.Event, &e.Revision, &e.Hash); err != nil {
			return err
		}
		left := leftOf(e, at)
		_, _ = sum.Write(left[:])
		return nil
	}, `SELECT number, at, who, event, revision, hash FROM audit WHERE detail = ? ORDER BY number`, mark)
	if err != nil {
		return err
	}
	return t.tell(pruneEvent{Of: o.Of, Count: o.Count, SHA256: hex.EncodeToString(sum.Sum(nil))})
}

// prunedBy is the detail of an entry whose own was taken by a later one.
func prunedBy(entry int64) string { return fmt.Sprintf(`{"pruned":%d}`, entry) }

// leftOf hashes what is left of a pruned entry of the log, as hashEntry does of
// a whole one.
func leftOf(e Entry, at string) Hash {
	return seal("holdfast audit 1, pruned", strconv.FormatInt(e.Number, 10), at, e.Who, e.Event, strconv.FormatInt(e.Revision, 10), string(e.Hash[:]))
}

// missingPhoto says that a photo is not here, and why when that is known.
func (s *Store) missingPhoto(ctx context.Context, id string) error {
	var at moment
	var who string
	err := s.read.QueryRowContext(ctx, `SELECT at, who FROM pruned_photos WHERE id = ?`, id).Scan(&at, &who)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return survey.NotFound("photo", id)
	case err != nil:
		return explain("read photo", err)
	}
	return refuse(survey.ErrNotFound, nil, "the photo %s was not listed any more and was removed by %s on %s, as the policy says", id, who, at.Format(time.DateOnly))
}
