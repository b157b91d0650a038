package position

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// kind is the kind of a token of an angle text.
type kind byte

const (
	number    kind = iota
	sign           // + or -
	mark           // unit of the number before: 'd', 'm' or 's'
	side           // N, S, E or W
	joint          // a colon, or the hyphen of 44-39-04.4
	separator      // between latitude and longitude
	label          // "lat" or "lon"
)

type token struct {
	kind   kind
	text   string // digits of a number, with a point
	c      byte   // of any other
	letter bool   // a mark of minutes written as a letter or word
}

// choice settles what a scan cannot know: whether a comma between digits is a
// decimal mark, whether a hyphen after a number joins degrees to minutes (or,
// with space on both sides, separates) instead of being a minus, and whether
// an s after letter marks means south instead of seconds.
type choice struct{ comma, hyphen, south bool }

func (c choice) String() string {
	var s []string
	if c.comma {
		s = append(s, "comma as decimal mark")
	}
	if c.hyphen {
		s = append(s, "hyphen not as minus")
	}
	if c.south {
		s = append(s, "s as south")
	}
	return strings.Join(s, ", ")
}

// scanner splits a text into tokens under one choice. open records which
// questions the text really raises.
type scanner struct {
	s      string
	choice choice
	open   choice
	tokens []token
}

func (sc *scanner) scan() error {
	for i := 0; i < len(sc.s); {
		n, err := sc.next(i)
		if err != nil {
			return err
		}
		i += n
	}
	return nil
}

// next scans the token at i and returns its length.
func (sc *scanner) next(i int) (int, error) {
	rest := sc.s[i:]
	switch c := rest[0]; {
	case c == ' ' || c == '\t' || c == '\r':
		return 1, nil
	case isDigit(c) || c == '.' && len(rest) > 1 && isDigit(rest[1]):
		return sc.number(i)
	case c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z':
		return sc.word(i)
	case c == '\'':
		return sc.add(mark, 'm', 1)
	case c == '"':
		return sc.add(mark, 's', 1)
	case c == '+':
		return sc.add(sign, '+', 1)
	case c == '-':
		return sc.hyphen(i)
	case (c == '=' || c == ':') && sc.last(label), c == '\n' && sc.last(separator):
		return 1, nil
	case c == ':':
		return sc.add(joint, ':', 1)
	case strings.IndexByte(",;/|&\n", c) >= 0:
		return sc.add(separator, c, 1)
	}
	if strings.HasPrefix(rest, "°") {
		return sc.add(mark, 'd', len("°"))
	}
	r, _ := utf8.DecodeRuneInString(rest)
	return 0, fmt.Errorf("%q does not belong in a position", string(r))
}

func (sc *scanner) add(k kind, c byte, n int) (int, error) {
	sc.tokens = append(sc.tokens, token{kind: k, c: c})
	return n, nil
}

