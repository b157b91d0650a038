package cql2

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"maps"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
)

// ParseJSON reads a filter in CQL2 JSON, the schema of OGC 21-065r2 Annex C.
// It knows no queryables: Compile checks names and types. Errors are
// *Error. A list of IN without values selects nothing and is read as
// FALSE.
func ParseJSON(src []byte) (Expr, error) {
	if len(src) > MaxLength {
		return nil, problem(place{}, "longer than %d bytes", MaxLength)
	}
	if !utf8.Valid(src) {
		return nil, problem(place{}, "the text is not UTF-8")
	}
	d := json.NewDecoder(bytes.NewReader(src))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		at := place{character: int(d.InputOffset()) + 1}
		if bad := (*json.SyntaxError)(nil); errors.As(err, &bad) {
			at = characterAt(string(src), max(0, min(int(bad.Offset)-1, len(src))))
		}
		return nil, problem(at, "this is not JSON: %s", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return nil, problem(characterAt(string(src), int(d.InputOffset())), "expected the end after the filter")
	}
	e, err := decoder{}.expr(v)
	if err != nil {
		return nil, err
	}
	return e, measure(e)
}

// decoder turns decoded JSON into expressions. It is the place of the value
// at hand.
type decoder struct {
	pointer string
	depth   int
	array   bool // whether the value may be an array
}

func (d decoder) in(keys ...any) decoder {
	for _, k := range keys {
		switch k := k.(type) {
		case int:
			d.pointer += "/" + strconv.Itoa(k)
		case string:
			d.pointer += "/" + k
		}
	}
	return d
}

func (d decoder) place() place { return place{pointer: d.pointer} }

func (d decoder) expected(what string, found any) error {
	b, err := json.Marshal(found)
	if err != nil {
		return problem(d.place(), "expected %s", what)
	}
	return problem(d.place(), "expected %s, found %s", what, shorten(string(b)))
}

func (d decoder) expr(v any) (Expr, error) {
	if d.depth++; d.depth > MaxDepth {
		return nil, problem(d.place(), "expressions are nested deeper than %d", MaxDepth)
	}
	switch v := v.(type) {
	case bool:
		return Bool{v, d.place()}, nil
	case json.Number:
		n, err := parseNumber(v.String())
		if err != nil {
			return nil, problem(d.place(), "%s", err)
		}
		return Number{n, d.place()}, nil
	case string:
		if strings.ContainsRune(v, 0) {
			return nil, problem(d.place(), "the character U+0000 is not allowed")
		}
		return String{v, d.place()}, nil
	case []any:
		if d.array {
			return d.items(v)
		}
	case map[string]any:
		return d.object(v)
	}
	return nil, d.expected("an expression", v)
}

func (d decoder) items(list []any) (Array, error) {
	a := Array{place: d.place()}
	for i, v := range list {
		e, err := d.in(i).expr(v)
		if err != nil {
			return a, err
		}
		a.Items = append(a.Items, e)
	}
	return a, nil
}

func (d decoder) object(o map[string]any) (Expr, error) {
	if _, ok := o["op"]; ok {
		return d.call(o)
	}
	if name, ok := o["property"]; ok {
		if name, ok := name.(string); ok && !strings.ContainsRune(name, 0) {
			return Property{name, d.place()}, nil
		}
		return nil, d.in("property").expected("the name of a property", name)
	}
	for _, word := range []string{"date", "timestamp"} {
		text, ok := o[word]
		if !ok {
			continue
		}
		if text, ok := text.(string); ok {
			i := Instant{text, d.place()}
			if _, ok := parseLiteral(text); ok && i.day() == (word == "date") {
				return i, nil
			}
		}
		return nil, d.in(word).expected(`a date as "2006-01-02" or a time in UTC as "2006-01-02T15:04:05Z"`, text)
	}
	if ends, ok := o["interval"]; ok {
		return d.interval(ends)
	}
	if numbers, ok := o["bbox"]; ok {
		return d.box(numbers)
	}
	if _, ok := o["type"]; ok {
		return d.geometry(o)
	}
	return nil, d.expected(`an object with "op", "property", "date", "timestamp", "interval", "bbox" or "type"`, o)
}

