package cql2

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// isMark tells whether a character is a non-spacing mark, as accents are.
func isMark(r rune) bool { return unicode.Is(unicode.Mn, r) }

func (c compiler) like(e Call) (test, error) {
	value, err := c.scalar(e.Args[0])
	if err != nil {
		return nil, err
	}
	if value.typ != StringType {
		return nil, problem(e.Args[0].where(), "expected a string before LIKE, found %s", value.typ)
	}
	pattern, err := likePattern(e.Args[1])
	if err != nil {
		return nil, err
	}
	return func(r *row) truth {
		v, ok := value.text(r)
		if !ok {
			return unknown
		}
		return truly(pattern.match(v))
	}, nil
}

// likePattern reads the pattern of LIKE: a string, possibly folded.
func likePattern(e Expr) (wildcards, error) {
	var fold func(Expr) (string, bool)
	fold = func(e Expr) (string, bool) {
		switch e := e.(type) {
		case String:
			return e.Value, true
		case Call:
			if signatures[e.Op].family != folding || len(e.Args) != 1 {
				return "", false
			}
			s, ok := fold(e.Args[0])
			if e.Op == CaseI {
				return foldCase(s), ok
			}
			return foldAccents(s), ok
		}
		return "", false
	}
	s, ok := fold(e)
	if !ok {
		return nil, problem(e.where(), "expected a string after LIKE, possibly in CASEI or ACCENTI, found %s", shorten(Text(e)))
	}
	return parseWildcards(s), nil
}

// wildcards is a pattern of LIKE; anyRun stands for % and anyOne for _.
type wildcards []rune

const (
	anyRun rune = -1
	anyOne rune = -2
)

// parseWildcards reads a pattern, in which a backslash makes the next
// character an ordinary one.
func parseWildcards(s string) wildcards {
	var w wildcards
	escaped := false
	for _, r := range s {
		switch {
		case escaped:
			escaped = false
		case r == '\\':
			escaped = true
			continue
		case r == '%':
			if len(w) > 0 && w[len(w)-1] == anyRun {
				continue
			}
			r = anyRun
		case r == '_':
			r = anyOne
		}
		w = append(w, r)
	}
	if escaped { // at the end it can only mean itself
		w = append(w, '\\')
	}
	return w
}

// match walks pattern and text once and goes back only to the last %, so that
// no pattern takes longer than its length times that of the text.
func (w wildcards) match(s string) bool {
	at, back, resume := 0, -1, ""
	for s != "" {
		r, size := utf8.DecodeRuneInString(s)
		switch {
		case at < len(w) && w[at] == anyRun:
			back, resume = at, s
			at++
			continue
		case at < len(w) && (w[at] == anyOne || w[at] == r):
			at++
			s = s[size:]
			continue
		case back < 0:
			return false
		}
		_, size = utf8.DecodeRuneInString(resume)
		resume = resume[size:]
		at, s = back+1, resume
	}
	for at < len(w) && w[at] == anyRun {
		at++
	}
	return at == len(w)
}

// glob writes the pattern for SQLite's GLOB, which minds case.
func (w wildcards) glob() string {
	var b strings.Builder
	for _, r := range w {
		switch r {
		case anyRun:
			b.WriteByte('*')
		case anyOne:
			b.WriteByte('?')
		case '*', '?', '[':
			b.WriteString("[" + string(r) + "]")
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}
