package answer

import "cmp"

// Compare orders answers of different points for the same load by their first
// options, the better first: by verdict, then those whose kit is carried, the
// ratio up to the required one, those with a belay, then effort. An answer
// without an option comes last.
func Compare(x, y *Answer) int {
	p, okX := x.Best()
	q, okY := y.Best()
	if !okX || !okY {
		return cmp.Compare(one(!okX), one(!okY))
	}
	return cmp.Or(
		cmp.Compare(p.Verdict.Rank(), q.Verdict.Rank()),
		cmp.Compare(one(len(p.Kit.Short) > 0), one(len(q.Kit.Short) > 0)),
		cmp.Compare(enough(&q, y), enough(&p, x)),
		cmp.Compare(p.Unbelayed(), q.Unbelayed()),
		cmp.Compare(p.People*p.Minutes, q.People*q.Minutes),
	)
}

func enough(o *Option, a *Answer) float64 {
	r, _ := o.GoverningRatio.Get() // no figure ranks as none
	return min(r, a.RequiredRatio)
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}
