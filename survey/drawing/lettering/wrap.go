package lettering

import (
	"strings"
	"unicode"
)

// Wrap breaks cleaned text into lines no wider than width millimetres. It
// breaks at spaces and line ends, after hyphens, slashes and bracketed
// numbers, not between a number and its unit, and inside a word only when the
// word alone is too wide. Blank lines are kept; at least one character goes on
// every line.
func Wrap(f Face, pt, width float64, s string) []string {
	var lines []string
	for para := range strings.SplitSeq(s, "\n") {
		lines = append(lines, wrapParagraph(f, pt, width, para)...)
	}
	return lines
}

func wrapParagraph(f Face, pt, width float64, para string) []string {
	if Width(f, pt, para) <= width {
		return []string{strings.TrimRight(para, " ")}
	}
	var lines []string
	var line string
	for _, piece := range pieces(para) {
		if Width(f, pt, line+strings.TrimRight(piece, " ")) <= width {
			line += piece
			continue
		}
		if strings.TrimSpace(line) != "" {
			lines = append(lines, strings.TrimRight(line, " "))
		}
		line = piece
		for Width(f, pt, strings.TrimRight(line, " ")) > width {
			n := fit(f, pt, width, line)
			lines = append(lines, line[:n])
			line = line[n:]
		}
	}
	if strings.TrimSpace(line) != "" || len(lines) == 0 {
		lines = append(lines, strings.TrimRight(line, " "))
	}
	return lines
}

// pieces cuts a paragraph at every place where a line may end; spaces stay
// with the piece before them.
func pieces(s string) []string {
	var out []string
	start := 0
	var before rune
	for i, r := range s {
		end := before == ' ' && r != ' ' && !(i > 1 && '0' <= s[i-2] && s[i-2] <= '9' && unit(s[i:]))
		end = end || (before == '-' || before == '/' || before == '\u2013' || before == '\u2014') && r != ' ' && !unicode.IsDigit(r)
		end = end || before == ']' && r == '['
		if end && i > start {
			out = append(out, s[start:i])
			start = i
		}
		before = r
	}
	return append(out, s[start:])
}

// unit tells whether a text begins with a unit of measure.
func unit(s string) bool {
	if strings.HasPrefix(s, "%") {
		return true
	}
	end := strings.IndexFunc(s, func(r rune) bool { return !unicode.IsLetter(r) })
	if end < 0 {
		end = len(s)
	}
	switch s[:end] {
	case "ft", "in", "mi", "m", "mm", "km", "lbf", "kN", "N", "tsf", "kPa", "kV", "min":
		return true
	}
	return false
}

// fit returns how many bytes of a word go on one line, at least one character
// with its accents.
func fit(f Face, pt, width float64, s string) int {
	w, n := 0.0, 0
	for i, r := range s {
		w += Width(f, pt, string(r))
		if unicode.Is(unicode.Mn, r) {
			continue
		}
		if w > width && n > 0 {
			return i
		}
		n++
	}
	return len(s)
}
