package markup

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// AppendText appends text with the characters escaped that XML gives a meaning.
// whole is false when it held characters that XML 1.0 §2.2 does not allow, for
// which U+FFFD stands.
func AppendText(dst []byte, s string) (out []byte, whole bool) {
	whole = true
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == '&':
			dst = append(dst, "&amp;"...)
		case r == '<':
			dst = append(dst, "&lt;"...)
		case r == '>':
			dst = append(dst, "&gt;"...)
		case r == '"':
			dst = append(dst, "&quot;"...)
		case r == '\r': // a reader would make it a line feed
			dst = append(dst, "&#13;"...)
		case r == utf8.RuneError && n == 1, r < ' ' && r != '\t' && r != '\n', r == 0xfffe, r == 0xffff:
			dst, whole = append(dst, "\uFFFD"...), false
		default:
			dst = append(dst, s[i:i+n]...)
		}
		i += n
	}
	return dst, whole
}

// letters are the letters of names in Latin, Greek, Cyrillic and Han script that
// both the fourth and the fifth edition of XML 1.0 know (appendix B of the
// fourth).
var letters = &unicode.RangeTable{R16: []unicode.Range16{
	{'A', 'Z', 1},
	{'_', '_', 1},
	{'a', 'z', 1},
	{0xc0, 0xd6, 1},
	{0xd8, 0xf6, 1},
	{0xf8, 0x131, 1},
	{0x134, 0x13e, 1},
	{0x141, 0x148, 1},
	{0x14a, 0x17e, 1},
	{0x391, 0x3a1, 1},
	{0x3a3, 0x3ce, 1},
	{0x401, 0x40c, 1},
	{0x40e, 0x44f, 1},
	{0x451, 0x45c, 1},
	{0x4e00, 0x9fa5, 1},
}}

// Name returns an XML name without colon (NCName) that is like s; same is false
// when it had to be changed.
func Name(s string) (name string, same bool) {
	var b strings.Builder
	for i, r := range s {
		switch {
		case unicode.Is(letters, r):
			b.WriteRune(r)
		case r == '-' || r == '.' || r >= '0' && r <= '9':
			if i == 0 {
				b.WriteByte('_') // these cannot begin a name
			}
			b.WriteRune(r)
		default:
			b.WriteByte('_')
		}
	}
	if name = b.String(); name == "" {
		name = "_"
	}
	return name, name == s
}
