package cql2_test

import (
	"fmt"

	"github.com/paulmach/orb"
	"pgregory.net/rapid"

	"holdfast/geo/cql2"
)

// The queryables of the random filters. Their names need quoting in text, in
// SQL and in JSON paths.
var (
	texts    = []string{"name", "a \"b\" c'd"}
	numbers  = []string{"depth", "x.y"}
	booleans = []string{"wet"}
	days     = []string{"date", "day"}
	times    = []string{"timestamp", "updated:at"}
	lists    = []string{"hazards"}
	shapes   = []string{"geom"}
)

func randomQueryables() cql2.Queryables {
	q := cql2.Queryables{}
	for t, names := range map[cql2.Type][]string{
		cql2.StringType: texts, cql2.NumberType: numbers, cql2.BooleanType: booleans, cql2.DateType: days,
		cql2.TimestampType: times, cql2.ArrayType: lists, cql2.GeometryType: shapes,
	} {
		for _, n := range names {
			q[n] = t
		}
	}
	return q
}

func pick[T any](t *rapid.T, from ...T) T { return rapid.SampledFrom(from).Draw(t, "pick") }

func call(op cql2.Op, args ...cql2.Expr) cql2.Expr { return cql2.Call{Op: op, Args: args} }

func property(t *rapid.T, names []string) cql2.Expr { return cql2.Property{Name: pick(t, names...)} }

var (
	someTexts = []string{"", "a", "A", "ab", "a%b", "a_b", "a*b", "a?b", "[a]", "é", "e\u0301", "ß", `a\b`, `it's`, "😀", "2022-04-16", "5"}
	someTimes = []string{"2022-04-16T10:13:19Z", "2022-04-16T10:13:19.5Z", "2022-04-16T00:00:00Z", "2022-04-15T23:59:59.999Z", "1969-07-20T20:17:40Z"}
	someDays  = []string{"2022-04-16", "2022-04-15", "1969-07-20", "2024-02-29"}
)

