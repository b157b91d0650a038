package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"maps"
	"slices"
)

// photoEvent is what the log keeps of a photo that was added: by its digest
// the chain holds the picture too.
type photoEvent struct {
	Photo  string `json:"photo"`
	Point  string `json:"point"`
	SHA256 string `json:"sha256"`         // of the file it came as
	Kept   string `json:"kept,omitempty"` // see photoDigest
}

// photoDigest hashes a photo with all that is kept of it, field by field as
// Hash says.
func photoDigest(ctx context.Context, q querier, id string) (string, error) {
	var f [12]string
	err := q.QueryRowContext(ctx, `
		SELECT
			id,
			point,
			source,
			width || '',
			height || '',
			taken,
			quote(lon),
			quote(lat),
			added_at,
			added_by,
			jpeg,
			small
		FROM photos
		WHERE id = ?`, id).Scan(&f[0], &f[1], &f[2], &f[3], &f[4], &f[5], &f[6], &f[7], &f[8], &f[9], &f[10], &f[11])
	return seal(f[:]...).String(), err
}

// photos holds photos against the log, and points against the photos that
// they list. One that was pruned is in the log as that.
func (c *checking) photos(ctx context.Context) error {
	const again = "take the photo again, or restore a backup"
	logged, pruned := map[string]photoEvent{}, map[string]string{}
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var detail []byte
		if err := rows.Scan(&detail); err != nil {
			return err
		}
		var e struct {
			photoEvent
			Pruned string `json:"pruned_photo"`
		}
		switch {
		case json.Unmarshal(detail, &e) != nil:
		case e.Pruned == "":
			delete(pruned, e.Photo)
			logged[e.Photo] = e.photoEvent
		default:
			delete(logged, e.Pruned)
			pruned[e.Pruned] = e.SHA256
		}
		return nil
	}, `SELECT detail FROM audit WHERE detail ->> '$.photo' IS NOT NULL OR detail ->> '$.pruned_photo' IS NOT NULL ORDER BY number`)
	if err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(logged)) {
		e := logged[id]
		switch digest, err := photoDigest(ctx, c.Tx, id); {
		case errors.Is(err, sql.ErrNoRows):
			c.add("photo "+id, again, "is missing")
		case err != nil:
			return err
		case e.Kept != "" && digest != e.Kept:
			c.add("photo "+id, again, "is not what was taken in")
		}
	}
	err = eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var id, kept string
		var here bool
		if err := rows.Scan(&id, &kept, &here); err != nil {
			return err
		}
		if here || pruned[id] != kept {
			c.add("photo "+id, keepForLook, "is said to be pruned, and the log does not say so")
		}
		return nil
	}, `SELECT id, lower(hex(kept)), EXISTS (SELECT 1 FROM photos WHERE photos.id = pruned_photos.id) FROM pruned_photos ORDER BY id`)
	if err != nil {
		return err
	}
	return eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var point, photo string
		if err := rows.Scan(&point, &photo); err != nil {
			return err
		}
		c.add("point "+point, again, "lists the photo %s, which is not in the atlas", photo)
		return nil
	}, `
		SELECT
			points.id,
			listed.value
		FROM points, json_each(points.body, '$.properties.photos') AS listed
		WHERE points.deleted = 0 AND listed.value NOT IN (SELECT id FROM photos UNION ALL SELECT id FROM pruned_photos)
		ORDER BY points.id, listed.value`)
}
