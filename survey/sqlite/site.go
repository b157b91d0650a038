package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// PutSite creates the site, or replaces or restores the one with its id; a
// site without an id gets a new one. When expect is known, the site must be at
// that revision (0: not exist), or nothing happens and a *StaleError says so.
// A code that another site has is a survey.ErrConflict, in any letter case.
func (s *Store) PutSite(ctx context.Context, site survey.Site, a Author, expect survey.Opt[int64]) (Row[survey.Site], error) {
	var row Row[survey.Site]
	if err := site.Validate(); err != nil {
		return row, err
	}
	err := s.change(ctx, "save site", a, func(t *tx) (err error) {
		row, err = putSite(ctx, t, site, expect)
		return err
	})
	return row, err
}

func putSite(ctx context.Context, t *tx, site survey.Site, expect survey.Opt[int64]) (Row[survey.Site], error) {
	var row Row[survey.Site]
	var err error
	if site.ID == "" {
		if site.ID, err = newID(); err != nil {
			return row, err
		}
	}
	code := fold(site.Code)
	var other string
	err = t.QueryRowContext(ctx, `
		SELECT json_extract(body, '$.properties.name')
		FROM sites
		WHERE code = ? AND deleted = 0 AND id <> ?`, code, site.ID).Scan(&other)
	if err == nil {
		return row, refuse(survey.ErrConflict, nil, "the code %s already belongs to the site %q: give this one another", site.Code, other)
	}
	if !errors.Is(err, sql.ErrNoRows) {
		return row, err
	}
	it, err := siteItem(site)
	if err != nil {
		return row, err
	}
	number, err := t.put(ctx, siteKind, it, expect)
	return Row[survey.Site]{Item: site, Revision: number, UpdatedAt: t.now, UpdatedBy: t.author.Who}, err
}

// siteItem is what is kept of a site.
func siteItem(site survey.Site) (item, error) {
	f, err := site.Feature()
	if err != nil {
		return item{}, err
	}
	body, err := json.Marshal(f)
	if err != nil {
		return item{}, fmt.Errorf("write site %s: %w", site.Code, err)
	}
	return item{
		id:    site.ID,
		key:   fold(site.Code),
		words: fold(site.Code + "\n" + site.Name),
		bound: extent(site.Geometry),
		body:  body,
	}, nil
}

// DeleteSite turns a site into a tombstone; its history stays readable. A site
// that still holds points is refused with survey.ErrConflict.
func (s *Store) DeleteSite(ctx context.Context, id string, a Author, expect survey.Opt[int64]) error {
	return s.change(ctx, "delete site", a, func(t *tx) error { return t.remove(ctx, siteKind, id, expect) })
}

// remove deletes an item unless it is a site that still holds points.
func (t *tx) remove(ctx context.Context, k kind, id string, expect survey.Opt[int64]) error {
	if k.table == Sites {
		var held int
		if err := t.QueryRowContext(ctx, `SELECT count(*) FROM points WHERE site = ? AND deleted = 0`, id).Scan(&held); err != nil {
			return err
		}
		if held > 0 {
			return refuse(survey.ErrConflict, nil, "the site still holds points (%d): move or delete them first", held)
		}
	}
	return t.delete(ctx, k, id, expect)
}

// siteNamed is the site of an id or a code. Each is sought in its own index:
// with OR, SQLite reads one of them from end to end.
const siteNamed = `n IN (SELECT n FROM sites WHERE id = ? UNION ALL SELECT n FROM sites WHERE deleted = 0 AND code = ?)`

// Site returns the site with that id or, failing that, that code in any
// letter case. A code that two sites have, because two stations gave it, is a
// survey.ErrConflict that lists them.
func (s *Store) Site(ctx context.Context, idOrCode string) (Row[survey.Site], error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			body,
			revision,
			updated_at,
			updated_by
		FROM sites
		WHERE deleted = 0 AND `+siteNamed+`
		ORDER BY id = ? DESC, id
		LIMIT 2`, idOrCode, fold(idOrCode), idOrCode)
	found, err := all(rows, err, discreetly(ctx, readSite))
	switch {
	case err != nil:
		return Row[survey.Site]{}, explain("read site", err)
	case len(found) == 0:
		return Row[survey.Site]{}, survey.NotFound("site", idOrCode)
	case len(found) > 1 && found[0].Item.ID != idOrCode:
		return Row[survey.Site]{}, refuse(survey.ErrConflict, nil, "%s is the code of two sites, %s (%s) and %s (%s): say which by id, and give one another code",
			idOrCode, found[0].Item.Name, found[0].Item.ID, found[1].Item.Name, found[1].Item.ID)
	}
	return found[0], nil
}

// readSite reads a stored site. It was valid when it was written; rules made
// stricter since must not make it unreadable, so it is not judged again.
func readSite(body []byte) (survey.Site, error) {
	var f geojson.Feature
	if err := json.Unmarshal(body, &f); err != nil {
		return survey.Site{}, err
	}
	site := survey.Site{ID: f.ID, Geometry: f.Geometry.Geometry, Heights: f.Geometry.Z}
	return site, json.Unmarshal(f.Properties, &site)
}

// scanner is a *sql.Row or *sql.Rows.
type scanner interface{ Scan(...any) error }

// one reads a row of body, revision, updated_at and updated_by.
func one[T any](from scanner, read func([]byte) (T, error)) (Row[T], error) {
	var row Row[T]
	var body []byte
	var at moment
	if err := from.Scan(&body, &row.Revision, &at, &row.UpdatedBy); err != nil {
		return row, err
	}
	row.UpdatedAt = at.Time
	var err error
	row.Item, err = readStored(body, read)
	return row, err
}

func readStored[T any](body []byte, read func([]byte) (T, error)) (T, error) {
	v, err := read(body)
	if err != nil {
		return v, refuse(ErrDamaged, err, "a stored item cannot be read: %s", err)
	}
	return v, nil
}
