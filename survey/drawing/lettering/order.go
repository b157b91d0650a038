package lettering

import (
	"regexp"
	"strings"
	"sync"
	"unicode"

	"golang.org/x/text/unicode/bidi"
	"golang.org/x/text/unicode/norm"
)

// Visual puts a line in the order and the letter forms in which it is
// printed from left to right: right-to-left runs are turned round (Unicode
// Annex 9) and Arabic letters take their joined forms. It is for back ends
// that set one character after the other; a browser does this by itself.
func Visual(s string) string {
	if strings.IndexFunc(s, rightToLeft) < 0 {
		return s
	}
	// Marks keep the brackets of a number with it, whatever stands beside them.
	const mark = "\u200E"
	s = number.ReplaceAllString(join(s), mark+"$0"+mark)
	var p bidi.Paragraph
	if _, err := p.SetString(s); err != nil {
		return strings.ReplaceAll(s, mark, "")
	}
	order, err := p.Order()
	if err != nil {
		return strings.ReplaceAll(s, mark, "")
	}
	var runs []string
	for i := range order.NumRuns() {
		run := order.Run(i)
		text := run.String()
		if run.Direction() == bidi.RightToLeft {
			text = bidi.ReverseString(text)
		}
		runs = append(runs, text)
	}
	return strings.ReplaceAll(strings.Join(runs, ""), mark, "")
}

// number is what Clean puts for a character that cannot be printed.
var number = regexp.MustCompile(`\[U\+[0-9A-F]{4,6}\]`)

func rightToLeft(r rune) bool {
	if r < 0x590 {
		return false
	}
	p, _ := bidi.LookupRune(r)
	return p.Class() == bidi.R || p.Class() == bidi.AL
}

// forms of an Arabic letter, in the order of Unicode block Arabic
// Presentation Forms-B; a letter that does not join on its left has two.
type forms struct{ isolated, final, initial, medial rune }

// shapes derives the forms from their compatibility decompositions.
var shapes = sync.OnceValue(func() map[rune]forms {
	m := map[rune]forms{}
	for r := rune(0xFE80); r <= 0xFEF4; r++ {
		base := []rune(norm.NFKC.String(string(r)))
		if len(base) != 1 {
			continue
		}
		f := m[base[0]]
		switch {
		case f.isolated == 0:
			f.isolated = r
		case f.final == 0:
			f.final = r
		case f.initial == 0:
			f.initial = r
		default:
			f.medial = r
		}
		m[base[0]] = f
	}
	return m
})

func join(s string) string {
	in := []rune(s)
	out := make([]rune, len(in))
	neighbour := func(i, step int) (forms, bool) {
		for i += step; i >= 0 && i < len(in); i += step {
			if !unicode.Is(unicode.Mn, in[i]) {
				f, ok := shapes()[in[i]]
				return f, ok
			}
		}
		return forms{}, false
	}
	for i, r := range in {
		f, ok := shapes()[r]
		out[i] = r
		if !ok {
			continue
		}
		before, hasBefore := neighbour(i, -1)
		_, hasAfter := neighbour(i, 1)
		joinsBefore := hasBefore && before.initial != 0 && f.final != 0
		joinsAfter := hasAfter && f.initial != 0
		switch {
		case joinsBefore && joinsAfter && f.medial != 0:
			out[i] = f.medial
		case joinsBefore:
			out[i] = f.final
		case joinsAfter:
			out[i] = f.initial
		default:
			out[i] = f.isolated
		}
	}
	return string(out)
}
