package crs

import (
	"fmt"
	"strconv"
	"strings"
)

// Bounds on well-known text; definitions in use are a few kilobytes and nest
// less than ten deep.
const (
	maxWKT   = 64 << 10
	maxDepth = 32
	maxNodes = 4096
)

// node is a keyword with its arguments, which are numbers, quoted texts, bare
// words or further nodes.
type node struct {
	key  string // upper case
	args []arg
}

type arg struct {
	text string // of a number, a quoted text or a bare word
	node *node  // else
}

// child returns the first argument node with one of the keys, nil if none.
func (n *node) child(keys ...string) *node {
	for _, a := range n.args {
		if a.node == nil {
			continue
		}
		for _, k := range keys {
			if a.node.key == k {
				return a.node
			}
		}
	}
	return nil
}

// children returns the argument nodes with one of the keys.
func (n *node) children(keys ...string) []*node {
	var found []*node
	for _, a := range n.args {
		for _, k := range keys {
			if a.node != nil && a.node.key == k {
				found = append(found, a.node)
			}
		}
	}
	return found
}

// text returns the i-th argument when it is no node, else "".
func (n *node) text(i int) string {
	if n == nil || i >= len(n.args) {
		return ""
	}
	return n.args[i].text
}

// number returns the i-th argument as a finite number.
func (n *node) number(i int) (float64, error) {
	v, err := strconv.ParseFloat(n.text(i), 64)
	if err != nil || v-v != 0 {
		return 0, fmt.Errorf("%s[%q]: argument %d is %q, want a number", n.key, n.text(0), i+1, n.text(i))
	}
	return v, nil
}

// parser reads well-known text; pos is the offset of the next byte.
type parser struct {
	s     string
	pos   int
	nodes int
}

// parseWKT reads one element. Text after it is allowed when it starts with a
// comma: .prj files carry their vertical system so.
func parseWKT(s string) (*node, error) {
	if len(s) > maxWKT {
		return nil, fmt.Errorf("text of %d bytes, at most %d are read", len(s), maxWKT)
	}
	p := &parser{s: strings.TrimPrefix(s, "\ufeff")}
	n, err := p.element(0)
	if err != nil {
		return nil, err
	}
	if p.space(); p.pos < len(p.s) && p.s[p.pos] != ',' && p.s[p.pos] != 0 {
		return nil, p.fault("text after the end")
	}
	return n, nil
}

func (p *parser) fault(what string) error {
	return fmt.Errorf("at character %d: %s", p.pos+1, what)
}

func (p *parser) space() {
	for p.pos < len(p.s) && strings.IndexByte(" \t\r\n", p.s[p.pos]) >= 0 {
		p.pos++
	}
}

// word reads letters, digits and the signs of numbers.
func (p *parser) word() string {
	start := p.pos
	for p.pos < len(p.s) {
		c := p.s[p.pos]
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.IndexByte("_+-.:", c) >= 0) {
			break
		}
		p.pos++
	}
	return p.s[start:p.pos]
}

func (p *parser) element(depth int) (*node, error) {
	p.space()
	w := p.word()
	if w == "" {
		return nil, p.fault("a keyword is missing")
	}
	n := &node{key: strings.ToUpper(w)}
	return n, p.arguments(n, depth)
}

// arguments reads the bracketed list after a keyword into n.
func (p *parser) arguments(n *node, depth int) error {
	if p.nodes++; depth > maxDepth || p.nodes > maxNodes {
		return p.fault("too deep or too many elements")
	}
	p.space()
	if p.pos >= len(p.s) || (p.s[p.pos] != '[' && p.s[p.pos] != '(') {
		return p.fault("a bracket is missing after " + n.key)
	}
	closing := byte(']')
	if p.s[p.pos] == '(' {
		closing = ')'
	}
	for {
		p.pos++ // the bracket or a comma
		a, err := p.argument(depth)
		if err != nil {
			return err
		}
		n.args = append(n.args, a)
		p.space()
		switch {
		case p.pos >= len(p.s):
			return p.fault("the text ends inside " + n.key)
		case p.s[p.pos] == closing:
			p.pos++
			return nil
		case p.s[p.pos] != ',':
			return p.fault("a comma or a closing bracket is missing in " + n.key)
		}
	}
}

func (p *parser) argument(depth int) (arg, error) {
	p.space()
	if p.pos < len(p.s) && p.s[p.pos] == '"' {
		t, err := p.quoted()
		return arg{text: t}, err
	}
	w := p.word()
	if w == "" {
		return arg{}, p.fault("an argument is missing")
	}
	p.space()
	if p.pos < len(p.s) && (p.s[p.pos] == '[' || p.s[p.pos] == '(') {
		n := &node{key: strings.ToUpper(w)}
		return arg{node: n}, p.arguments(n, depth+1)
	}
	return arg{text: w}, nil
}

// quoted reads a text in quotation marks, a doubled mark standing for one.
func (p *parser) quoted() (string, error) {
	var b strings.Builder
	for p.pos++; p.pos < len(p.s); p.pos++ {
		if p.s[p.pos] != '"' {
			b.WriteByte(p.s[p.pos])
			continue
		}
		if p.pos+1 < len(p.s) && p.s[p.pos+1] == '"' {
			b.WriteByte('"')
			p.pos++
			continue
		}
		p.pos++
		return b.String(), nil
	}
	return "", p.fault("a quotation mark is missing")
}
