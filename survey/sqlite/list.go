package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/cql2"
	"holdfast/geo/geojson"
	"holdfast/survey"
)

// Filter chooses items; its zero value chooses all.
type Filter struct {
	// Bound keeps items that meet it, edges included. When Min is east of Max
	// it crosses the 180° meridian.
	Bound *orb.Bound
	// Where keeps items of which it is true. Its properties are those of the
	// Feature, led into by dots, and GeometryName, IDName and UpdatedName.
	Where *cql2.Filter
	// Site keeps the points of a site, or that site, by its id or code.
	Site string
	// Text keeps sites whose name or code, or points whose label, contain it,
	// in any letter case.
	Text string
	// Order is the order of a list.
	Order Order
	// After keeps what comes after the item with this id: the last one of the
	// page before. In an order other than that of ids, AfterKey is what that
	// item was ordered by: its name or label, or Row.UpdatedKey.
	After    string
	AfterKey string
	// Limit is the most items returned; 0 is no limit.
	Limit int
}

// Order is by the id and, before that, by the name of a site, the label of a
// point or the time of the last change.
type Order struct {
	By   string // IDName or "", "name", "label" or UpdatedName
	Down bool
}

// Sites returns the chosen sites in their order.
func (s *Store) Sites(ctx context.Context, f Filter) ([]Row[survey.Site], error) {
	return list(ctx, s, siteKind, f, discreetly(ctx, readSite))
}

// Points returns the chosen points in their order.
func (s *Store) Points(ctx context.Context, f Filter) ([]Row[survey.Point], error) {
	return list(ctx, s, pointKind, f, discreetly(ctx, readPoint))
}

// Items returns the chosen sites or points as they are stored: as Features.
func (s *Store) Items(ctx context.Context, collection string, f Filter) ([]Row[geojson.Feature], error) {
	k := map[string]kind{Sites: siteKind, Points: pointKind}[collection]
	if k.table == "" {
		return nil, survey.NotFound("collection of sites or points", collection)
	}
	parts := geojson.NewMembers()
	return list(ctx, s, k, f, func(body []byte) (geojson.Feature, error) {
		f, err := parts.Feature(body)
		if err == nil && discreet(ctx) {
			return discreetFeature(k.table, f)
		}
		return f, err
	})
}

// CountSites returns how many sites the filter chooses in all, whatever its
// After and Limit.
func (s *Store) CountSites(ctx context.Context, f Filter) (int, error) {
	return s.count(ctx, siteKind, f)
}

// CountPoints is CountSites for points.
func (s *Store) CountPoints(ctx context.Context, f Filter) (int, error) {
	return s.count(ctx, pointKind, f)
}

// PointsWithin returns every point within r of p, and some a little further
// off: it looks in the box round that circle. Measure before relying on it.
func (s *Store) PointsWithin(ctx context.Context, p orb.Point, r geo.Length) ([]Row[survey.Point], error) {
	b, err := around(p, r)
	if err != nil {
		return nil, err
	}
	return s.Points(ctx, Filter{Bound: &b})
}

// key is the SQL expression an order goes by before the id; "" for none.
func (o Order) key(table string) (string, error) {
	switch {
	case o.By == "" || o.By == IDName:
		return "", nil
	case o.By == UpdatedName:
		return table + ".updated_at", nil
	case o.By == "name" && table == Sites, o.By == "label" && table == Points:
		return "json_extract(" + table + ".body, '$.properties." + o.By + "')", nil
	}
	return "", survey.Invalid("", "%s cannot be put in the order of %q", table, o.By)
}

// ordered writes the condition and the clause that put a page in its order.
func (f Filter) ordered(table, id string) (cond, clause string, args []any, err error) {
	key, err := f.Order.key(table)
	if err != nil {
		return "", "", nil, err
	}
	than, way := " > ", ""
	if f.Order.Down {
		than, way = " < ", " DESC"
	}
	cond, clause, args = "1", " ORDER BY "+id+way, []any{}
	if key != "" {
		clause = " ORDER BY " + key + way + ", " + id + way
	}
	switch {
	case f.After == "":
	case key == "":
		cond, args = id+than+"?", []any{f.After}
	default:
		cond, args = "("+key+", "+id+")"+than+"(?, ?)", []any{f.AfterKey, f.After}
		if f.Order.By != UpdatedName { // SQLite seeks in an index of expressions by single values only
			cond, args = key+strings.TrimSpace(than)+"= ? AND "+cond, append([]any{f.AfterKey}, args...)
		}
	}
	return cond, clause, args, nil
}

