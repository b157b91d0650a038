package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
)

// PutPoint creates the point, or replaces or restores the one with its id; a
// point without an id gets a new one. Its Site may be the id or the code of a
// site and is stored as the id; a site that is not in the atlas is an
// InvalidError at /properties/site. For expect see PutSite.
func (s *Store) PutPoint(ctx context.Context, p survey.Point, a Author, expect survey.Opt[int64]) (Row[survey.Point], error) {
	var row Row[survey.Point]
	if err := p.Validate(); err != nil {
		return row, err
	}
	err := s.change(ctx, "save point", a, func(t *tx) error {
		site, err := t.siteID(ctx, p.Site)
		if err != nil {
			return err
		}
		p.Site = site
		row, err = putPoint(ctx, t, p, expect)
		return err
	})
	return row, err
}

// putPoint takes a point whose site is an id already.
func putPoint(ctx context.Context, t *tx, p survey.Point, expect survey.Opt[int64]) (Row[survey.Point], error) {
	var row Row[survey.Point]
	var err error
	if p.ID == "" {
		if p.ID, err = newID(); err != nil {
			return row, err
		}
	}
	it, err := pointItem(p)
	if err != nil {
		return row, err
	}
	number, err := t.put(ctx, pointKind, it, expect)
	return Row[survey.Point]{Item: p, Revision: number, UpdatedAt: t.now, UpdatedBy: t.author.Who}, err
}

// pointItem is what is kept of a point whose site is an id.
func pointItem(p survey.Point) (item, error) {
	f, err := p.Feature()
	if err != nil {
		return item{}, err
	}
	body, err := f.MarshalJSON() // compact as it is
	if err != nil {
		return item{}, fmt.Errorf("write point %s: %w", p.Label, err)
	}
	return item{
		id:    p.ID,
		key:   p.Site,
		words: fold(p.Label),
		bound: p.Position.Bound(),
		body:  body,
	}, nil
}

// siteID resolves the id or code of a live site.
func (t *tx) siteID(ctx context.Context, idOrCode string) (string, error) {
	var id string
	err := t.QueryRowContext(ctx, `
		SELECT id
		FROM sites
		WHERE deleted = 0 AND `+siteNamed+`
		ORDER BY id = ? DESC
		LIMIT 1`, idOrCode, fold(idOrCode), idOrCode).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return "", survey.Invalid("/properties/site", "%q is no site of this atlas", idOrCode)
	}
	return id, err
}

// DeletePoint turns a point into a tombstone; its history stays readable.
func (s *Store) DeletePoint(ctx context.Context, id string, a Author, expect survey.Opt[int64]) error {
	return s.change(ctx, "delete point", a, func(t *tx) error {
		return t.delete(ctx, pointKind, id, expect)
	})
}

// Point returns the point with that id or, failing that, the one named
// CODE/LABEL, in any letter case. Two points of that name are a
// survey.ErrConflict that lists their ids.
func (s *Store) Point(ctx context.Context, id string) (Row[survey.Point], error) {
	row, err := one(s.read.QueryRowContext(ctx, `
		SELECT
			body,
			revision,
			updated_at,
			updated_by
		FROM points
		WHERE deleted = 0 AND id = ?`, id), discreetly(ctx, readPoint))
	if !errors.Is(err, sql.ErrNoRows) {
		return row, explain("read point", err)
	}
	code, label, named := strings.Cut(id, "/")
	if !named {
		return row, survey.NotFound("point", id)
	}
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			p.body,
			p.revision,
			p.updated_at,
			p.updated_by
		FROM points AS p
		JOIN sites AS s ON s.id = p.site
		WHERE p.deleted = 0 AND s.deleted = 0 AND s.code = ? AND p.words = ?
		ORDER BY p.id`, fold(code), fold(label))
	found, err := all(rows, err, discreetly(ctx, readPoint))
	switch {
	case err != nil:
		return row, explain("read point", err)
	case len(found) == 0:
		return row, survey.NotFound("point", id)
	case len(found) > 1:
		ids := make([]string, len(found))
		for i, r := range found {
			ids[i] = r.Item.ID
		}
		return row, refuse(survey.ErrConflict, nil, "%s names %d points: say which by id: %s", id, len(found), strings.Join(ids, ", "))
	}
	return found[0], nil
}

// readPoint reads a stored point without judging it; see readSite.
func readPoint(body []byte) (survey.Point, error) {
	var f geojson.Feature
	if err := json.Unmarshal(body, &f); err != nil {
		return survey.Point{}, err
	}
	p := survey.Point{ID: f.ID}
	at, ok := f.Geometry.Geometry.(orb.Point)
	if !ok {
		return p, errors.New("the geometry is no Point")
	}
	p.Position = at
	if len(f.Geometry.Z) == 1 {
		p.ElevationM = survey.Known(geo.Length(f.Geometry.Z[0]))
	}
	return p, json.Unmarshal(f.Properties, &p)
}
