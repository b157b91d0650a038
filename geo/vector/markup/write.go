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

// Name returns an XML name without colon (NCName) that is like s; same is false
// when it had to be changed.
func Name(s string) (name string, same bool) {
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == '_' || unicode.IsLetter(r):
			b.WriteRune(r)
		case i > 0 && (r == '-' || r == '.' || unicode.IsDigit(r)):
			b.WriteRune(r)
		default:
			if i == 0 {
				b.WriteByte('_')
				if r == '-' || r == '.' || unicode.IsDigit(r) {
					b.WriteRune(r)
				}
				continue
			}
			b.WriteByte('_')
		}
	}
	if name = b.String(); name == "" {
		name = "_"
	}
	return name, name == s
}
