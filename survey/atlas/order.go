package atlas

import (
	"cmp"
	"slices"
	"strings"

	"holdfast/survey"
)

func sortByLabel(js []Judged) {
	slices.SortStableFunc(js, func(a, b Judged) int {
		p, q := &a.Point.Item, &b.Point.Item
		return cmp.Or(survey.CompareLabels(p.Label, q.Label), cmp.Compare(p.ID, q.ID))
	})
}

func sortByCode(sites []survey.Site) {
	slices.SortFunc(sites, func(a, b survey.Site) int { return strings.Compare(a.Code, b.Code) })
}
