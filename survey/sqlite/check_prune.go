package sqlite

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"hash"

	"holdfast/survey"
)

// pruned holds what is left of pruned entries of the log to the entries that
// say so, by whose numbers it goes. These come after them.
type pruned map[int64]*struct {
	sum   hash.Hash
	count int
}

// by is the number of the entry that pruned another; 0 when it is whole.
func (p pruned) by(e Entry) int64 {
	var d struct{ Pruned int64 }
	if json.Unmarshal(e.Detail, &d) != nil || d.Pruned <= e.Number || e.Device != "" || string(e.Detail) != prunedBy(d.Pruned) {
		return 0
	}
	return d.Pruned
}

func (p pruned) add(by int64, e Entry, at string) {
	one := p[by]
	if one == nil {
		one = &struct {
			sum   hash.Hash
			count int
		}{sum: sha256.New()}
		p[by] = one
	}
	left := leftOf(e, at)
	_, _ = one.sum.Write(left[:])
	one.count++
}

// says tells whether an entry of the log that pruned others agrees with what is
// left of them; one that did not agrees.
func (p pruned) says(e Entry) bool {
	one := p[e.Number]
	var d pruneEvent
	if e.Event != "prune" || json.Unmarshal(e.Detail, &d) != nil || d.Of != survey.KeptVisits {
		return true // whoever names it is found at the end
	}
	delete(p, e.Number)
	return one != nil && one.count == d.Count && hex.EncodeToString(one.sum.Sum(nil)) == d.SHA256
}
