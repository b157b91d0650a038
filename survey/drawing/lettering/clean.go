package lettering

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Clean makes text printable. It composes accents (Unicode NFC), turns tabs
// and odd spaces into plain spaces and every line ending into "\n", and drops
// invisible formatting characters (joiners, direction marks, soft hyphens,
// variation selectors). A character these fonts cannot print becomes its
// number in brackets, as in [U+1F600]; replaced then tells so.
func Clean(s string) (text string, replaced bool) {
	if plain(s) {
		return s, false
	}
	s = strings.NewReplacer("\r\n", "\n", "\r", "\n", "\u2028", "\n", "\u2029", "\n", "\u0085", "\n").Replace(s)
	s = norm.NFC.String(strings.ToValidUTF8(s, "\uFFFD"))
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '\n':
			b.WriteByte('\n')
		case r == '\u00A0' || r == '\u202F':
			b.WriteRune('\u00A0') // not to be broken at
		case r == '\t' || unicode.Is(unicode.Zs, r):
			b.WriteByte(' ')
		case invisible(r):
		case unicode.IsControl(r) || !Has(r):
			fmt.Fprintf(&b, "[U+%04X]", r)
			replaced = true
		default:
			b.WriteRune(r)
		}
	}
	return b.String(), replaced
}

// plain is the quick way out for ASCII without control characters.
func plain(s string) bool {
	for i := range len(s) {
		if c := s[i]; c >= utf8.RuneSelf || (c < ' ' && c != '\n') || c == 0x7F {
			return false
		}
	}
	return true
}

// invisible tells the formatting characters that leave no ink.
func invisible(r rune) bool {
	return unicode.In(r, unicode.Cf, unicode.Variation_Selector) || r == '\u034F' || r == '\u115F' || r == '\u1160'
}

// Line is Clean for text that must stay on one line.
func Line(s string) (text string, replaced bool) {
	text, replaced = Clean(s)
	return strings.Join(strings.Fields(text), " "), replaced
}
