package gpkg

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"strconv"
	"strings"
	"time"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

func (s *source) Read(layer int) iter.Seq[vector.Record] {
	return func(yield func(vector.Record) bool) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		watchdog := time.AfterFunc(s.wait, cancel)
		defer watchdog.Stop()
		n, err := s.read(ctx, &s.tables[layer], func(r vector.Record) bool {
			watchdog.Stop() // what the consumer does with the record takes its own time
			defer watchdog.Reset(s.wait)
			return yield(r)
		})
		if ctx.Err() != nil {
			err = fmt.Errorf("it gave no record for %s", s.wait)
		}
		if err != nil {
			yield(vector.Record{Err: vector.Broken(err, n)})
		}
	}
}

// read yields the records of a table and returns how many.
func (s *source) read(ctx context.Context, t *table, yield func(vector.Record) bool) (n int, err error) {
	rows, err := s.db.QueryContext(ctx, t.query())
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	values := make([]any, 2+len(t.columns))
	pointers := make([]any, len(values))
	for i := range values {
		pointers[i] = &values[i]
	}
	for rows.Next() {
		if err := rows.Scan(pointers...); err != nil {
			return n, err
		}
		n++
		if !yield(t.record(n, values)) {
			return n, nil
		}
	}
	return n, rows.Err()
}

// query selects the key, the geometry and the columns. The plus signs keep the
// driver from converting values by the declared type, by which it would turn
// what it cannot read as a time into the year 1.
func (t *table) query() string {
	parts := []string{"NULL", "NULL"}
	if t.key != "" {
		parts[0] = "+" + quote(t.key)
	}
	if t.geometry != "" {
		parts[1] = "+" + quote(t.geometry)
	}
	for _, c := range t.columns {
		parts = append(parts, "+"+quote(c.name))
	}
	query := "SELECT " + strings.Join(parts, ", ") + " FROM " + quote(t.name)
	if t.key != "" {
		query += " ORDER BY " + quote(t.key)
	}
	return query
}

func (t *table) record(n int, values []any) vector.Record {
	rec := vector.Record{Number: n}
	if id, is := values[0].(int64); is {
		rec.ID, rec.NumericID = strconv.FormatInt(id, 10), true
	}
	switch blob := values[1].(type) {
	case nil:
	case []byte:
		g, notes, err := parseBlob(blob, t.srs)
		if rec.Geometry, rec.Notes = g, notes; err != nil {
			rec.Geometry, rec.Err = geojson.Geometry{}, err
			return rec
		}
	default:
		rec.Err = errors.New("the geometry is no binary value")
		return rec
	}
	rec.Properties = make(vector.Properties, len(t.columns))
	for i, c := range t.columns {
		v, note := c.value(values[2+i])
		if note != "" {
			rec.Note(c.name + ": " + note)
		}
		rec.Properties[i] = vector.Property{Name: c.name, Value: v}
	}
	return rec
}

// value brings a stored value to the column's type. SQLite stores any value in
// any column; one of another type is kept as it is.
func (c column) value(v any) (out any, note string) {
	switch v := v.(type) {
	case int64:
		switch {
		case c.typ == vector.Boolean && (v == 0 || v == 1):
			return v == 1, ""
		case c.typ == vector.Real:
			if f, ok := vector.As(v, vector.Real); ok {
				return f, ""
			}
		}
	case string:
		return c.text(v)
	}
	return v, ""
}

func (c column) text(s string) (out any, note string) {
	switch c.typ {
	case vector.Day:
		if d, err := vector.ParseDate(s); err == nil {
			return d, ""
		}
		return s, fmt.Sprintf("%q is no date and was taken as text", vector.ShortText(s))
	case vector.DateTime:
		for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04:05", "2006-01-02T15:04:05", time.DateOnly} {
			if t, err := time.Parse(layout, s); err == nil {
				return t, ""
			}
		}
		return s, fmt.Sprintf("%q is no time and was taken as text", vector.ShortText(s))
	case vector.JSON:
		if raw, ok := asJSON(s); ok {
			return raw, ""
		}
	}
	if fixed, was := vector.FixText(s); was {
		return fixed, vector.FixedText
	}
	return s, ""
}