func (sc *scanner) last(k kind) bool {
	return len(sc.tokens) > 0 && sc.tokens[len(sc.tokens)-1].kind == k
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// number scans digits with a point or, by choice, a comma.
func (sc *scanner) number(i int) (int, error) {
	s := sc.s
	end := i
	for end < len(s) && isDigit(s[end]) {
		end++
	}
	text := s[i:end]
	switch {
	case end < len(s) && s[end] == '.':
		from := end
		for end++; end < len(s) && isDigit(s[end]); {
			end++
		}
		text += s[from:end]
	case end+1 < len(s) && s[end] == ',' && isDigit(s[end+1]):
		sc.open.comma = true
		if sc.choice.comma {
			from := end + 1
			for end++; end < len(s) && isDigit(s[end]); {
				end++
			}
			text += "." + s[from:end]
			if end < len(s)-1 && s[end] == ',' && s[end+1] != ' ' {
				return 0, valuef("a comma cannot both mark decimals and stand alone between the numbers, put a space or a semicolon there")
			}
		}
	}
	sc.tokens = append(sc.tokens, token{kind: number, text: text})
	return end - i, nil
}

// hyphen scans a hyphen: a minus before a number, unless by choice it joins
// two numbers or stands between them.
func (sc *scanner) hyphen(i int) (int, error) {
	before, after := byte(' '), byte(' ')
	if i > 0 {
		before = sc.s[i-1]
	}
	if i+1 < len(sc.s) {
		after = sc.s[i+1]
	}
	tight := isDigit(before) && isDigit(after)
	loose := i > 0 && before == ' ' && after == ' '
	if tight || loose {
		sc.open.hyphen = true
		if sc.choice.hyphen {
			if tight {
				return sc.add(joint, '-', 1)
			}
			return sc.add(separator, '-', 1)
		}
	}
	return sc.add(sign, '-', 1)
}

// words are the words of an angle text. "s" is not among them.
var words = map[string]token{
	"n": {kind: side, c: 'N'}, "north": {kind: side, c: 'N'},
	"south": {kind: side, c: 'S'},
	"e":     {kind: side, c: 'E'}, "east": {kind: side, c: 'E'},
	"w": {kind: side, c: 'W'}, "west": {kind: side, c: 'W'},
	"d": {kind: mark, c: 'd'}, "deg": {kind: mark, c: 'd'}, "degs": {kind: mark, c: 'd'},
	"degree": {kind: mark, c: 'd'}, "degrees": {kind: mark, c: 'd'},
	"m": {kind: mark, c: 'm', letter: true}, "min": {kind: mark, c: 'm', letter: true}, "mins": {kind: mark, c: 'm', letter: true},
	"minute": {kind: mark, c: 'm', letter: true}, "minutes": {kind: mark, c: 'm', letter: true},
	"sec": {kind: mark, c: 's'}, "secs": {kind: mark, c: 's'},
	"second": {kind: mark, c: 's'}, "seconds": {kind: mark, c: 's'},
	"lat": {kind: label, c: 'N'}, "latitude": {kind: label, c: 'N'},
	"lon": {kind: label, c: 'E'}, "lng": {kind: label, c: 'E'}, "long": {kind: label, c: 'E'},
	"longitude": {kind: label, c: 'E'},
}

// word scans letters; a mark and a side may be written together, as "04.4secN".
func (sc *scanner) word(i int) (int, error) {
	end := i
	for end < len(sc.s) && (sc.s[end]|0x20) >= 'a' && (sc.s[end]|0x20) <= 'z' {
		end++
	}
	w := strings.ToLower(sc.s[i:end])
	if sc.known(w) {
		return end - i, nil
	}
	if n := len(w) - 1; n > 0 && (words[w[:n]].kind == mark || w[:n] == "s") && strings.IndexByte("nsew", w[n]) >= 0 && sc.known(w[:n]) {
		if w[n] == 's' { // after a mark of its own it is no second mark
			return sc.add(side, 'S', end-i)
		}
		sc.known(w[n:])
		return end - i, nil
	}
	return 0, fmt.Errorf("the word %q does not belong in a position", clip(sc.s[i:end]))
}

// known adds the token of a word, if it is one.
func (sc *scanner) known(w string) bool {
	if w == "s" {
		if sc.letterMinutes() {
			sc.open.south = true
			if !sc.choice.south {
				sc.tokens = append(sc.tokens, token{kind: mark, c: 's'})
				return true
			}
		}
		sc.tokens = append(sc.tokens, token{kind: side, c: 'S'})
		return true
	}
	t, ok := words[w]
	if ok {
		sc.tokens = append(sc.tokens, t)
	}
	return ok
}

// letterMinutes reports whether an s here could mean seconds: it follows a
// number that follows minutes marked with a letter.
func (sc *scanner) letterMinutes() bool {
	n := len(sc.tokens)
	return n >= 2 && sc.tokens[n-1].kind == number && sc.tokens[n-2].letter
}
