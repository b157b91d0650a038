package cql2

import (
	"fmt"
	"slices"

	"github.com/paulmach/orb"
)

// Expr is a parsed expression: a Call, a Property or a literal. Expressions
// are values that nothing alters, so they may be shared.
type Expr interface {
	where() place
}

// Op names an operator or a function as CQL2 JSON spells it.
type Op string

// The operators and functions of CQL2 1.0.
const (
	And Op = "and"
	Or  Op = "or"
	Not Op = "not"

	Equal          Op = "="
	NotEqual       Op = "<>"
	Less           Op = "<"
	Greater        Op = ">"
	LessOrEqual    Op = "<="
	GreaterOrEqual Op = ">="

	Like    Op = "like"
	Between Op = "between"
	In      Op = "in" // Args: the value and an Array
	IsNull  Op = "isNull"

	CaseI   Op = "casei"
	AccentI Op = "accenti"

	SContains   Op = "s_contains"
	SCrosses    Op = "s_crosses"
	SDisjoint   Op = "s_disjoint"
	SEquals     Op = "s_equals"
	SIntersects Op = "s_intersects"
	SOverlaps   Op = "s_overlaps"
	STouches    Op = "s_touches"
	SWithin     Op = "s_within"

	TAfter        Op = "t_after"
	TBefore       Op = "t_before"
	TContains     Op = "t_contains"
	TDisjoint     Op = "t_disjoint"
	TDuring       Op = "t_during"
	TEquals       Op = "t_equals"
	TFinishedBy   Op = "t_finishedBy"
	TFinishes     Op = "t_finishes"
	TIntersects   Op = "t_intersects"
	TMeets        Op = "t_meets"
	TMetBy        Op = "t_metBy"
	TOverlappedBy Op = "t_overlappedBy"
	TOverlaps     Op = "t_overlaps"
	TStartedBy    Op = "t_startedBy"
	TStarts       Op = "t_starts"

	AContainedBy Op = "a_containedBy"
	AContains    Op = "a_contains"
	AEquals      Op = "a_equals"
	AOverlaps    Op = "a_overlaps"

	Plus   Op = "+"
	Minus  Op = "-"
	Times  Op = "*"
	Divide Op = "/"
	Modulo Op = "%"
	Div    Op = "div"
	Power  Op = "^"
)

// Call applies an operator or a function to its arguments.
type Call struct {
	Op   Op
	Args []Expr
	place
}

// Property stands for the value of a queryable.
type Property struct {
	Name string
	place
}

// The literals.
type (
	// String is a character string without the character U+0000.
	String struct {
		Value string
		place
	}
	// Number is a finite number.
	Number struct {
		Value float64
		place
	}
	// Bool is TRUE or FALSE.
	Bool struct {
		Value bool
		place
	}
	// Instant is a date, as 2006-01-02, or a timestamp in UTC, as
	// 2006-01-02T15:04:05Z with or without a fraction of a second.
	Instant struct {
		Text string
		place
	}
	// Interval is a closed span of time. Its ends are Instants or Properties;
	// nil is no bound.
	Interval struct {
		Start, End Expr
		place
	}
	// Box is a bounding box: west, south, east, north, or with heights west,
	// south, bottom, east, north, top. West of more than east crosses the
	// 180° meridian.
	Box struct {
		Coordinates []float64
		place
	}
	// Geometry is a geometry literal, longitude before latitude.
	Geometry struct {
		orb.Geometry
		place
	}
	// Array is a list of values; arrays compare as sets.
	Array struct {
		Items []Expr
		place
	}
)

// place says where in its source an expression stands: the number of the
// character in text, counted from 1, or a JSON pointer.
type place struct {
	character int
	pointer   string
}

func (p place) where() place { return p }

// named puts the place after a noun: "filter, character 7".
func (p place) named(noun string) string {
	switch {
	case p.character > 0:
		return fmt.Sprintf("%s, character %d", noun, p.character)
	case p.pointer != "":
		return noun + ", " + p.pointer
	}
	return noun
}

// Limits on one filter, so that a hostile one costs little.
const (
	MaxLength = 256 << 10 // bytes of source
	MaxDepth  = 64        // expressions within each other
	MaxNodes  = 10_000    // expressions in all
)

// Error tells what is wrong with a filter, and where.
type Error struct {
	Character int    // number of the character in text, from 1; 0 for JSON
	Pointer   string // JSON pointer, in JSON
	Problem   string // what was expected and what was found
}

func (e *Error) Error() string {
	return place{e.Character, e.Pointer}.named("filter") + ": " + e.Problem
}

func problem(at place, format string, args ...any) error {
	return &Error{at.character, at.pointer, fmt.Sprintf(format, args...)}
}

// children returns the expressions directly within e.
func children(e Expr) []Expr {
	switch e := e.(type) {
	case Call:
		return e.Args
	case Array:
		return e.Items
	case Interval:
		return slices.DeleteFunc([]Expr{e.Start, e.End}, func(e Expr) bool { return e == nil })
	}
	return nil
}

// measure checks an expression against the limits.
func measure(e Expr) error {
	nodes := 0
	var deep func(Expr, int) error
	deep = func(e Expr, depth int) error {
		if nodes++; nodes > MaxNodes {
			return problem(e.where(), "the filter has more than %d parts", MaxNodes)
		}
		if depth > MaxDepth {
			return problem(e.where(), "expressions are nested deeper than %d", MaxDepth)
		}
		for _, c := range children(e) {
			if c == nil {
				return problem(e.where(), "an argument is missing")
			}
			if err := deep(c, depth+1); err != nil {
				return err
			}
		}
		return nil
	}
	return deep(e, 1)
}

// constant tells whether an expression has the same value for every feature.
func constant(e Expr) bool {
	if _, ok := e.(Property); ok {
		return false
	}
	return !slices.ContainsFunc(children(e), func(c Expr) bool { return !constant(c) })
}
