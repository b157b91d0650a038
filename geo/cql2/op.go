package cql2

import (
	"cmp"
	"fmt"
	"iter"
	"slices"
	"strings"
)

// family groups the operators that take the same kinds of arguments.
type family int

const (
	logic family = iota
	comparison
	folding
	spatial
	temporal
	arrays
	arithmetic
)

// signature tells how an operator is called.
type signature struct {
	op       Op
	family   family
	min, max int // arguments; max 0 is any number
}

var signatures = func() map[Op]signature {
	m := make(map[Op]signature)
	add := func(f family, least, most int, ops ...Op) {
		for _, op := range ops {
			m[op] = signature{op, f, least, most}
		}
	}
	add(logic, 2, 0, And, Or)
	add(logic, 1, 1, Not)
	add(comparison, 2, 2, Equal, NotEqual, Less, Greater, LessOrEqual, GreaterOrEqual, Like, In)
	add(comparison, 3, 3, Between)
	add(comparison, 1, 1, IsNull)
	add(folding, 1, 1, CaseI, AccentI)
	add(spatial, 2, 2, SContains, SCrosses, SDisjoint, SEquals, SIntersects, SOverlaps, STouches, SWithin)
	add(temporal, 2, 2, TAfter, TBefore, TContains, TDisjoint, TDuring, TEquals, TFinishedBy, TFinishes,
		TIntersects, TMeets, TMetBy, TOverlappedBy, TOverlaps, TStartedBy, TStarts)
	add(arrays, 2, 2, AContainedBy, AContains, AEquals, AOverlaps)
	add(arithmetic, 2, 2, Plus, Minus, Times, Divide, Modulo, Div, Power)
	return m
}()

func (s signature) check(at place, args int) error {
	if args >= s.min && (s.max == 0 || args <= s.max) {
		return nil
	}
	want := fmt.Sprint(s.min)
	if s.max == 0 {
		want += " or more"
	}
	return problem(at, "%s takes %s argument(s), found %d", strings.ToUpper(string(s.op)), want, args)
}

// functions are the operators that text writes as a name and parentheses.
var functions = func() map[string]signature {
	m := make(map[string]signature)
	for op, s := range signatures {
		switch s.family {
		case folding, spatial, temporal, arrays:
			m[strings.ToUpper(string(op))] = s
		}
	}
	return m
}()

// unknownFunction names what there is, which is names.
func unknownFunction[K cmp.Ordered](at place, found string, names iter.Seq[K]) error {
	list := convert(slices.Sorted(names), func(k K) string { return fmt.Sprint(k) })
	return problem(at, "expected one of %s, found %q", strings.Join(list, ", "), shorten(found))
}
