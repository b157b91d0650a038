package sqlite

import (
	"context"
	"database/sql"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo/cql2"
)

// choice is a filter as SQL, and what SQL leaves to be asked in Go.
type choice struct {
	sql    string
	args   []any
	narrow bool // few rows of a box are looked at

	// A row lies within the bounding box when its own box does. One that only
	// meets it has to be looked at: its shape may pass the bounding box by.
	inside     string
	insideArgs []any
	passes     *cql2.Filter // true of shapes that do; nil: none can

	rest           *cql2.Filter // asked of every row; nil when the SQL is exact
	restShape      bool         // it asks for the shape
	restProperties bool         // it asks for properties
}

// choose translates the bounding box and the condition of a filter.
func (s *Store) choose(ctx context.Context, table string, f Filter, column func(string) (cql2.Column, bool), few int) (choice, error) {
	c := choice{sql: "1", inside: "1"}
	if f.Bound != nil {
		m, err := s.meets(ctx, table, *f.Bound, few)
		if err != nil {
			return c, err
		}
		c.sql, c.args, c.narrow = m.sql, m.args, m.few
		if table != Points { // a point that meets a box lies in it
			if err := c.lookAt(table, *f.Bound); err != nil {
				return c, err
			}
		}
	}
	if f.Where != nil {
		cond, narrow, err := s.condition(ctx, table, f.Where, column, few)
		if err != nil {
			return c, err
		}
		c.sql, c.args = "("+c.sql+") AND "+cond.SQL, append(c.args, cond.Args...)
		c.narrow = c.narrow || narrow
		if !cond.Exact {
			names := mentioned(f.Where.Expr())
			c.rest = f.Where
			c.restShape = slices.Contains(names, GeometryName)
			c.restProperties = slices.ContainsFunc(names, func(n string) bool { return n != GeometryName })
		}
	}
	return c, nil
}

// lookAt says which rows lie within a box and how the others are asked. A
// line across the 180° meridian that was not cut there has every longitude
// as its bounds, and its shape says nothing; it is taken to meet the box.
func (c *choice) lookAt(table string, b orb.Bound) (err error) {
	within := "(" + table + ".west >= ? AND " + table + ".east <= ? AND " + table + ".south >= ? AND " + table + ".north <= ?)"
	c.inside = "(" + table + ".west <= -180 AND " + table + ".east >= 180) OR " + within
	c.insideArgs = []any{b.Min[0], b.Max[0], b.Min[1], b.Max[1]}
	if b.Min[0] > b.Max[0] {
		c.inside += " OR " + within
		c.insideArgs = []any{b.Min[0], 180.0, b.Min[1], b.Max[1], -180.0, b.Max[0], b.Min[1], b.Max[1]}
	}
	c.passes, err = cql2.Compile(
		cql2.Call{Op: cql2.SDisjoint, Args: []cql2.Expr{
			cql2.Property{Name: GeometryName},
			cql2.Box{Coordinates: []float64{b.Min[0], b.Min[1], b.Max[0], b.Max[1]}},
		}},
		cql2.Queryables{GeometryName: cql2.GeometryType})
	return err
}

// exact tells whether the SQL alone selects.
func (c choice) exact() bool { return c.passes == nil && c.rest == nil }

// needs tells what of a row has to be read to answer for it.
func (c choice) needs(inside bool) (shape, properties bool) {
	return c.passes != nil && !inside || c.restShape, c.restProperties
}

// holds answers for a row that passed the SQL.
func (c choice) holds(inside bool, f cql2.Feature) bool {
	if c.passes != nil && !inside && c.passes.Match(f) {
		return false
	}
	return c.rest == nil || c.rest.Match(f)
}

// and adds a condition.
func (c *choice) and(sql string, args ...any) {
	c.sql, c.args = "("+c.sql+") AND "+sql, append(c.args, args...)
}

// count returns how many rows are chosen. Rows that SQL alone cannot choose are
// read and asked: it scans the columns and then whether the row lies inside.
func (c choice) count(ctx context.Context, q querier, table, columns string, holds func(rows *sql.Rows, inside *bool) (bool, error)) (int, error) {
	n := 0
	if c.rest == nil {
		sure := q.QueryRowContext(ctx, `SELECT count(*) FROM `+table+` WHERE `+c.sql+` AND (`+c.inside+`)`, slices.Concat(c.args, c.insideArgs)...)
		if err := sure.Scan(&n); err != nil || c.passes == nil {
			return n, err
		}
		c.and("NOT ("+c.inside+")", c.insideArgs...)
	}
	rows, err := q.QueryContext(ctx, `SELECT `+columns+`, `+c.inside+` FROM `+table+` WHERE `+c.sql, slices.Concat(c.insideArgs, c.args)...)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	for rows.Next() {
		var inside bool
		ok, err := holds(rows, &inside)
		if err != nil {
			return 0, err
		}
		if ok {
			n++
		}
	}
	return n, rows.Err()
}
