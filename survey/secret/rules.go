package secret

import (
	_ "embed"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"holdfast/survey"
)

// Lengths of a password in characters (NIST SP 800-63B, section 3.1.1.2 of
// revision 4: a minimum, room for 64 and more, no rules on what is in it).
const (
	Shortest = 12
	Longest  = 256
)

//go:embed common.txt
var commonList string

// CheckPassword says why a password may not be used by the person of a name:
// it is too short, or among the first that anybody would try.
func CheckPassword(password, name string) error {
	switch n := utf8.RuneCountInString(password); {
	case !utf8.ValidString(password):
		return survey.Invalid("/password", "is not text")
	case n < Shortest:
		return survey.Invalid("/password", "is %d characters long; at least %d are needed. A few words in a row do well", n, Shortest)
	case n > Longest:
		return survey.Invalid("/password", "is %d characters long; at most %d fit", n, Longest)
	}
	plain := fold(password)
	for common := range strings.Lines(commonList) {
		if common = strings.TrimSpace(common); common != "" && plain == common {
			return survey.Invalid("/password", "is one of the first that anybody would try; choose another")
		}
	}
	switch {
	case repeats(plain) || runs(plain):
		return survey.Invalid("/password", "is the same few characters over and over, or a row of the keyboard; choose another")
	case guessed(plain, fold(name)), guessed(plain, "holdfast"):
		return survey.Invalid("/password", "is little more than a name; choose another")
	}
	return nil
}

func fold(s string) string { return cases.Fold().String(norm.NFKC.String(s)) }

// repeats tells whether a text is up to four characters, over and over.
func repeats(s string) bool {
	r := []rune(s)
	for unit := 1; unit <= 4; unit++ {
		same := true
		for i := unit; i < len(r) && same; i++ {
			same = r[i] == r[i-unit]
		}
		if same {
			return true
		}
	}
	return false
}

// rows are what fingers run along.
var rows = []string{"1234567890", "abcdefghijklmnopqrstuvwxyz", "qwertyuiop", "asdfghjkl", "zxcvbnm"}

// runs tells whether a text is nothing but pieces of four and more of the
// keyboard's rows and the alphabet, forwards or backwards.
func runs(s string) bool {
	for s != "" {
		n := 0
		for _, row := range rows {
			for _, way := range []string{row + row, reversed(row + row)} {
				for k := len(s); k >= 4 && k > n; k-- {
					if strings.Contains(way, s[:k]) {
						n = k
					}
				}
			}
		}
		if n == 0 {
			return false
		}
		s = s[n:]
	}
	return true
}

func reversed(s string) string {
	b := []byte(s)
	for i, j := 0, len(b)-1; i < j; i, j = i+1, j-1 {
		b[i], b[j] = b[j], b[i]
	}
	return string(b)
}

// guessed tells whether a password without a word and without digits and
// marks is nearly nothing.
func guessed(password, word string) bool {
	if word == "" || !strings.Contains(password, word) {
		return false
	}
	rest := strings.Map(func(c rune) rune {
		if strings.ContainsRune("0123456789 .,-_!?#*+@$", c) {
			return -1
		}
		return c
	}, strings.ReplaceAll(password, word, ""))
	return utf8.RuneCountInString(rest) < 4
}
