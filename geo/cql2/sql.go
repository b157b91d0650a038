package cql2

import (
	"strings"

	"github.com/paulmach/orb"
)

// Column tells how SQLite gets at a queryable. Its expressions go into the
// condition as they are.
type Column struct {
	// Value is the SQL expression of the value: text for strings, dates and
	// timestamps, an integer or a real for numbers, 0 or 1 for booleans, NULL
	// when there is none. It must compare by code point (collation BINARY).
	Value string
	// Type is the SQL expression of the JSON type of the value, in the words
	// of json_type(). Empty: typeof(Value) tells.
	Type string
	// Meets, of a geometry, returns a condition that holds for every feature
	// whose bounds touch b, and possibly for others. Nil: there is none.
	Meets func(b orb.Bound) (sql string, args []any)
}

// JSONColumn is the column of a property in a column of JSON objects.
func JSONColumn(column, name string) Column {
	label := strings.NewReplacer(`\`, `\\`, `"`, `\"`, `'`, `''`).Replace(name)
	at := "(" + column + `, '$."` + label + `"')`
	return Column{Value: "json_extract" + at, Type: "json_type" + at}
}

// Condition is a filter as a condition of SQLite. It holds for every feature
// for which the filter is true. When it is Exact it holds for no other;
// otherwise Match has to be asked for every feature it lets through.
type Condition struct {
	SQL   string // in parentheses, or a constant
	Args  []any
	Exact bool
}

var (
	never    = Condition{SQL: "0", Exact: true}
	allRows  = Condition{SQL: "1", Exact: true}
	anything = Condition{SQL: "1"}
)

// SQL translates the filter. Case and accent folding, the array functions, %,
// div, ^ and the precise spatial relations are left to Match, as is every
// property without a column.
func (f *Filter) SQL(columns map[string]Column) Condition {
	return translator{compiler{f.queryables}, columns}.where(f.expr, yes)
}

type translator struct {
	compiler
	columns map[string]Column
}

// where returns a condition that holds wherever e is as wanted, yes or no.
// Negations are carried inward, so that a condition that lets too much through
// is never negated.
func (t translator) where(e Expr, want truth) Condition {
	if constant(e) {
		test, err := t.predicate(e)
		if err != nil || test(&row{}) != want {
			return never
		}
		return allRows
	}
	c, ok := e.(Call)
	if !ok {
		return anything
	}
	switch c.Op {
	case Not:
		return t.where(c.Args[0], -want)
	case And, Or:
		parts := convert(c.Args, func(a Expr) Condition { return t.where(a, want) })
		if (c.Op == And) == (want == yes) {
			return conjunction(parts)
		}
		return disjunction(parts)
	case Like:
		return t.like(c, want)
	case In:
		return t.in(c, want)
	case IsNull:
		return t.isNull(c.Args[0], want)
	case Equal, NotEqual, Less, Greater, LessOrEqual, GreaterOrEqual:
		return t.compare(c, want)
	}
	switch f := signatures[c.Op].family; f {
	case comparison, temporal:
		if plain, err := t.plain(c); err == nil {
			return t.where(plain, want)
		}
	case spatial:
		return t.spatial(c, want)
	}
	return anything
}

func conjunction(parts []Condition) Condition {
	out := Condition{Exact: true}
	var list []string
	for _, p := range parts {
		switch p.SQL {
		case "0":
			return never
		case "1":
		default:
			list = append(list, p.SQL)
			out.Args = append(out.Args, p.Args...)
		}
		out.Exact = out.Exact && p.Exact
	}
	out.SQL = joined(list, " AND ", "1")
	return out
}

func disjunction(parts []Condition) Condition {
	out := Condition{Exact: true}
	var list []string
	for _, p := range parts {
		switch p.SQL {
		case "0":
			continue
		case "1":
			if p.Exact {
				return allRows
			}
			out.SQL = "1"
		default:
			list = append(list, p.SQL)
			out.Args = append(out.Args, p.Args...)
		}
		out.Exact = out.Exact && p.Exact
	}
	if out.SQL == "1" {
		return anything
	}
	out.SQL = joined(list, " OR ", "0")
	return out
}

// joined joins conditions as a balanced tree, since SQLite refuses an
// expression deeper than 1000.
func joined(list []string, by, none string) string {
	switch n := len(list); n {
	case 0:
		return none
	case 1:
		return list[0]
	default:
		return "(" + joined(list[:n/2], by, none) + by + joined(list[n/2:], by, none) + ")"
	}
}

// operand is one side of a comparison; guards are the conditions under which
// its value is known.
type operand struct {
	sql    string
	args   []any
	guards []string
}

func (o operand) holds(sql string, args ...any) Condition {
	c := Condition{SQL: sql, Args: append(o.args[:len(o.args):len(o.args)], args...), Exact: true}
	if len(o.guards) > 0 {
		c.SQL += " AND " + strings.Join(o.guards, " AND ")
	}
	c.SQL = "(" + c.SQL + ")"
	return c
}

// instantPattern is what a stored date or time has to look like before SQLite
// is asked to read it, which would take much else for one.
const (
	datePattern = "[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]"
	timePattern = datePattern + "[T ][0-9][0-9]:[0-9][0-9]:[0-9][0-9]*"
)

// operand translates a value of type typ, to be compared as one of type as;
// false when SQLite cannot compute it as Match does.
func (t translator) operand(e Expr, typ, as Type) (operand, bool) {
	if constant(e) {
		v, ok := t.constant(e, as)
		return operand{sql: "?", args: []any{v}}, ok
	}
	if c, ok := e.(Call); ok {
		return t.arithmetic(c)
	}
	p, ok := e.(Property)
	column := t.columns[p.Name]
	if !ok || column.Value == "" {
		return operand{}, false
	}
	o := operand{sql: column.Value}
	kind := column.Type
	if kind == "" {
		kind = "typeof(" + column.Value + ")"
	}
	switch typ {
	case StringType:
		o.guards = []string{kind + " = 'text'"}
	case NumberType:
		o.guards = []string{kind + " IN ('integer', 'real')"}
	case BooleanType:
		o.guards = []string{kind + " IN ('true', 'false')"}
		if column.Type == "" {
			o.guards = []string{column.Value + " IN (0, 1)"}
		}
	default:
		o.guards = []string{"(" + column.Value + " GLOB '" + datePattern + "' OR " + column.Value + " GLOB '" + timePattern + "')"}
		modifier := "subsec"
		if as == DateType {
			modifier = "start of day"
		}
		o.sql = "unixepoch(" + column.Value + ", '" + modifier + "')"
	}
	return o, true
}

// constant computes a value that is the same for every feature; nil when it
// is unknown.
func (t translator) constant(e Expr, as Type) (v any, ok bool) {
	s, err := t.scalar(e)
	if err != nil {
		return nil, false
	}
	if s.typ == StringType {
		if text, ok := s.text(&row{}); ok {
			return text, true
		}
		return nil, true
	}
	n, known := s.number(&row{})
	switch {
	case !known:
		return nil, true
	case as == DateType:
		return toDay(n) * millisecondsPerDay / 1000, true
	case as == TimestampType:
		return n / 1000, true
	}
	return n, true
}

func (t translator) arithmetic(c Call) (operand, bool) {
	switch c.Op {
	case Plus, Minus, Times, Divide:
	default:
		return operand{}, false
	}
	a, ok1 := t.operand(c.Args[0], NumberType, NumberType)
	b, ok2 := t.operand(c.Args[1], NumberType, NumberType)
	if c.Op == Divide {
		a.sql = "CAST(" + a.sql + " AS REAL)"
	}
	return operand{
		sql:    "(" + a.sql + " " + string(c.Op) + " " + b.sql + ")",
		args:   append(a.args, b.args...),
		guards: append(a.guards, b.guards...),
	}, ok1 && ok2
}

var opposite = map[Op]Op{
	Equal: NotEqual, NotEqual: Equal, Less: GreaterOrEqual, GreaterOrEqual: Less, Greater: LessOrEqual, LessOrEqual: Greater,
}

func (t translator) compare(c Call, want truth) Condition {
	x, _, err := t.pair(c.Args[0], c.Args[1])
	if err != nil {
		return anything
	}
	as := x.typ
	a, ok1 := t.operandOf(c.Args[0], as)
	b, ok2 := t.operandOf(c.Args[1], as)
	if !ok1 || !ok2 {
		return anything
	}
	op := c.Op
	if want == no {
		op = opposite[op]
	}
	a.guards = append(a.guards, b.guards...)
	return a.holds(a.sql+" "+string(op)+" "+b.sql, b.args...)
}

func (t translator) operandOf(e Expr, as Type) (operand, bool) {
	s, err := t.scalar(e)
	if err != nil {
		return operand{}, false
	}
	return t.operand(e, s.typ, as)
}

// longestGlob is below SQLITE_MAX_LIKE_PATTERN_LENGTH.
const longestGlob = 49_000

func (t translator) like(c Call, want truth) Condition {
	value, ok := t.operandOf(c.Args[0], StringType)
	pattern, err := likePattern(c.Args[1])
	if !ok || err != nil {
		return anything
	}
	glob := pattern.glob()
	if len(glob) > longestGlob {
		return anything
	}
	op := " GLOB ?"
	if want == no {
		op = " NOT GLOB ?"
	}
	return value.holds(value.sql+op, glob)
}

func (t translator) in(c Call, want truth) Condition {
	p, ok := c.Args[0].(Property)
	list := c.Args[1].(Array)
	if !ok {
		return anything
	}
	as, err := t.typeOf(p)
	if err != nil {
		return anything
	}
	var values []any
	for _, item := range list.Items {
		s, err := t.scalar(item)
		if err != nil || !constant(item) || s.typ != as {
			return t.equalities(c, want)
		}
		v, ok := t.constant(item, as)
		switch {
		case !ok:
			return anything
		case v != nil:
			values = append(values, v)
		case want == no: // never known to be none of them
			return never
		}
	}
	value, ok := t.operand(p, as, as)
	if !ok {
		return anything
	}
	op := " IN ("
	if want == no {
		op = " NOT IN ("
	}
	marks := strings.TrimSuffix(strings.Repeat("?,", len(values)), ",")
	return value.holds(value.sql+op+marks+")", values...)
}

// equalities translates IN as comparisons with each value.
func (t translator) equalities(c Call, want truth) Condition {
	parts := convert(c.Args[1].(Array).Items, func(item Expr) Condition {
		return t.where(Call{Equal, []Expr{c.Args[0], item}, c.place}, want)
	})
	if want == yes {
		return disjunction(parts)
	}
	return conjunction(parts)
}

func (t translator) isNull(e Expr, want truth) Condition {
	switch e := e.(type) {
	case Property:
		column := t.columns[e.Name].Value
		if column == "" {
			return anything
		}
		if want == yes {
			return Condition{SQL: "(" + column + " IS NULL)", Exact: true}
		}
		return Condition{SQL: "(" + column + " IS NOT NULL)", Exact: true}
	case Interval:
		return t.where(Call{Or, []Expr{
			Call{IsNull, []Expr{orUnbounded(e.Start, -1)}, e.place},
			Call{IsNull, []Expr{orUnbounded(e.End, 1)}, e.place},
		}, e.place}, want)
	}
	return anything
}

// spatial asks for the features whose bounds meet those of the literal, which
// is what every relation needs but that of being disjoint.
func (t translator) spatial(c Call, want truth) Condition {
	if (want == yes) == (c.Op == SDisjoint) {
		return anything
	}
	property, literal := c.Args[0], c.Args[1]
	if constant(property) {
		property, literal = literal, property
	}
	p, ok := property.(Property)
	meets := t.columns[p.Name].Meets
	if !ok || meets == nil || !constant(literal) {
		return anything
	}
	g, err := literalGeometry(literal)
	if err != nil {
		return anything
	}
	var parts []Condition
	for _, b := range bounds(g) {
		sql, args := meets(b)
		parts = append(parts, Condition{SQL: "(" + sql + ")", Args: args})
	}
	return disjunction(parts)
}

// bounds returns the bounds of a geometry, of a multipolygon those of each
// part, so that a box across the 180° meridian does not become the world.
func bounds(g orb.Geometry) []orb.Bound {
	switch g := g.(type) {
	case orb.MultiPolygon:
		return convert(g, orb.Polygon.Bound)
	case orb.Collection:
		return convert(g, orb.Geometry.Bound)
	}
	return []orb.Bound{g.Bound()}
}