func (d decoder) call(o map[string]any) (Expr, error) {
	name, ok := o["op"].(string)
	if !ok {
		return nil, d.in("op").expected("the name of an operator", o["op"])
	}
	sig, ok := signatures[Op(name)]
	if !ok {
		return nil, unknownFunction(d.in("op").place(), name, maps.Keys(signatures))
	}
	list, ok := o["args"].([]any)
	if !ok {
		return nil, d.in("args").expected("an array of arguments", o["args"])
	}
	if err := sig.check(d.place(), len(list)); err != nil {
		return nil, err
	}
	c := Call{Op: sig.op, place: d.place()}
	d.array = sig.family == arrays
	for i, v := range list {
		arg := d.in("args", i)
		arg.array = d.array || sig.op == In && i == 1
		e, err := arg.expr(v)
		if err != nil {
			return nil, err
		}
		c.Args = append(c.Args, e)
	}
	if sig.op == In {
		values, ok := c.Args[1].(Array)
		if !ok {
			return nil, d.in("args", 1).expected("an array of values", list[1])
		}
		for i, v := range values.Items {
			if _, ok := v.(Array); ok {
				return nil, d.in("args", 1, i).expected("a single value", list[1].([]any)[i])
			}
		}
		if len(values.Items) == 0 {
			return Bool{false, d.place()}, nil
		}
	}
	return c, nil
}

func (d decoder) interval(v any) (Expr, error) {
	d = d.in("interval")
	ends, ok := v.([]any)
	if !ok || len(ends) != 2 {
		return nil, d.expected("the two ends of the interval", v)
	}
	var got [2]Expr
	for i, end := range ends {
		at := d.in(i)
		switch end := end.(type) {
		case string:
			if end == ".." {
				continue
			}
			if _, ok := parseLiteral(end); ok {
				got[i] = Instant{end, at.place()}
				continue
			}
		case map[string]any:
			if name, ok := end["property"].(string); ok && !strings.ContainsRune(name, 0) {
				got[i] = Property{name, at.place()}
				continue
			}
		}
		return nil, at.expected(`a date, a time in UTC, ".." or a property`, end)
	}
	return Interval{got[0], got[1], d.place()}, nil
}

func (d decoder) box(v any) (Expr, error) {
	d = d.in("bbox")
	list, ok := v.([]any)
	if !ok {
		return nil, d.expected("an array of 4 or 6 numbers", v)
	}
	b := Box{place: d.place()}
	for i, v := range list {
		text, ok := v.(json.Number)
		if !ok {
			return nil, d.in(i).expected("a number", v)
		}
		n, err := parseNumber(text.String())
		if err != nil {
			return nil, problem(d.in(i).place(), "%s", err)
		}
		b.Coordinates = append(b.Coordinates, n)
	}
	return b, checkBox(b)
}

func (d decoder) geometry(o map[string]any) (Expr, error) {
	raw, err := json.Marshal(o)
	if err != nil {
		return nil, d.expected("a GeoJSON geometry", o)
	}
	g, err := geojson.ParseGeometry(raw)
	if err != nil {
		return nil, problem(d.place(), "expected a GeoJSON geometry: %s", err)
	}
	if err := complete(g.Geometry, false); err != nil {
		return nil, problem(d.place(), "%s", err)
	}
	return Geometry{g.Geometry, d.place()}, nil
}

// complete refuses what the text encoding cannot write: geometries without
// positions and collections within collections.
func complete(g orb.Geometry, within bool) error {
	switch g := g.(type) {
	case orb.Collection:
		if within {
			return errors.New("a geometry collection cannot hold another")
		}
		return all(g, func(g orb.Geometry) error { return complete(g, true) })
	case orb.MultiPoint:
		return all(g, func(orb.Point) error { return nil })
	case orb.LineString:
		return all(g, func(orb.Point) error { return nil })
	case orb.Ring:
		return all(g, func(orb.Point) error { return nil })
	case orb.MultiLineString:
		return all(g, func(l orb.LineString) error { return complete(l, within) })
	case orb.Polygon:
		return all(g, func(r orb.Ring) error { return complete(r, within) })
	case orb.MultiPolygon:
		return all(g, func(p orb.Polygon) error { return complete(p, within) })
	}
	return nil
}

func all[T any](list []T, check func(T) error) error {
	if len(list) == 0 {
		return errors.New("expected a geometry with positions")
	}
	for _, v := range list {
		if err := check(v); err != nil {
			return err
		}
	}
	return nil
}
