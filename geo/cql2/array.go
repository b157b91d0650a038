package cql2

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// set holds the elements of an array, each under a key that equal elements
// share.
type set map[string]struct{}

func (s set) has(t set) bool {
	for k := range t {
		if _, ok := s[k]; !ok {
			return false
		}
	}
	return true
}

func (c compiler) arrays(e Call) (test, error) {
	a, err := c.array(e.Args[0])
	if err != nil {
		return nil, err
	}
	b, err := c.array(e.Args[1])
	if err != nil {
		return nil, err
	}
	return func(r *row) truth {
		x, ok1 := a(r)
		y, ok2 := b(r)
		if !ok1 || !ok2 {
			return unknown
		}
		switch e.Op {
		case AContains:
			return truly(x.has(y))
		case AContainedBy:
			return truly(y.has(x))
		case AEquals:
			return truly(x.has(y) && y.has(x))
		}
		for k := range x {
			if _, ok := y[k]; ok {
				return yes
			}
		}
		return no
	}, nil
}

// array compiles an argument of an array function; the flag is false when the
// array or one of its elements is unknown.
func (c compiler) array(e Expr) (func(*row) (set, bool), error) {
	switch e := e.(type) {
	case Property:
		t, err := c.typeOf(e)
		if err == nil && t != ArrayType {
			err = problem(e.place, "expected an array; the property %q is %s", shorten(e.Name), t)
		}
		return func(r *row) (set, bool) {
			list, ok := r.Properties[e.Name].([]any)
			return setOf(list), ok
		}, err
	case Array:
		items := make([]func(*row) (string, bool), len(e.Items))
		for i, item := range e.Items {
			var err error
			if items[i], err = c.element(item); err != nil {
				return nil, err
			}
		}
		fill := func(r *row) (set, bool) {
			s := make(set, len(items))
			for _, item := range items {
				k, ok := item(r)
				if !ok {
					return nil, false
				}
				s[k] = struct{}{}
			}
			return s, true
		}
		if constant(e) {
			s, ok := fill(&row{})
			return func(*row) (set, bool) { return s, ok }, nil
		}
		return fill, nil
	}
	return nil, problem(e.where(), "expected an array or a property, found %s", shorten(Text(e)))
}

// element compiles an element of an array to its key. Dates and times equal
// the text that a JSON array has for them.
func (c compiler) element(e Expr) (func(*row) (string, bool), error) {
	switch e := e.(type) {
	case Instant:
		k := keyOf(e.Text)
		return func(*row) (string, bool) { return k, true }, nil
	case Property:
		if c.queryables[e.Name] == GeometryType {
			return nil, problem(e.place, "expected an element that is not the feature's geometry")
		}
		_, err := c.typeOf(e)
		return func(r *row) (string, bool) {
			v := r.Properties[e.Name]
			return keyOf(v), v != nil
		}, err
	case Array:
		s, err := c.array(e)
		return func(r *row) (string, bool) {
			v, ok := s(r)
			return v.key(), ok
		}, err
	case Geometry, Box:
		if _, err := c.geometry(e); err != nil {
			return nil, err
		}
		return literalKey(e)
	case Interval:
		if err := c.checkInterval(e); err != nil {
			return nil, err
		}
		if !constant(e) {
			return nil, problem(e.place, "expected an interval of literals in an array")
		}
		return literalKey(e)
	case Call:
		if f := signatures[e.Op].family; f != arithmetic && f != folding {
			t, err := c.predicate(e)
			return func(r *row) (string, bool) {
				v := t(r)
				return keyOf(v == yes), v != unknown
			}, err
		}
	}
	s, err := c.scalar(e)
	switch {
	case err != nil:
		return nil, err
	case s.typ == StringType:
		return func(r *row) (string, bool) { v, ok := s.text(r); return keyOf(v), ok }, nil
	case s.typ == BooleanType:
		return func(r *row) (string, bool) { v, ok := s.number(r); return keyOf(v == 1), ok }, nil
	}
	return func(r *row) (string, bool) { v, ok := s.number(r); return keyOf(v), ok }, nil
}

func literalKey(e Expr) (func(*row) (string, bool), error) {
	b, err := JSON(e)
	if err != nil {
		return nil, problem(e.where(), "%s", err)
	}
	var v any
	err = json.Unmarshal(b, &v)
	k := keyOf(v)
	return func(*row) (string, bool) { return k, true }, err
}

func setOf(list []any) set {
	s := make(set, len(list))
	for _, v := range list {
		s[keyOf(v)] = struct{}{}
	}
	return s
}

func (s set) key() string {
	return "[" + strings.Join(slices.Sorted(maps.Keys(s)), ",") + "]"
}

// keyOf names a JSON value, so that two values are equal when their keys are.
// Arrays within arrays are sets too.
func keyOf(v any) string {
	switch v := v.(type) {
	case string:
		return strconv.Quote(v)
	case bool:
		return strconv.FormatBool(v)
	case nil:
		return "null"
	case []any:
		return setOf(v).key()
	case map[string]any:
		var b strings.Builder
		for _, k := range slices.Sorted(maps.Keys(v)) {
			b.WriteString(strconv.Quote(k) + ":" + keyOf(v[k]) + ";")
		}
		return "{" + b.String() + "}"
	}
	if f, ok := toFloat(v); ok {
		return strconv.FormatFloat(f+0, 'g', -1, 64)
	}
	return fmt.Sprintf("%T %v", v, v)
}
