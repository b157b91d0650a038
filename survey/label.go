package survey

import (
	"cmp"
	"strings"
)

// CompareLabels orders labels as people count: digits at the end are a number,
// so that P2 comes before P10.
func CompareLabels(a, b string) int {
	stem := func(s string) string { return strings.TrimRight(s, "0123456789") }
	x, y := stem(a), stem(b)
	nx, ny := strings.TrimLeft(a[len(x):], "0"), strings.TrimLeft(b[len(y):], "0")
	return cmp.Or(cmp.Compare(x, y), cmp.Compare(len(nx), len(ny)), cmp.Compare(nx, ny))
}
