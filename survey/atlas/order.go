package atlas

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"holdfast/survey"
)

// sortByLabel puts P2 before P10: digits at the end count as a number.
func sortByLabel(js []Judged) {
	slices.SortStableFunc(js, func(a, b Judged) int {
		sa, na := splitLabel(a.Point.Item.Label)
		sb, nb := splitLabel(b.Point.Item.Label)
		return cmp.Or(cmp.Compare(sa, sb), cmp.Compare(na, nb), cmp.Compare(a.Point.Item.ID, b.Point.Item.ID))
	})
}

func splitLabel(s string) (stem string, n int) {
	stem = strings.TrimRight(s, "0123456789")
	n, _ = strconv.Atoi(s[len(stem):]) // no digits: 0, which sorts first
	return stem, n
}

func sortByCode(sites []survey.Site) {
	slices.SortFunc(sites, func(a, b survey.Site) int { return strings.Compare(a.Code, b.Code) })
}