func list[T any](ctx context.Context, s *Store, k kind, f Filter, read func([]byte) (T, error)) ([]Row[T], error) {
	c, err := s.chooseItems(ctx, k, f, fewRows)
	if err != nil {
		return nil, explain("list "+k.table, err)
	}
	after, clause, args, err := f.ordered(k.table, k.table+".id")
	if err != nil {
		return nil, err
	}
	limit := f.Limit
	if limit <= 0 || !c.exact() {
		limit = -1
	}
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			body,
			revision,
			updated_at,
			updated_by,
			`+c.inside+`
		FROM `+k.table+`
		WHERE `+c.sql+` AND `+after+clause+`
		LIMIT ?`, slices.Concat(c.insideArgs, c.args, args, []any{limit})...)
	if err != nil {
		return nil, explain("list "+k.table, err)
	}
	defer rows.Close()
	var out []Row[T]
	for (f.Limit <= 0 || len(out) < f.Limit) && rows.Next() {
		var body []byte
		var inside bool
		var at moment
		var row Row[T]
		err := rows.Scan(&body, &row.Revision, &at, &row.UpdatedBy, &inside)
		if err == nil {
			row.UpdatedAt = at.Time
			var ok bool
			if ok, err = c.holdsItem(inside, body, row.UpdatedKey()); err == nil && !ok {
				continue
			}
		}
		if err == nil {
			row.Item, err = readStored(body, read)
		}
		if err != nil {
			return nil, explain("list "+k.table, err)
		}
		out = append(out, row)
	}
	return out, explain("list "+k.table, rows.Err())
}

func (s *Store) count(ctx context.Context, k kind, f Filter) (int, error) {
	c, err := s.chooseItems(ctx, k, f, fewCount)
	if err != nil {
		return 0, explain("count "+k.table, err)
	}
	n, err := c.count(ctx, s.read, k.table, "body, updated_at", func(rows *sql.Rows, inside *bool) (bool, error) {
		var body []byte
		var at string
		if err := rows.Scan(&body, &at, inside); err != nil {
			return false, err
		}
		return c.holdsItem(*inside, body, at)
	})
	return n, explain("count "+k.table, err)
}

// chooseItems translates a filter of sites or points.
func (s *Store) chooseItems(ctx context.Context, k kind, f Filter, few int) (choice, error) {
	if f.Where != nil && discreet(ctx) {
		if names := mentioned(f.Where.Expr()); slices.ContainsFunc(names, survey.Sensitive) {
			return choice{}, survey.Invalid("", "the filter names what you may not see: asking what matches would tell it")
		}
	}
	c, err := s.choose(ctx, k.table, f, k.column, few)
	if err != nil {
		return c, err
	}
	c.and(k.table + ".deleted = 0")
	if f.Site != "" {
		const site = `(SELECT id FROM sites WHERE deleted = 0 AND ` + siteNamed + ` ORDER BY id = ? DESC LIMIT 1)`
		if k.table == Points {
			c.and("points.site = "+site, f.Site, fold(f.Site), f.Site)
		} else {
			c.and("sites.id = "+site, f.Site, fold(f.Site), f.Site)
		}
	}
	if f.Text != "" {
		c.and("instr(words, ?) > 0", fold(f.Text))
	}
	return c, nil
}

// holdsItem answers for a stored site or point.
func (c choice) holdsItem(inside bool, body []byte, updated string) (bool, error) {
	if shape, properties := c.needs(inside); !shape && !properties {
		return true, nil
	}
	f, err := readStored(body, func(body []byte) (f geojson.Feature, err error) { return f, json.Unmarshal(body, &f) })
	if err != nil {
		return false, err
	}
	values, err := flattened(f.Properties)
	if err != nil {
		return false, err
	}
	values[IDName], values[UpdatedName] = f.ID, updated
	return c.holds(inside, cql2.Feature{Properties: values, Geometry: f.Geometry.Geometry}), nil
}

// all reads every row of a query.
func all[T any](rows *sql.Rows, err error, read func([]byte) (T, error)) ([]Row[T], error) {
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Row[T]
	for rows.Next() {
		row, err := one(rows, read)
		if err != nil {
			return nil, err
		}
		out = append(out, row)
	}
	return out, rows.Err()
}
