package survey

import (
	"strconv"
	"strings"
)

// ParseTyped reads a decimal number as people type it, with a point or a single
// comma for the decimals: 7, -0.5 and 1,5. Commas between thousands are read
// where nothing else can be meant, as in 12,000.5 and 1,234,567. A comma with
// three digits behind it that could be either, as in 1,800, is refused with
// both readings: a tenfold of a load must not hang on a custom. Nothing typed,
// exponents, other bases, underscores, infinities and NaN are no numbers. The
// error, which is ErrInvalid, says so in words for whoever typed it.
func ParseTyped(text string) (float64, error) {
	text = strings.TrimSpace(text)
	figure, minus := strings.CutPrefix(text, "-")
	whole, part, point := strings.Cut(figure, ".")
	groups := strings.Split(whole, ",")
	switch {
	case len(groups) == 1:
	case byThousands(groups) && (point || len(groups) > 2):
		whole = strings.Join(groups, "")
	case byThousands(groups):
		sign := text[:len(text)-len(figure)]
		small := strings.TrimRight(strings.TrimRight(groups[0]+"."+groups[1], "0"), ".")
		return 0, Invalid("", "%q can be read two ways: write %s or %s", text, sign+groups[0]+groups[1], sign+small)
	case len(groups) == 2 && !point:
		whole, part = groups[0], groups[1]
	default:
		return 0, Invalid("", "%q is not a number", text)
	}
	v, err := strconv.ParseFloat(whole+"."+part, 64)
	if err != nil || !onlyDigits(whole+part) {
		return 0, Invalid("", "%q is not a number", text)
	}
	if minus {
		v = -v
	}
	return v, nil
}

// byThousands tells whether groups of digits are parted as thousands are.
func byThousands(groups []string) bool {
	first := groups[0]
	if len(first) < 1 || len(first) > 3 || first[0] == '0' || !onlyDigits(first) {
		return false
	}
	for _, g := range groups[1:] {
		if len(g) != 3 || !onlyDigits(g) {
			return false
		}
	}
	return true
}

func onlyDigits(s string) bool { return strings.Trim(s, "0123456789") == "" }
