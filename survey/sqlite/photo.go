package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/hex"
	"errors"
	"slices"
	"time"

	"github.com/paulmach/orb"

	"holdfast/survey"
)

// mostPhotos is how many photos a point may list.
const mostPhotos = 50

// Photo is a picture of a point as it was taken in.
type Photo struct {
	ID            string
	Point         string // id
	Source        []byte // SHA-256 of the file it came as
	Width, Height int    // of JPEG
	Taken         string // as the camera wrote it; "" when it did not
	Position      survey.Opt[orb.Point]
	AddedAt       time.Time
	AddedBy       string
	JPEG, Small   []byte
}

// AddPhoto stores a photo of a point that is in the atlas. When the very same
// file is there under that id already, nothing happens and already is true;
// another file under it is a survey.ErrConflict.
func (s *Store) AddPhoto(ctx context.Context, p Photo, a Author) (already bool, err error) {
	err = s.change(ctx, "add photo", a, func(t *tx) error {
		st, err := t.state(ctx, pointKind, p.Point)
		if err != nil {
			return err
		}
		if !st.live {
			return survey.NotFound("point", p.Point)
		}
		already, err = t.addPhoto(ctx, p)
		return err
	})
	return already, err
}

// AddPhotoTo stores a photo and lists it with its point, which makes a revision
// of the point. One that was taken off the list is put back at its end; one
// that is on it stays where it is.
func (s *Store) AddPhotoTo(ctx context.Context, p Photo, a Author) error {
	return s.change(ctx, "add photo", a, func(t *tx) error {
		if _, err := t.addPhoto(ctx, p); err != nil {
			return err
		}
		var listed bool
		err := t.QueryRowContext(ctx, `
			SELECT EXISTS (
				SELECT 1
				FROM points, json_each(points.body, '$.properties.photos') AS photo
				WHERE points.id = ? AND photo.value = ?)`, p.Point, p.ID).Scan(&listed)
		if err != nil || listed {
			return err
		}
		return t.alterPoint(ctx, p.Point, survey.Opt[int64]{}, func(at *survey.Point) error {
			if len(at.Photos) >= mostPhotos {
				return survey.Invalid("/properties/photos", "lists %d photos already; at most %d fit", len(at.Photos), mostPhotos)
			}
			at.Photos = append(slices.Clone(at.Photos), p.ID)
			return nil
		})
	})
}

// AlterPoint changes a point by what do makes of it, seen at a revision.
func (s *Store) AlterPoint(ctx context.Context, id string, a Author, seen survey.Opt[int64], do func(*survey.Point) error) error {
	return s.change(ctx, "save point", a, func(t *tx) error { return t.alterPoint(ctx, id, seen, do) })
}

func (t *tx) alterPoint(ctx context.Context, id string, seen survey.Opt[int64], do func(*survey.Point) error) error {
	st, err := t.state(ctx, pointKind, id)
	if err != nil {
		return err
	}
	if !st.live {
		return survey.NotFound("point", id)
	}
	if err := st.expect(seen); err != nil {
		return err
	}
	p, err := readPoint(st.body)
	if err != nil {
		return err
	}
	if err := do(&p); err != nil {
		return err
	}
	if err := p.Validate(); err != nil {
		return err
	}
	_, err = putPoint(ctx, t, p, survey.Known(st.revision))
	return err
}

func (t *tx) addPhoto(ctx context.Context, p Photo) (already bool, err error) {
	var point string
	var source []byte
	err = t.QueryRowContext(ctx, `SELECT point, source FROM photos WHERE id = ?`, p.ID).Scan(&point, &source)
	switch {
	case err == nil && point == p.Point && bytes.Equal(source, p.Source):
		return true, nil
	case err == nil:
		return false, refuse(survey.ErrConflict, nil, "there is another photo with the id %q", p.ID)
	case !errors.Is(err, sql.ErrNoRows):
		return false, err
	}
	var lon, lat any
	if at, ok := p.Position.Get(); ok {
		lon, lat = at.Lon(), at.Lat()
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO photos (
			id,
			point,
			source,
			width,
			height,
			taken,
			lon,
			lat,
			added_at,
			added_by,
			jpeg,
			small
		) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		p.ID,
		p.Point,
		p.Source,
		p.Width,
		p.Height,
		p.Taken,
		lon,
		lat,
		t.stamp(),
		t.author.Who,
		p.JPEG,
		p.Small,
	)
	if err != nil {
		return false, err
	}
	if _, err := t.ExecContext(ctx, `DELETE FROM pruned_photos WHERE id = ?`, p.ID); err != nil {
		return false, err
	}
	digest, err := photoDigest(ctx, t, p.ID)
	if err != nil {
		return false, err
	}
	return false, t.tell(photoEvent{Photo: p.ID, Point: p.Point, SHA256: hex.EncodeToString(p.Source), Kept: digest})
}

// photoColumns are all of a photo but the pictures.
const photoColumns = `
			id,
			point,
			source,
			width,
			height,
			taken,
			lon,
			lat,
			added_at,
			added_by`

func scanPhoto(row scanner, more ...any) (Photo, error) {
	var p Photo
	var at moment
	var lon, lat *float64
	err := row.Scan(append([]any{&p.ID, &p.Point, &p.Source, &p.Width, &p.Height, &p.Taken, &lon, &lat, &at, &p.AddedBy}, more...)...)
	if lon != nil && lat != nil {
		p.Position = survey.Known(orb.Point{*lon, *lat})
	}
	p.AddedAt = at.Time
	return p, err
}

// Photo returns a photo with its pictures.
func (s *Store) Photo(ctx context.Context, id string) (Photo, error) {
	var jpeg, small []byte
	p, err := scanPhoto(s.read.QueryRowContext(ctx, `SELECT`+photoColumns+`, jpeg, small FROM photos WHERE id = ?`, id), &jpeg, &small)
	if errors.Is(err, sql.ErrNoRows) {
		return p, s.missingPhoto(ctx, id)
	}
	p.JPEG, p.Small = jpeg, small
	return p, explain("read photo", err)
}

// PhotosOf returns every photo ever added to a point, without the pictures, in
// the order of their ids.
func (s *Store) PhotosOf(ctx context.Context, point string) ([]Photo, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT`+photoColumns+` FROM photos WHERE point = ? ORDER BY id`, point)
	if err != nil {
		return nil, explain("list photos", err)
	}
	defer rows.Close()
	var out []Photo
	for rows.Next() {
		p, err := scanPhoto(rows)
		if err != nil {
			return nil, explain("list photos", err)
		}
		out = append(out, p)
	}
	return out, explain("list photos", rows.Err())
}
