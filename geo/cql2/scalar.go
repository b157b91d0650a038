package cql2

import (
	"cmp"
	"encoding/json"
	"math"
	"strings"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// scalar computes a single value. Strings come from text, everything else
// from number: a boolean as 0 or 1, an instant in milliseconds since 1970. The
// flag is false when the value is unknown.
type scalar struct {
	typ    Type
	text   func(*row) (string, bool)
	number func(*row) (float64, bool)
}

func (s scalar) known(r *row) (ok bool) {
	if s.typ == StringType {
		_, ok = s.text(r)
	} else {
		_, ok = s.number(r)
	}
	return ok
}

func fixedNumber(t Type, v float64) scalar {
	return scalar{typ: t, number: func(*row) (float64, bool) { return v, true }}
}

// unbounded is the open end of an interval.
type unbounded struct {
	sign int // -1 before everything, 1 after everything
	place
}

func orUnbounded(e Expr, sign int) Expr {
	if e == nil {
		return unbounded{sign: sign}
	}
	return e
}

// scalar compiles an expression that has a single value.
func (c compiler) scalar(e Expr) (scalar, error) {
	switch e := e.(type) {
	case String:
		return scalar{typ: StringType, text: func(*row) (string, bool) { return e.Value, true }}, nil
	case Number:
		return fixedNumber(NumberType, e.Value), nil
	case Bool:
		return fixedNumber(BooleanType, asNumber(e.Value)), nil
	case unbounded:
		return fixedNumber(TimestampType, math.Inf(e.sign)), nil
	case Instant:
		ms, ok := parseLiteral(e.Text)
		if !ok {
			return scalar{}, problem(e.place, "expected a date or a time in UTC, found %q", shorten(e.Text))
		}
		if e.day() {
			return fixedNumber(DateType, ms), nil
		}
		return fixedNumber(TimestampType, ms), nil
	case Property:
		return c.property(e)
	case Call:
		sig := signatures[e.Op]
		if sig.family != folding && sig.family != arithmetic {
			break
		}
		if err := sig.check(e.place, len(e.Args)); err != nil {
			return scalar{}, err
		}
		if sig.family == folding {
			return c.fold(e)
		}
		return c.arithmetic(e)
	}
	return scalar{}, problem(e.where(), "expected a property or a single value, found %s", shorten(Text(e)))
}

func asNumber(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (c compiler) property(e Property) (scalar, error) {
	t, err := c.typeOf(e)
	s := scalar{typ: t}
	switch t {
	case StringType:
		s.text = func(r *row) (string, bool) { v, ok := r.Properties[e.Name].(string); return v, ok }
	case NumberType:
		s.number = func(r *row) (float64, bool) { return toFloat(r.Properties[e.Name]) }
	case BooleanType:
		s.number = func(r *row) (float64, bool) { v, ok := r.Properties[e.Name].(bool); return asNumber(v), ok }
	case DateType, TimestampType:
		s.number = func(r *row) (float64, bool) {
			v, _ := r.Properties[e.Name].(string)
			return parseInstant(v)
		}
		if t == DateType {
			s = days(s)
		}
	default:
		if err == nil {
			err = problem(e.place, "expected a property with a single value; %q is %s", shorten(e.Name), t)
		}
	}
	return s, err
}

func toFloat(v any) (float64, bool) {
	f := math.NaN()
	switch v := v.(type) {
	case float64:
		f = v
	case json.Number:
		if n, err := v.Float64(); err == nil {
			f = n
		}
	case int:
		f = float64(v)
	case int64:
		f = float64(v)
	case int32:
		f = float64(v)
	case float32:
		f = float64(v)
	}
	return f, !math.IsNaN(f)
}

func (c compiler) fold(e Call) (scalar, error) {
	s, err := c.scalar(e.Args[0])
	if err != nil {
		return s, err
	}
	if s.typ != StringType {
		return s, problem(e.Args[0].where(), "expected a string in %s, found %s", strings.ToUpper(string(e.Op)), s.typ)
	}
	text, change := s.text, foldCase
	if e.Op == AccentI {
		change = foldAccents
	}
	s.text = func(r *row) (string, bool) {
		v, ok := text(r)
		return change(v), ok
	}
	if constant(e) {
		v, ok := s.text(nil)
		s.text = func(*row) (string, bool) { return v, ok }
	}
	return s, nil
}

// foldCase is full case folding (Unicode 5.18, requirement
// /req/case-insensitive-comparison/casei-function).
func foldCase(s string) string { return cases.Fold().String(s) }

// foldAccents decomposes a string and drops its non-spacing marks, but for the
// two Japanese marks that change the sound (recommendation
// /rec/accent-insensitive-comparison/japanese-non-spacing-marks). Letters that
// Unicode does not decompose, as ø and ł, stay.
func foldAccents(s string) string {
	return norm.NFC.String(strings.Map(func(r rune) rune {
		if isMark(r) && r != 0x3099 && r != 0x309A {
			return -1
		}
		return r
	}, norm.NFD.String(s)))
}

func (c compiler) arithmetic(e Call) (scalar, error) {
	var of [2]func(*row) (float64, bool)
	for i, a := range e.Args {
		s, err := c.scalar(a)
		if err != nil {
			return s, err
		}
		if s.typ != NumberType {
			return s, problem(a.where(), "expected a number beside %s, found %s", e.Op, s.typ)
		}
		of[i] = s.number
	}
	return scalar{typ: NumberType, number: func(r *row) (float64, bool) {
		a, ok1 := of[0](r)
		b, ok2 := of[1](r)
		v := calculate(e.Op, a, b)
		return v, ok1 && ok2 && !math.IsNaN(v)
	}}, nil
}

// calculate returns NaN where there is no result.
func calculate(op Op, a, b float64) float64 {
	switch op {
	case Plus:
		return a + b
	case Minus:
		return a - b
	case Times:
		return a * b
	case Power:
		return math.Pow(a, b)
	}
	if b == 0 {
		return math.NaN()
	}
	switch op {
	case Modulo:
		return math.Mod(a, b)
	case Div:
		return math.Trunc(a / b)
	default:
		return a / b
	}
}

// pair compiles two values that can be compared with each other.
func (c compiler) pair(a, b Expr) (x, y scalar, err error) {
	if x, err = c.scalar(a); err != nil {
		return x, y, err
	}
	if y, err = c.scalar(b); err != nil {
		return x, y, err
	}
	if class(x.typ) != class(y.typ) {
		return x, y, unlike(a, x, b, y)
	}
	if x.typ != y.typ { // a date and a timestamp
		x, y = days(x), days(y)
	}
	return x, y, nil
}

func unlike(a Expr, x scalar, b Expr, y scalar) error {
	return problem(b.where(), "expected %s to compare %s with, found %s", x.typ, shorten(Text(a)), y.typ)
}

// class is the type, but one for dates and timestamps.
func class(t Type) Type {
	if t == DateType {
		return TimestampType
	}
	return t
}

func days(s scalar) scalar {
	ms := s.number
	return scalar{typ: DateType, number: func(r *row) (float64, bool) {
		v, ok := ms(r)
		return toDay(v) * millisecondsPerDay, ok
	}}
}

func (c compiler) compare(e Call) (test, error) {
	a, b, err := c.pair(e.Args[0], e.Args[1])
	if err != nil {
		return nil, err
	}
	holds := order(e.Op)
	if a.typ == StringType {
		return func(r *row) truth {
			x, ok1 := a.text(r)
			y, ok2 := b.text(r)
			if !ok1 || !ok2 {
				return unknown
			}
			return truly(holds(strings.Compare(x, y)))
		}, nil
	}
	return func(r *row) truth {
		x, ok1 := a.number(r)
		y, ok2 := b.number(r)
		if !ok1 || !ok2 {
			return unknown
		}
		return truly(holds(cmp.Compare(x, y)))
	}, nil
}

// order tells of a comparison whether it holds for the sign of a - b.
func order(op Op) func(int) bool {
	switch op {
	case Equal:
		return func(s int) bool { return s == 0 }
	case NotEqual:
		return func(s int) bool { return s != 0 }
	case Less:
		return func(s int) bool { return s < 0 }
	case Greater:
		return func(s int) bool { return s > 0 }
	case LessOrEqual:
		return func(s int) bool { return s <= 0 }
	default:
		return func(s int) bool { return s >= 0 }
	}
}

// in compares one value with each of a list. It is an OR of comparisons, but
// computes the value only once.
func (c compiler) in(e Call) (test, error) {
	list, ok := e.Args[1].(Array)
	if !ok {
		return nil, problem(e.place, "expected a list of values after IN")
	}
	value, err := c.scalar(e.Args[0])
	if err != nil {
		return nil, err
	}
	same := make([]func(*row, string, float64) truth, len(list.Items))
	for i, item := range list.Items {
		of, err := c.scalar(item)
		if err != nil {
			return nil, err
		}
		if class(of.typ) != class(value.typ) {
			return nil, unlike(e.Args[0], value, item, of)
		}
		same[i] = equality(of, of.typ != value.typ)
	}
	return func(r *row) truth {
		var text string
		var number float64
		var ok bool
		if value.typ == StringType {
			text, ok = value.text(r)
		} else {
			number, ok = value.number(r)
		}
		if !ok {
			return unknown
		}
		found := no
		for _, s := range same {
			if found = max(found, s(r, text, number)); found == yes {
				break
			}
		}
		return found
	}, nil
}

// equality tells whether a value equals s, of which it gets the text or the
// number.
func equality(s scalar, byDay bool) func(*row, string, float64) truth {
	return func(r *row, text string, number float64) truth {
		if s.typ == StringType {
			v, ok := s.text(r)
			if !ok {
				return unknown
			}
			return truly(v == text)
		}
		v, ok := s.number(r)
		if !ok {
			return unknown
		}
		if byDay {
			v, number = toDay(v), toDay(number)
		}
		return truly(v == number)
	}
}
