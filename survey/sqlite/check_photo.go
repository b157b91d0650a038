package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
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
// they list.
func (c *checking) photos(ctx context.Context) error {
	const again = "take the photo again, or restore a backup"
	var logged []photoEvent
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var detail []byte
		if err := rows.Scan(&detail); err != nil {
			return err
		}
		var e photoEvent
		if json.Unmarshal(detail, &e) == nil {
			logged = append(logged, e)
		}
		return nil
	}, `SELECT detail FROM audit WHERE json_type(detail, '$.photo') = 'text' ORDER BY number`)
	if err != nil {
		return err
	}
	for _, e := range logged {
		switch digest, err := photoDigest(ctx, c.Tx, e.Photo); {
		case errors.Is(err, sql.ErrNoRows):
			c.add("photo "+e.Photo, again, "is missing")
		case err != nil:
			return err
		case e.Kept != "" && digest != e.Kept:
			c.add("photo "+e.Photo, again, "is not what was taken in")
		}
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
		WHERE points.deleted = 0 AND listed.value NOT IN (SELECT id FROM photos)
		ORDER BY points.id, listed.value`)
}
