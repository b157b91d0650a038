package server

import (
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/geo/cql2"
	"holdfast/survey/sqlite"
)

// timestamps are written as CQL2 has them.
const cqlTime = "2006-01-02T15:04:05.999Z"

// conditions gathers what a request asks of features besides a box.
func (c collection) conditions(q url.Values) ([]cql2.Expr, error) {
	var out []cql2.Expr
	when, err := datetime(q)
	if err != nil {
		return nil, err
	}
	if when != nil {
		out = append(out, c.inTime(*when)...)
	}
	for _, f := range c.asked() {
		if !q.Has(f.name) || c.ID == sqlite.Points && f.name == "site" {
			continue
		}
		value, err := literal(f, q.Get(f.name))
		if err != nil {
			return nil, err
		}
		out = append(out, cql2.Call{Op: cql2.Equal, Args: []cql2.Expr{cql2.Property{Name: f.name}, value}})
	}
	e, err := c.filter(q)
	if e != nil {
		out = append(out, e)
	}
	return out, err
}

// inTime asks for what was surveyed, or is the state of the day, within a
// span. What has no time always matches (17-069r4, 7.15.4).
func (c collection) inTime(when span) []cql2.Expr {
	if c.ID == sqlite.Points {
		surveyed := cql2.Property{Name: "surveyed_at"}
		return []cql2.Expr{cql2.Call{Op: cql2.Or, Args: []cql2.Expr{
			cql2.Call{Op: cql2.IsNull, Args: []cql2.Expr{surveyed}},
			cql2.Call{Op: cql2.TIntersects, Args: []cql2.Expr{surveyed, cql2.Interval{Start: endOf(when.from), End: endOf(when.to)}}},
		}}}
	}
	if at, known := c.asOf.Get(); known && !when.holds(at) {
		return []cql2.Expr{cql2.Bool{Value: false}}
	}
	return nil
}

func endOf(t time.Time) cql2.Expr {
	if t.IsZero() {
		return nil
	}
	return cql2.Instant{Text: t.UTC().Format(cqlTime)}
}

// literal reads the value of a property from a query parameter.
func literal(f field, text string) (cql2.Expr, error) {
	switch f.typ() {
	case cql2.NumberType:
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, badParameter(f.name, sayNoNumber, text)
		}
		return cql2.Number{Value: v}, nil
	case cql2.BooleanType:
		if text != "true" && text != "false" {
			return nil, badParameter(f.name, sayNoTruth, text)
		}
		return cql2.Bool{Value: text == "true"}, nil
	case cql2.DateType:
		if _, err := time.Parse(time.DateOnly, text); err != nil {
			return nil, badParameter(f.name, sayNoDate, text)
		}
		return cql2.Instant{Text: text}, nil
	case cql2.TimestampType:
		t, err := time.Parse(time.RFC3339, text)
		if err != nil || t.Year() < 0 || t.UTC().Year() > 9999 {
			return nil, badParameter(f.name, sayNoMoment, text)
		}
		return cql2.Instant{Text: t.UTC().Format(cqlTime)}, nil
	}
	if strings.ContainsRune(text, 0) {
		return nil, badParameter(f.name, sayNoText)
	}
	return cql2.String{Value: text}, nil
}

// filter reads the parameters filter, filter-lang and filter-crs (19-079r2).
func (c collection) filter(q url.Values) (cql2.Expr, error) {
	lang := q.Get("filter-lang")
	if q.Has("filter-lang") && lang != "cql2-text" && lang != "cql2-json" {
		return nil, badParameter("filter-lang", sayNoFilterLanguage, lang)
	}
	in, err := systemOf(q, "filter-crs", c.systems)
	if err != nil || !q.Has("filter") {
		return nil, err
	}
	var e cql2.Expr
	if lang == "cql2-json" {
		e, err = cql2.ParseJSON([]byte(q.Get("filter")))
	} else {
		e, err = cql2.ParseText(q.Get("filter"))
	}
	if err == nil && in.crs != nil {
		e, err = cql2.Transform(e, in.read)
	}
	if err == nil {
		_, err = cql2.Compile(e, c.queryables) // by itself, so that an error is the filter's
	}
	if err != nil {
		return nil, badParameter("filter", sayNotUsable, strings.TrimPrefix(err.Error(), "filter, "))
	}
	return e, nil
}

// order reads the parameter sortby: a name, behind a minus to go down.
func (c collection) order(q url.Values) (sqlite.Order, error) {
	if !q.Has("sortby") {
		return sqlite.Order{}, nil
	}
	text := q.Get("sortby")
	name := strings.TrimLeft(text, "+- ") // a plus in an address may stand for a space
	for _, known := range c.orders {
		if name == known && len(text)-len(name) <= 1 {
			return sqlite.Order{By: name, Down: strings.HasPrefix(text, "-")}, nil
		}
	}
	return sqlite.Order{}, badParameter("sortby", sayNoOrder, text, strings.Join(c.orders, ", "))
}

// selection is which features a request asks for, and how it wants them.
type selection struct {
	sqlite.Filter
	out system
}

// selected reads the query of a list.
func (c collection) selected(q url.Values) (sel selection, err error) {
	if sel.out, err = systemOf(q, "crs", c.systems); err != nil {
		return sel, err
	}
	in, err := systemOf(q, "bbox-crs", c.systems)
	if err != nil {
		return sel, err
	}
	conditions, err := c.conditions(q)
	if err != nil {
		return sel, err
	}
	bound, box, err := boxIn(q, in)
	if err != nil {
		return sel, err
	}
	if box != nil {
		conditions = append(conditions, box)
	}
	sel.Bound = bound
	if sel.Where, err = c.allOf(conditions); err != nil {
		return sel, err
	}
	if c.ID == sqlite.Points {
		sel.Site = q.Get("site")
	}
	if sel.Limit, err = limit(q); err != nil {
		return sel, err
	}
	if sel.Order, err = c.order(q); err != nil {
		return sel, err
	}
	if q.Has("after") {
		sel.After, sel.AfterKey, err = readCursor(q.Get("after"), sel.Order, !c.writable)
	}
	return sel, err
}

// allOf joins conditions; none gives nil.
func (c collection) allOf(conditions []cql2.Expr) (*cql2.Filter, error) {
	var e cql2.Expr
	switch len(conditions) {
	case 0:
		return nil, nil
	case 1:
		e = conditions[0]
	default:
		e = cql2.Call{Op: cql2.And, Args: conditions}
	}
	f, err := cql2.Compile(e, c.queryables)
	if err != nil {
		return nil, badParameter("", sayAskNotUsable, err)
	}
	return f, nil
}

// selection reads what a request for features asks, and in which form.
func (s *Server) selection(r *http.Request) (collection, selection, string, error) {
	c, err := s.collection(r)
	if err != nil {
		return c, selection{}, "", err
	}
	known := slices.Clone(itemParameters)
	for _, f := range c.asked() {
		known = append(known, f.name)
	}
	q, form, err := offered(r, known, typeGeoJSON, typeHTML)
	if err != nil {
		return c, selection{}, "", err
	}
	sel, err := c.selected(q)
	return c, sel, form, err
}
