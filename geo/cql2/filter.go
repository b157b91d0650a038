package cql2

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/paulmach/orb"
)

// Type is the type of a queryable.
type Type int

const (
	StringType Type = iota + 1
	NumberType      // integers too
	BooleanType
	DateType      // text as 2006-01-02; of a timestamp the day in UTC
	TimestampType // text as RFC 3339
	GeometryType  // the geometry of the feature, whatever the name
	ArrayType
)

func (t Type) String() string {
	switch t {
	case StringType:
		return "a string"
	case NumberType:
		return "a number"
	case BooleanType:
		return "a boolean"
	case DateType:
		return "a date"
	case TimestampType:
		return "a timestamp"
	case GeometryType:
		return "a geometry"
	case ArrayType:
		return "an array"
	}
	return "of no known type"
}

// Queryables are the properties a filter may name.
type Queryables map[string]Type

// UnknownPropertyError is the error for a property that is no queryable.
type UnknownPropertyError struct {
	Name       string
	Queryables []string // what there is, sorted
	at         place
}

func (e *UnknownPropertyError) Error() string {
	have := "there are no queryables"
	if len(e.Queryables) > 0 {
		have = "the queryables are " + strings.Join(e.Queryables, ", ")
	}
	return fmt.Sprintf("%s: there is no property %q; %s", e.at.named("filter"), shorten(e.Name), have)
}

// Feature is what a filter is answered for. Properties hold what
// encoding/json decodes, json.Number included, or Go's own number types.
type Feature struct {
	Properties map[string]any
	Geometry   orb.Geometry // nil: none
}

// Filter is an expression that fits its queryables, ready to be answered. It
// is safe for use by many goroutines.
type Filter struct {
	expr       Expr
	queryables Queryables
	test       test
}

// Compile checks an expression against the queryables. An error is an *Error
// or an *UnknownPropertyError.
func Compile(e Expr, q Queryables) (*Filter, error) {
	if e == nil {
		return nil, problem(place{}, "expected a filter, found nothing")
	}
	if err := measure(e); err != nil {
		return nil, err
	}
	q = maps.Clone(q)
	t, err := compiler{q}.predicate(e)
	if err != nil {
		return nil, err
	}
	return &Filter{e, q, t}, nil
}

// Match tells whether the filter is true for a feature; false and unknown
// select nothing.
func (f *Filter) Match(feature Feature) bool {
	return f.test(&row{Feature: feature}) == yes
}

// Expr returns the expression the filter was made from.
func (f *Filter) Expr() Expr { return f.expr }

// row is the feature a filter is being answered for.
type row struct {
	Feature
	shape  shaped
	shaped bool
}

// truth is a value of three-valued logic, ordered so that AND is the least
// and OR the greatest.
type truth int

const (
	no truth = iota - 1
	unknown
	yes
)

func truly(b bool) truth {
	if b {
		return yes
	}
	return no
}

// test answers a predicate for a feature.
type test func(*row) truth

func always(t truth) test { return func(*row) truth { return t } }

type compiler struct{ queryables Queryables }

func (c compiler) typeOf(p Property) (Type, error) {
	t, ok := c.queryables[p.Name]
	if !ok {
		return 0, &UnknownPropertyError{p.Name, slices.Sorted(maps.Keys(c.queryables)), p.place}
	}
	return t, nil
}

// predicate compiles an expression that is true, false or unknown.
func (c compiler) predicate(e Expr) (test, error) {
	switch e := e.(type) {
	case Bool:
		return always(truly(e.Value)), nil
	case Call:
		if sig, ok := signatures[e.Op]; ok && sig.family != arithmetic && sig.family != folding {
			if err := sig.check(e.place, len(e.Args)); err != nil {
				return nil, err
			}
			return c.call(e, sig.family)
		}
	case Property:
		t, err := c.typeOf(e)
		if err != nil {
			return nil, err
		}
		if t == BooleanType {
			return nil, problem(e.place, "expected a predicate, found the property %q; write %s = TRUE", shorten(e.Name), shorten(Text(e)))
		}
	}
	return nil, problem(e.where(), "expected a predicate, found %s", shorten(Text(e)))
}

func (c compiler) call(e Call, f family) (test, error) {
	switch f {
	case logic:
		return c.logic(e)
	case spatial:
		return c.spatial(e)
	case arrays:
		return c.arrays(e)
	}
	switch e.Op {
	case Like:
		return c.like(e)
	case In:
		return c.in(e)
	case IsNull:
		return c.isNull(e.Args[0])
	case Equal, NotEqual, Less, Greater, LessOrEqual, GreaterOrEqual:
		return c.compare(e)
	}
	plain, err := c.plain(e)
	if err != nil {
		return nil, err
	}
	return c.predicate(plain)
}

func (c compiler) logic(e Call) (test, error) {
	tests := make([]test, len(e.Args))
	for i, a := range e.Args {
		var err error
		if tests[i], err = c.predicate(a); err != nil {
			return nil, err
		}
	}
	switch e.Op {
	case Not:
		return func(r *row) truth { return -tests[0](r) }, nil
	case And:
		return func(r *row) truth {
			all := yes
			for _, t := range tests {
				if all = min(all, t(r)); all == no {
					break
				}
			}
			return all
		}, nil
	default:
		return func(r *row) truth {
			some := no
			for _, t := range tests {
				if some = max(some, t(r)); some == yes {
					break
				}
			}
			return some
		}, nil
	}
}

func (c compiler) isNull(e Expr) (test, error) {
	switch e := e.(type) {
	case Property:
		t, err := c.typeOf(e)
		if t == GeometryType {
			return func(r *row) truth { return truly(r.Geometry == nil) }, err
		}
		return func(r *row) truth { return truly(r.Properties[e.Name] == nil) }, err
	case Geometry, Box:
		_, err := c.geometry(e)
		return always(no), err
	case Interval:
		if err := c.checkInterval(e); err != nil {
			return nil, err
		}
		start, err := c.isNull(orUnbounded(e.Start, -1))
		if err != nil {
			return nil, err
		}
		end, err := c.isNull(orUnbounded(e.End, 1))
		return func(r *row) truth { return max(start(r), end(r)) }, err
	case Call:
		if f := signatures[e.Op].family; f != arithmetic && f != folding {
			t, err := c.predicate(e)
			return func(r *row) truth { return truly(t(r) == unknown) }, err
		}
	case Array:
		return nil, problem(e.place, "expected a property or a single value before IS NULL")
	}
	s, err := c.scalar(e)
	return func(r *row) truth { return truly(!s.known(r)) }, err
}
