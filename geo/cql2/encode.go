package cql2

import (
	"bytes"
	"encoding/json"
	"strings"

	"github.com/paulmach/orb/encoding/wkt"

	"holdfast/geo/geojson"
)

// JSON writes an expression in CQL2 JSON. It cannot write numbers that are
// not finite.
func JSON(e Expr) ([]byte, error) {
	var b bytes.Buffer
	w := json.NewEncoder(&b)
	w.SetEscapeHTML(false)
	if err := w.Encode(document(e)); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// document builds the JSON value of an expression.
func document(e Expr) any {
	switch e := e.(type) {
	case Call:
		return struct {
			Op   Op    `json:"op"`
			Args []any `json:"args"`
		}{e.Op, documents(e.Args)}
	case Property:
		return map[string]string{"property": e.Name}
	case String:
		return e.Value
	case Number:
		return e.Value
	case Bool:
		return e.Value
	case Instant:
		if e.day() {
			return map[string]string{"date": e.Text}
		}
		return map[string]string{"timestamp": e.Text}
	case Interval:
		return map[string]any{"interval": []any{boundDocument(e.Start), boundDocument(e.End)}}
	case Box:
		return map[string][]float64{"bbox": e.Coordinates}
	case Geometry:
		return geojson.Geometry{Geometry: e.Geometry}
	case Array:
		return documents(e.Items)
	}
	return nil
}

func documents(list []Expr) []any {
	out := make([]any, len(list))
	for i, e := range list {
		out[i] = document(e)
	}
	return out
}

func boundDocument(e Expr) any {
	switch e := e.(type) {
	case nil:
		return ".."
	case Instant:
		return e.Text
	}
	return document(e)
}

// Text writes an expression in CQL2 text.
func Text(e Expr) string {
	var w writer
	w.expr(e, 0)
	return w.String()
}

type writer struct{ strings.Builder }

// rank is how tightly an expression binds; one of a lower rank than its
// surroundings ask for needs parentheses.
type rank int

const (
	orRank rank = iota
	andRank
	notRank
	predicateRank
	sumRank
	productRank
	powerRank
	primaryRank
)

func rankOf(e Expr) rank {
	c, ok := e.(Call)
	if !ok {
		return primaryRank
	}
	switch c.Op {
	case Or:
		return orRank
	case And:
		return andRank
	case Not:
		if _, ok := infixNot(c); ok {
			return predicateRank
		}
		return notRank
	case Plus, Minus:
		return sumRank
	case Times, Divide, Modulo, Div:
		return productRank
	case Power:
		return powerRank
	}
	if signatures[c.Op].family == comparison {
		return predicateRank
	}
	return primaryRank
}

// infixNot returns the predicate of NOT LIKE, NOT BETWEEN, NOT IN or IS NOT
// NULL.
func infixNot(c Call) (Call, bool) {
	inner, ok := c.Args[0].(Call)
	if !ok {
		return inner, false
	}
	switch inner.Op {
	case Like, Between, In, IsNull:
		return inner, true
	}
	return inner, false
}

func (w *writer) expr(e Expr, least rank) {
	if rankOf(e) < least {
		w.WriteByte('(')
		defer w.WriteByte(')')
	}
	switch e := e.(type) {
	case Call:
		w.call(e)
	case Property:
		w.name(e.Name)
	case String:
		w.quote(e.Value)
	case Number:
		w.number(e.Value)
	case Bool:
		w.WriteString(map[bool]string{true: "TRUE", false: "FALSE"}[e.Value])
	case Instant:
		w.WriteString(map[bool]string{true: "DATE(", false: "TIMESTAMP("}[e.day()])
		w.quote(e.Text)
		w.WriteByte(')')
	case Interval:
		w.WriteString("INTERVAL(")
		w.bound(e.Start)
		w.WriteByte(',')
		w.bound(e.End)
		w.WriteByte(')')
	case Box:
		w.WriteString("BBOX(")
		for i, v := range e.Coordinates {
			if i > 0 {
				w.WriteByte(',')
			}
			w.number(v)
		}
		w.WriteByte(')')
	case Geometry:
		w.WriteString(wkt.MarshalString(e.Geometry))
	case Array:
		w.list(e.Items, orRank)
	}
}

func (w *writer) call(c Call) {
	switch c.Op {
	case And:
		w.joined(c.Args, " AND ", notRank)
	case Or:
		w.joined(c.Args, " OR ", andRank)
	case Not:
		if inner, ok := infixNot(c); ok {
			w.predicate(inner, "NOT ")
			return
		}
		w.WriteString("NOT ")
		w.expr(c.Args[0], notRank)
	case Plus, Minus:
		w.binary(c, sumRank, productRank)
	case Times, Divide, Modulo, Div:
		w.binary(c, productRank, powerRank)
	case Power:
		w.binary(c, primaryRank, primaryRank)
	case Like, Between, In, IsNull:
		w.predicate(c, "")
	default:
		if signatures[c.Op].family == comparison {
			w.binary(c, sumRank, sumRank)
			return
		}
		w.WriteString(strings.ToUpper(string(c.Op)))
		w.list(c.Args, orRank)
	}
}

func (w *writer) predicate(c Call, not string) {
	w.expr(c.Args[0], sumRank)
	switch c.Op {
	case IsNull:
		w.WriteString(" IS " + not + "NULL")
	case Like:
		w.WriteString(" " + not + "LIKE ")
		w.expr(c.Args[1], sumRank)
	case Between:
		w.WriteString(" " + not + "BETWEEN ")
		w.joined(c.Args[1:], " AND ", sumRank)
	case In:
		w.WriteString(" " + not + "IN ")
		w.list(c.Args[1].(Array).Items, sumRank)
	}
}

func (w *writer) binary(c Call, left, right rank) {
	w.expr(c.Args[0], left)
	w.WriteString(" " + strings.ToUpper(string(c.Op)) + " ")
	w.expr(c.Args[1], right)
}

func (w *writer) joined(list []Expr, by string, least rank) {
	for i, e := range list {
		if i > 0 {
			w.WriteString(by)
		}
		w.expr(e, least)
	}
}

func (w *writer) list(list []Expr, least rank) {
	w.WriteByte('(')
	w.joined(list, ", ", least)
	w.WriteByte(')')
}

func (w *writer) bound(e Expr) {
	switch e := e.(type) {
	case nil:
		w.quote("..")
	case Instant:
		w.quote(e.Text)
	default:
		w.expr(e, primaryRank)
	}
}

func (w *writer) number(v float64) {
	b, _ := json.Marshal(v) // fails only for what no parser lets in
	w.Write(b)
}

func (w *writer) quote(s string) {
	w.WriteByte('\'')
	w.WriteString(strings.NewReplacer(`\`, `\\`, `'`, `''`).Replace(s))
	w.WriteByte('\'')
}

// name writes a property name, in double quotes where it could be read as
// something else.
func (w *writer) name(s string) {
	plain := s != ""
	for i, r := range s {
		plain = plain && (startsName(r) || i > 0 && continuesName(r))
	}
	if word := strings.ToUpper(s); plain && !operatorWord[word] && !callWord(word) {
		w.WriteString(s)
		return
	}
	w.WriteString(`"` + strings.ReplaceAll(s, `"`, `""`) + `"`)
}

// callWord tells whether a word can begin a literal or a function.
func callWord(word string) bool {
	switch word {
	case "TRUE", "FALSE", "DATE", "TIMESTAMP", "INTERVAL", "BBOX", "ENVELOPE":
		return true
	}
	_, ok := functions[word]
	return ok || shape(word) != nil
}
