package cql2

import (
	"maps"
	"slices"
	"strings"
)

// ParseText reads a filter in CQL2 text, the grammar of OGC 21-065r2 Annex B.
// It knows no queryables: Compile checks names and types. Errors are
// *Error.
func ParseText(src string) (Expr, error) {
	tokens, err := lex(src)
	if err != nil {
		return nil, err
	}
	p := parser{src: src, tokens: tokens}
	e, err := p.or()
	if err != nil {
		return nil, err
	}
	if p.peek().kind != endToken {
		return nil, p.expected("an operator or the end")
	}
	return e, measure(e)
}

type parser struct {
	src    string
	tokens []token
	next   int
	depth  int
}

func (p *parser) peek() token { return p.tokens[p.next] }

func (p *parser) take() token {
	t := p.tokens[p.next]
	if t.kind != endToken {
		p.next++
	}
	return t
}

// accept takes the next token if it is the word.
func (p *parser) accept(word string) bool {
	if !p.peek().is(word) {
		return false
	}
	p.next++
	return true
}

func (p *parser) at() place { return characterAt(p.src, p.peek().offset) }

func (p *parser) expected(what string) error {
	return problem(p.at(), "expected %s, found %s", what, p.peek().say())
}

func (p *parser) need(word string) error {
	if !p.accept(word) {
		return p.expected(`"` + word + `"`)
	}
	return nil
}

// nest guards against input that is nested so deep that reading it would
// exhaust the stack. An expression is written with at most one pair of
// parentheses and one keyword round it, hence twice MaxDepth.
func (p *parser) nest() (func(), error) {
	if p.depth > 2*MaxDepth+2 {
		return nil, problem(p.at(), "expressions are nested deeper than %d", MaxDepth)
	}
	p.depth++
	return func() { p.depth-- }, nil
}

// chain reads operands joined by one word into one Call.
func (p *parser) chain(word string, op Op, operand func() (Expr, error)) (Expr, error) {
	at := p.at()
	first, err := operand()
	if err != nil || !p.peek().is(word) {
		return first, err
	}
	c := Call{Op: op, Args: []Expr{first}, place: at}
	for p.accept(word) {
		e, err := operand()
		if err != nil {
			return nil, err
		}
		c.Args = append(c.Args, e)
	}
	return c, nil
}

func (p *parser) or() (Expr, error)  { return p.chain("OR", Or, p.and) }
func (p *parser) and() (Expr, error) { return p.chain("AND", And, p.not) }

func (p *parser) not() (Expr, error) {
	at := p.at()
	if !p.accept("NOT") {
		return p.predicate()
	}
	leave, err := p.nest()
	if err != nil {
		return nil, err
	}
	defer leave()
	e, err := p.not()
	return Call{Op: Not, Args: []Expr{e}, place: at}, err
}

var comparisons = []Op{Equal, NotEqual, LessOrEqual, GreaterOrEqual, Less, Greater}

func (p *parser) predicate() (Expr, error) {
	left, err := p.sum()
	if err != nil {
		return nil, err
	}
	at := left.where()
	for _, op := range comparisons {
		if p.accept(string(op)) {
			right, err := p.sum()
			return Call{Op: op, Args: []Expr{left, right}, place: at}, err
		}
	}
	if p.accept("IS") {
		not := p.accept("NOT")
		err := p.need("NULL")
		return negate(not, Call{Op: IsNull, Args: []Expr{left}, place: at}), err
	}
	not := p.accept("NOT")
	c := Call{Args: []Expr{left}, place: at}
	switch {
	case p.accept("LIKE"):
		c.Op = Like
		pattern, err := p.sum()
		if err != nil {
			return nil, err
		}
		c.Args = append(c.Args, pattern)
	case p.accept("BETWEEN"):
		c.Op = Between
		low, err := p.sum()
		if err != nil {
			return nil, err
		}
		if err := p.need("AND"); err != nil {
			return nil, err
		}
		high, err := p.sum()
		if err != nil {
			return nil, err
		}
		c.Args = append(c.Args, low, high)
	case p.accept("IN"):
		c.Op = In
		list, err := p.list(p.sum)
		if err != nil {
			return nil, err
		}
		if len(list.Items) == 0 {
			return nil, problem(list.place, "expected at least one value in the list of IN")
		}
		c.Args = append(c.Args, list)
	case not:
		return nil, p.expected("LIKE, BETWEEN or IN after NOT")
	default:
		return left, nil
	}
	return negate(not, c), nil
}

func negate(not bool, c Call) Expr {
	if !not {
		return c
	}
	return Call{Op: Not, Args: []Expr{c}, place: c.place}
}

// operators reads a chain of operators of equal rank, which group leftwards.
func (p *parser) operators(ops []Op, operand func() (Expr, error)) (Expr, error) {
	left, err := operand()
	for links := 0; err == nil; links++ {
		i := slices.IndexFunc(ops, func(op Op) bool { return p.peek().is(string(op)) })
		if i < 0 {
			break
		}
		if links > MaxDepth {
			return nil, problem(p.at(), "expressions are nested deeper than %d", MaxDepth)
		}
		p.take()
		var right Expr
		if right, err = operand(); err == nil {
			left = Call{Op: ops[i], Args: []Expr{left, right}, place: left.where()}
		}
	}
	return left, err
}

