package cql2

import "strings"

// plain turns BETWEEN and the temporal functions into comparisons, so
// that only these have to be answered and translated.
func (c compiler) plain(e Call) (Expr, error) {
	if e.Op == Between {
		return Call{And, []Expr{
			Call{GreaterOrEqual, []Expr{e.Args[0], e.Args[1]}, e.place},
			Call{LessOrEqual, []Expr{e.Args[0], e.Args[2]}, e.place},
		}, e.place}, nil
	}
	return c.temporal(e)
}

// span is a temporal operand: an instant begins and ends with itself.
type span struct {
	start, end Expr
	interval   bool
}

func (c compiler) span(e Expr) (span, error) {
	i, ok := e.(Interval)
	if !ok {
		s, err := c.scalar(e)
		if err == nil && class(s.typ) != TimestampType {
			err = problem(e.where(), "expected a date, a timestamp or an interval, found %s", s.typ)
		}
		return span{e, e, false}, err
	}
	return span{orUnbounded(i.Start, -1), orUnbounded(i.End, 1), true}, c.checkInterval(i)
}

// checkInterval asks for two dates or two timestamps in their order.
func (c compiler) checkInterval(i Interval) error {
	var types []Type
	for _, end := range []Expr{i.Start, i.End} {
		switch end := end.(type) {
		case nil:
		case Instant, Property:
			s, err := c.scalar(end)
			if err != nil {
				return err
			}
			if class(s.typ) != TimestampType {
				return problem(end.where(), "expected a date or a timestamp in an interval, found %s", s.typ)
			}
			types = append(types, s.typ)
		default:
			return problem(end.where(), "expected a date, a time in UTC, '..' or a property in an interval")
		}
	}
	if len(types) == 2 && types[0] != types[1] {
		return problem(i.place, "expected two dates or two timestamps in an interval, found one of each")
	}
	start, ok1 := i.Start.(Instant)
	end, ok2 := i.End.(Instant)
	if ok1 && ok2 {
		from, _ := parseLiteral(start.Text)
		to, _ := parseLiteral(end.Text)
		if from > to {
			return problem(i.place, "expected the start of the interval before its end")
		}
	}
	return nil
}

// temporal writes a temporal function as comparisons of the starts and ends
// of its operands: the relations of OWL-Time (W3C, 2022) to which OGC 21-065r2
// refers, on closed intervals.
func (c compiler) temporal(e Call) (Expr, error) {
	a, err := c.span(e.Args[0])
	if err != nil {
		return nil, err
	}
	b, err := c.span(e.Args[1])
	if err != nil {
		return nil, err
	}
	both := func(list ...Expr) Expr { return Call{And, list, e.place} }
	is := func(x Expr, op Op, y Expr) Expr { return Call{op, []Expr{x, y}, e.place} }
	meet := both(is(a.start, LessOrEqual, b.end), is(a.end, GreaterOrEqual, b.start))
	switch e.Op {
	case TAfter:
		return is(a.start, Greater, b.end), nil
	case TBefore:
		return is(a.end, Less, b.start), nil
	case TIntersects:
		return meet, nil
	case TDisjoint:
		return Call{Not, []Expr{meet}, e.place}, nil
	case TEquals:
		return both(is(a.start, Equal, b.start), is(a.end, Equal, b.end)), nil
	}
	for i, s := range []span{a, b} {
		if !s.interval {
			return nil, problem(e.Args[i].where(), "%s compares intervals, found an instant; write INTERVAL(…,…) or use T_INTERSECTS",
				strings.ToUpper(string(e.Op)))
		}
	}
	switch e.Op {
	case TContains:
		return both(is(a.start, Less, b.start), is(a.end, Greater, b.end)), nil
	case TDuring:
		return both(is(a.start, Greater, b.start), is(a.end, Less, b.end)), nil
	case TFinishedBy:
		return both(is(a.start, Less, b.start), is(a.end, Equal, b.end)), nil
	case TFinishes:
		return both(is(a.start, Greater, b.start), is(a.end, Equal, b.end)), nil
	case TMeets:
		return is(a.end, Equal, b.start), nil
	case TMetBy:
		return is(a.start, Equal, b.end), nil
	case TOverlappedBy:
		return both(is(a.start, Greater, b.start), is(a.start, Less, b.end), is(a.end, Greater, b.end)), nil
	case TOverlaps:
		return both(is(a.start, Less, b.start), is(a.end, Greater, b.start), is(a.end, Less, b.end)), nil
	case TStartedBy:
		return both(is(a.start, Equal, b.start), is(a.end, Greater, b.end)), nil
	default: // TStarts
		return both(is(a.start, Equal, b.start), is(a.end, Less, b.end)), nil
	}
}