func randomPredicate(t *rapid.T, depth int) cql2.Expr {
	kind := rapid.IntRange(0, 12).Draw(t, "predicate")
	if depth <= 0 {
		kind = min(kind, 9)
	}
	switch kind {
	case 0, 1, 2:
		a, b := randomPair(t, depth)
		return call(pick(t, cql2.Equal, cql2.NotEqual, cql2.Less, cql2.Greater, cql2.LessOrEqual, cql2.GreaterOrEqual), a, b)
	case 3:
		pattern := cql2.Expr(cql2.String{Value: pick(t, "a%", "%b", "a_b", `a\%b`, "%", "[%", "a*b", "_", `%\`, "É%", "%%a__")})
		if rapid.Bool().Draw(t, "folded") {
			pattern = call(pick(t, cql2.CaseI, cql2.AccentI), pattern)
		}
		return call(cql2.Like, randomText(t, depth), pattern)
	case 4:
		a, b := randomPair(t, depth)
		_, c := randomPair(t, depth)
		if fmt.Sprintf("%T", b) != fmt.Sprintf("%T", c) {
			c = b
		}
		return call(cql2.Between, a, b, c)
	case 5:
		a, b := randomPair(t, depth)
		return call(cql2.In, a, cql2.Array{Items: []cql2.Expr{b, b}[:rapid.IntRange(1, 2).Draw(t, "length")]})
	case 6:
		return call(cql2.IsNull, property(t, pick(t, texts, numbers, booleans, days, times, lists, shapes)))
	case 7:
		return call(pick(t, cql2.SIntersects, cql2.SDisjoint, cql2.SWithin, cql2.SContains, cql2.STouches, cql2.SEquals, cql2.SCrosses, cql2.SOverlaps),
			randomShape(t), randomShape(t))
	case 8:
		if rapid.Bool().Draw(t, "intervals") {
			return call(pick(t, cql2.TContains, cql2.TDuring, cql2.TFinishedBy, cql2.TFinishes, cql2.TMeets, cql2.TMetBy,
				cql2.TOverlappedBy, cql2.TOverlaps, cql2.TStartedBy, cql2.TStarts), randomInterval(t), randomInterval(t))
		}
		return call(pick(t, cql2.TAfter, cql2.TBefore, cql2.TDisjoint, cql2.TEquals, cql2.TIntersects), randomTime(t), randomInterval(t))
	case 9:
		return call(pick(t, cql2.AContainedBy, cql2.AContains, cql2.AEquals, cql2.AOverlaps), randomArray(t, depth), randomArray(t, depth))
	case 10:
		return call(cql2.Not, randomPredicate(t, depth-1))
	case 11:
		return call(cql2.IsNull, randomPredicate(t, depth-1))
	default:
		args := []cql2.Expr{randomPredicate(t, depth-1), randomPredicate(t, depth-1), randomPredicate(t, depth-1)}
		return call(pick(t, cql2.And, cql2.Or), args[:rapid.IntRange(2, 3).Draw(t, "length")]...)
	}
}

// randomPair returns two values that can be compared.
func randomPair(t *rapid.T, depth int) (a, b cql2.Expr) {
	switch rapid.IntRange(0, 3).Draw(t, "class") {
	case 0:
		return randomText(t, depth), randomText(t, depth)
	case 1:
		return randomNumber(t, depth), randomNumber(t, depth)
	case 2:
		return property(t, booleans), cql2.Bool{Value: rapid.Bool().Draw(t, "bool")}
	default:
		return randomTime(t), randomTime(t)
	}
}

func randomText(t *rapid.T, depth int) cql2.Expr {
	switch rapid.IntRange(0, 3).Draw(t, "text") {
	case 0:
		return cql2.String{Value: pick(t, someTexts...)}
	case 1:
		if depth > 0 {
			return call(pick(t, cql2.CaseI, cql2.AccentI), randomText(t, depth-1))
		}
	}
	return property(t, texts)
}

func randomNumber(t *rapid.T, depth int) cql2.Expr {
	switch rapid.IntRange(0, 4).Draw(t, "number") {
	case 0, 1:
		return cql2.Number{Value: pick(t, 0, 1, -1, 2, 2.5, -7, 10, 1e-9, 1e300)}
	case 2:
		if depth > 0 {
			return call(pick(t, cql2.Plus, cql2.Minus, cql2.Times, cql2.Divide, cql2.Modulo, cql2.Div, cql2.Power),
				randomNumber(t, depth-1), randomNumber(t, depth-1))
		}
	}
	return property(t, numbers)
}

func randomTime(t *rapid.T) cql2.Expr {
	switch rapid.IntRange(0, 3).Draw(t, "time") {
	case 0:
		return cql2.Instant{Text: pick(t, append(someDays, someTimes...)...)}
	case 1:
		return property(t, days)
	default:
		return property(t, times)
	}
}

func randomInterval(t *rapid.T) cql2.Expr {
	end := func(names, literals []string) cql2.Expr {
		switch rapid.IntRange(0, 2).Draw(t, "end") {
		case 0:
			return nil
		case 1:
			return property(t, names)
		default:
			return cql2.Instant{Text: literals[0]}
		}
	}
	if rapid.Bool().Draw(t, "days") {
		return cql2.Interval{Start: end(days, someDays), End: end(days, someDays)}
	}
	return cql2.Interval{Start: end(times, someTimes), End: end(times, someTimes)}
}

func randomArray(t *rapid.T, depth int) cql2.Expr {
	if rapid.Bool().Draw(t, "property") {
		return property(t, lists)
	}
	n := rapid.IntRange(0, 3).Draw(t, "length")
	a := cql2.Array{}
	for range n {
		switch rapid.IntRange(0, 6).Draw(t, "element") {
		case 0:
			a.Items = append(a.Items, randomText(t, depth))
		case 1:
			a.Items = append(a.Items, randomNumber(t, depth))
		case 2:
			a.Items = append(a.Items, cql2.Bool{Value: true})
		case 3:
			a.Items = append(a.Items, cql2.Instant{Text: someDays[0]})
		case 4:
			a.Items = append(a.Items, cql2.Box{Coordinates: []float64{0, 0, 1, 1}})
		case 5:
			if depth > 0 {
				a.Items = append(a.Items, randomPredicate(t, depth-1))
			}
		default:
			if depth > 0 {
				if inner, ok := randomArray(t, depth-1).(cql2.Array); ok {
					a.Items = append(a.Items, inner)
				}
			}
		}
	}
	return a
}

func randomShape(t *rapid.T) cql2.Expr {
	v := func() float64 { return float64(rapid.IntRange(0, 8).Draw(t, "coordinate")) / 2 }
	switch rapid.IntRange(0, 6).Draw(t, "shape") {
	case 0:
		return cql2.Geometry{Geometry: orb.Point{v(), v()}}
	case 1:
		return cql2.Geometry{Geometry: orb.LineString{{v(), v()}, {v() + 5, v()}}}
	case 2:
		x, y := v(), v()
		return cql2.Box{Coordinates: []float64{x, y, x + v(), y + v()}}
	case 3:
		x, y := v(), v()
		return cql2.Geometry{Geometry: orb.Collection{orb.Point{x, y}, orb.Polygon{{{x, y}, {x + 1, y}, {x, y + 1}, {x, y}}}}}
	default:
		return property(t, shapes)
	}
}

// randomFeature has values of the right type, of a wrong one, and none.
func randomFeature(t *rapid.T) cql2.Feature {
	f := cql2.Feature{Properties: map[string]any{}}
	odd := []any{"x", "", 1.0, -0.5, true, false, []any{"a"}, map[string]any{"a": 1.0}, nil, "2022-04-16", "2022-13-01", "now", "2459685.5", "10:00"}
	put := func(names []string, of func() any) {
		for _, n := range names {
			switch rapid.IntRange(0, 7).Draw(t, "presence") {
			case 0:
			case 1:
				f.Properties[n] = pick(t, odd...)
			default:
				f.Properties[n] = of()
			}
		}
	}
	put(texts, func() any { return pick(t, someTexts...) })
	put(numbers, func() any { return pick(t, 0, 1, -1, 2.5, 3, -7, 1e-9, 1e300) })
	put(booleans, func() any { return rapid.Bool().Draw(t, "bool") })
	put(append(days, times...), func() any {
		return pick(t, append(append(someDays, someTimes...), "2022-04-16T10:13:19", "2022-04-16T12:13:19+02:00", "2022-04-16 10:13:19.25", "2022-02-31")...)
	})
	put(lists, func() any {
		return []any{"a", 1.0, true, []any{"a"}, nil, "2022-04-16"}[:rapid.IntRange(0, 6).Draw(t, "length")]
	})
	switch g := randomShape(t).(type) {
	case cql2.Geometry:
		f.Geometry = g.Geometry
	case cql2.Box:
		c := g.Coordinates
		if c[0] < c[2] && c[1] < c[3] {
			f.Geometry = orb.Bound{Min: orb.Point{c[0], c[1]}, Max: orb.Point{c[2], c[3]}}.ToPolygon()
		}
	}
	return f
}
