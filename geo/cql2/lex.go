package cql2

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

type tokenKind int

const (
	endToken tokenKind = iota
	nameToken
	quotedToken // a name in double quotes, which is never a keyword
	stringToken
	numberToken
	symbolToken
)

// token is a word of CQL2 text. text is the word itself: of a string or a
// quoted name what it stands for.
type token struct {
	kind   tokenKind
	text   string
	number float64
	offset int // in bytes
	pair   int // of "(" the index of its ")"
}

// is tells whether the token is the symbol or, in any case, the keyword.
func (t token) is(word string) bool {
	switch t.kind {
	case symbolToken:
		return t.text == word
	case nameToken:
		return strings.EqualFold(t.text, word)
	}
	return false
}

func (t token) say() string {
	switch t.kind {
	case endToken:
		return "the end"
	case stringToken:
		return "the string '" + shorten(t.text) + "'"
	case numberToken:
		return "the number " + strconv.FormatFloat(t.number, 'g', -1, 64)
	}
	return strconv.Quote(shorten(t.text))
}

// shorten keeps a message readable and free of unprintable characters.
func shorten(s string) string {
	s = strings.Map(func(r rune) rune {
		if strconv.IsPrint(r) {
			return r
		}
		return '?'
	}, s)
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

type lexer struct {
	src    string
	offset int
	tokens []token
	open   []int // indices of "(" not yet closed
}

// characterAt is the number of the character at a byte offset, from 1.
func characterAt(src string, offset int) place {
	return place{character: utf8.RuneCountInString(src[:offset]) + 1}
}

func (l *lexer) fail(offset int, format string, args ...any) error {
	return problem(characterAt(l.src, offset), format, args...)
}

// lex cuts text into tokens, the last of which is the end.
func lex(src string) ([]token, error) {
	if len(src) > MaxLength {
		return nil, problem(place{}, "longer than %d bytes", MaxLength)
	}
	if !utf8.ValidString(src) {
		return nil, problem(place{}, "the text is not UTF-8")
	}
	if i := strings.IndexByte(src, 0); i >= 0 {
		return nil, problem(characterAt(src, i), "the character U+0000 is not allowed")
	}
	l := lexer{src: src}
	for {
		r, size := utf8.DecodeRuneInString(l.src[l.offset:])
		var err error
		switch {
		case size == 0:
			if len(l.open) > 0 {
				from := l.tokens[l.open[len(l.open)-1]].offset
				return nil, l.fail(from, `this "(" is never closed`)
			}
			l.add(token{kind: endToken, offset: l.offset})
			return l.tokens, nil
		case isSpace(r):
			l.offset += size
		case r == '\'':
			err = l.text()
		case r == '"':
			err = l.quoted()
		case r >= '0' && r <= '9' || r == '.':
			err = l.number()
		case startsName(r):
			from := l.offset
			for size > 0 && continuesName(r) {
				l.offset += size
				r, size = utf8.DecodeRuneInString(l.src[l.offset:])
			}
			l.add(token{kind: nameToken, text: l.src[from:l.offset], offset: from})
		default:
			err = l.symbol()
		}
		if err != nil {
			return nil, err
		}
	}
}

func (l *lexer) add(t token) { l.tokens = append(l.tokens, t) }

func (l *lexer) symbol() error {
	t := token{kind: symbolToken, offset: l.offset}
	rest := l.src[l.offset:]
	switch {
	case strings.HasPrefix(rest, "<>"), strings.HasPrefix(rest, "<="), strings.HasPrefix(rest, ">="):
		t.text = rest[:2]
	case strings.ContainsRune("(),=<>+-*/%^", rune(rest[0])):
		t.text = rest[:1]
	default:
		r, _ := utf8.DecodeRuneInString(rest)
		return l.fail(l.offset, "expected a name, a value or an operator, found %q", r)
	}
	switch t.text {
	case "(":
		l.open = append(l.open, len(l.tokens))
	case ")":
		if len(l.open) == 0 {
			return l.fail(l.offset, `this ")" closes nothing`)
		}
		l.tokens[l.open[len(l.open)-1]].pair = len(l.tokens)
		l.open = l.open[:len(l.open)-1]
	}
	l.offset += len(t.text)
	l.add(t)
	return nil
}

// escapes are those of requirement /req/cql2-text/escaping. A backslash before
// any other character stands for itself, so that '50\%' reaches LIKE whole.
var escapes = map[byte]byte{'a': 7, 'b': 8, 't': 9, 'n': 10, 'v': 11, 'f': 12, 'r': 13, '\'': '\'', '\\': '\\'}

func (l *lexer) text() error {
	from := l.offset
	var b strings.Builder
	for i := from + 1; i < len(l.src); i++ {
		next := byte(0)
		if i+1 < len(l.src) {
			next = l.src[i+1]
		}
		switch c := l.src[i]; {
		case c == '\\' && escapes[next] != 0:
			b.WriteByte(escapes[next])
			i++
		case c == '\'' && next == '\'':
			b.WriteByte(c)
			i++
		case c == '\'':
			l.offset = i + 1
			l.add(token{kind: stringToken, text: b.String(), offset: from})
			return nil
		default:
			b.WriteByte(c)
		}
	}
	return l.fail(from, "this string has no closing quote '")
}

func (l *lexer) quoted() error {
	from := l.offset
	for i := from + 1; i < len(l.src); i++ {
		if l.src[i] != '"' {
			continue
		}
		if i+1 < len(l.src) && l.src[i+1] == '"' {
			i++
			continue
		}
		l.offset = i + 1
		l.add(token{kind: quotedToken, text: strings.ReplaceAll(l.src[from+1:i], `""`, `"`), offset: from})
		return nil
	}
	return l.fail(from, `this name has no closing quote "`)
}

func (l *lexer) number() error {
	from := l.offset
	digits := func() {
		for l.offset < len(l.src) && l.src[l.offset] >= '0' && l.src[l.offset] <= '9' {
			l.offset++
		}
	}
	digits()
	if l.offset < len(l.src) && l.src[l.offset] == '.' {
		l.offset++
		digits()
	}
	if l.offset < len(l.src) && (l.src[l.offset] == 'e' || l.src[l.offset] == 'E') {
		l.offset++
		if l.offset < len(l.src) && (l.src[l.offset] == '+' || l.src[l.offset] == '-') {
			l.offset++
		}
		digits()
	}
	if r, size := utf8.DecodeRuneInString(l.src[l.offset:]); size > 0 && continuesName(r) {
		return l.fail(from, "expected a number, found %q; a name that starts with a digit needs double quotes", shorten(l.src[from:l.offset+size]))
	}
	v, err := parseNumber(l.src[from:l.offset])
	if err != nil {
		return l.fail(from, "%s", err)
	}
	l.add(token{kind: numberToken, text: l.src[from:l.offset], number: v, offset: from})
	return nil
}

func parseNumber(s string) (float64, error) {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil { // malformed, or beyond what a double holds
		return 0, fmt.Errorf("%q is not a number that can be used", shorten(s))
	}
	return v, nil
}

func isSpace(r rune) bool {
	switch {
	case r >= 9 && r <= 13, r >= 0x2000 && r <= 0x200A:
		return true
	}
	return strings.ContainsRune(" \u0085\u00a0\u1680\u2028\u2029\u202f\u205f\u3000", r)
}

func startsName(r rune) bool {
	switch {
	case r == ':' || r == '_', r >= 'A' && r <= 'Z', r >= 'a' && r <= 'z':
		return true
	case r < 0xC0 || r == 0xD7 || r == 0xF7:
		return false
	}
	return r <= 0x2FF || r >= 0x370 && r <= 0x1FFE && r != 0x37E && r != 0x1680 ||
		r == 0x200C || r == 0x200D || r >= 0x2070 && r <= 0x218F || r >= 0x2C00 && r <= 0x2FEF ||
		r >= 0x3001 && r <= 0xD7FF || r >= 0xF900 && r <= 0xFDCF || r >= 0xFDF0 && r <= 0xFFFD ||
		r >= 0x10000 && r <= 0xEFFFF
}

func continuesName(r rune) bool {
	return startsName(r) || r == '.' || r >= '0' && r <= '9' || r >= 0x300 && r <= 0x36F || r == 0x203F || r == 0x2040
}