func (p *parser) sum() (Expr, error) { return p.operators([]Op{Plus, Minus}, p.product) }

func (p *parser) product() (Expr, error) {
	return p.operators([]Op{Times, Divide, Modulo, Div}, p.power)
}

// power does not chain: the grammar has no a^b^c.
func (p *parser) power() (Expr, error) {
	base, err := p.signed()
	if err != nil || !p.accept(string(Power)) {
		return base, err
	}
	exponent, err := p.signed()
	if err != nil {
		return nil, err
	}
	if p.peek().is(string(Power)) {
		return nil, p.expected(`parentheses, since "^" does not chain`)
	}
	return Call{Op: Power, Args: []Expr{base, exponent}, place: base.where()}, nil
}

func (p *parser) signed() (Expr, error) {
	at := p.at()
	negative := p.accept("-")
	if !negative && !p.accept("+") {
		return p.primary()
	}
	leave, err := p.nest()
	if err != nil {
		return nil, err
	}
	defer leave()
	e, err := p.signed()
	if err != nil || !negative {
		return e, err
	}
	if n, ok := e.(Number); ok {
		return Number{Value: -n.Value, place: at}, nil
	}
	return Call{Op: Times, Args: []Expr{Number{Value: -1, place: at}, e}, place: at}, nil
}

func (p *parser) primary() (Expr, error) {
	t, at := p.peek(), p.at()
	called := t.kind == nameToken && p.tokens[p.next+1].is("(")
	switch {
	case t.kind == stringToken:
		p.take()
		return String{t.text, at}, nil
	case t.kind == numberToken:
		p.take()
		return Number{t.number, at}, nil
	case t.kind == quotedToken:
		p.take()
		return Property{t.text, at}, nil
	case t.is("("):
		return p.parentheses()
	case t.is("TRUE") || t.is("FALSE"):
		p.take()
		return Bool{t.is("TRUE"), at}, nil
	case called || t.kind == nameToken && p.tokens[p.next+1].is("Z") && p.tokens[min(p.next+2, len(p.tokens)-1)].is("("):
		return p.call()
	case t.kind == nameToken && !operatorWord[strings.ToUpper(t.text)]:
		p.take()
		return Property{t.text, at}, nil
	}
	return nil, p.expected("a property, a value or a predicate")
}

// operatorWord holds the keywords that cannot be read as a property without
// making the text mean two things.
var operatorWord = map[string]bool{
	"AND": true, "OR": true, "NOT": true, "LIKE": true, "BETWEEN": true,
	"IN": true, "IS": true, "NULL": true, "DIV": true,
}

func (p *parser) parentheses() (Expr, error) {
	leave, err := p.nest()
	if err != nil {
		return nil, err
	}
	defer leave()
	p.take()
	e, err := p.or()
	if err != nil {
		return nil, err
	}
	return e, p.need(")")
}

// list reads "(" item "," item … ")"; it may be empty.
func (p *parser) list(item func() (Expr, error)) (Array, error) {
	a := Array{place: p.at()}
	if err := p.need("("); err != nil {
		return a, err
	}
	for !p.accept(")") {
		if len(a.Items) > 0 {
			if !p.accept(",") {
				return a, p.expected(`"," or ")"`)
			}
		}
		e, err := item()
		if err != nil {
			return a, err
		}
		a.Items = append(a.Items, e)
	}
	return a, nil
}

// call reads whatever is written as a name and parentheses.
func (p *parser) call() (Expr, error) {
	leave, err := p.nest()
	if err != nil {
		return nil, err
	}
	defer leave()
	at, name := p.at(), p.peek().text
	word := strings.ToUpper(name)
	switch word {
	case "DATE", "TIMESTAMP":
		return p.instant(word)
	case "INTERVAL":
		return p.interval()
	case "BBOX":
		return p.box()
	}
	if read := shape(word); read != nil {
		return p.shape(read)
	}
	sig, ok := functions[word]
	if !ok {
		return nil, unknownFunction(at, name, maps.Keys(functions))
	}
	p.take()
	argument := p.or
	if sig.family == arrays {
		argument = p.arrayArgument
	}
	args, err := p.list(argument)
	if err != nil {
		return nil, err
	}
	if err := sig.check(at, len(args.Items)); err != nil {
		return nil, err
	}
	return Call{Op: sig.op, Args: args.Items, place: at}, nil
}

// arrayArgument reads an argument of an array function or an element of an
// array, where parentheses make an array unless an operator follows them.
func (p *parser) arrayArgument() (Expr, error) {
	t := p.peek()
	if t.is("(") {
		if after := p.tokens[t.pair+1]; after.is(",") || after.is(")") {
			leave, err := p.nest()
			if err != nil {
				return nil, err
			}
			defer leave()
			return p.list(p.arrayArgument)
		}
	}
	return p.or()
}
