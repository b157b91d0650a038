package gpkg

import (
	"database/sql/driver"
	"fmt"
	"time"

	"holdfast/geo/vector"
)

// properties appends the values of the columns.
func (w *Writer) properties(t *output, r *vector.Record, v []driver.Value) []driver.Value {
	from := len(v)
	for range t.fields {
		v = append(v, nil)
	}
	if t.layer.IDField != "" && r.ID != "" {
		v[from] = r.ID
	}
	for _, p := range r.Properties {
		i, has := t.at[p.Name]
		if !has || i == 0 && t.layer.IDField != "" {
			w.ledger.Add(r.Number, fmt.Sprintf("%s: it is not among the fields", vector.ShortText(p.Name)))
			continue
		}
		v[from+i] = w.value(r.Number, t.fields[i], p.Value)
	}
	return v
}

func (w *Writer) value(number int, f vector.Field, v any) driver.Value {
	typ := f.Type
	if typ == vector.Unknown || typ == vector.JSON {
		typ = vector.Text
	}
	out, ok := vector.As(v, typ)
	if !ok {
		w.ledger.Add(number, fmt.Sprintf("%s: a value that is no %s was left out", f.Name, f.Type))
		return nil
	}
	switch out := out.(type) {
	case vector.Date:
		return out.String()
	case time.Time:
		return w.time(number, f, out)
	case float64:
		if out != out {
			w.ledger.Add(number, f.Name+": a value that is no number was left out")
			return nil
		}
	case bool:
		if out {
			return int64(1)
		}
		return int64(0)
	}
	return out
}

// timeLayout is how the standard writes times (table 1).
const timeLayout = "2006-01-02T15:04:05.000Z"

func (w *Writer) time(number int, f vector.Field, t time.Time) driver.Value {
	if _, offset := t.Zone(); offset != 0 {
		w.ledger.Add(number, f.Name+": the time zone; times are kept in UTC")
	}
	if t.Nanosecond()%int(time.Millisecond) != 0 {
		w.ledger.Add(number, f.Name+": parts of a millisecond")
	}
	return t.UTC().Format(timeLayout)
}
