package survey

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Kept names what a policy may have removed after some time. Everything else -
// every version of sites, points, policies and layers' descriptions with its
// signature - stays for ever, since versions made apart are joined by all that
// came before them.
type Kept string

const (
	KeptPhotos Kept = "removed photos" // that no point lists any more
	KeptLayers Kept = "former layers"  // editions not in force, with their features
	KeptVisits Kept = "sign-ins"       // with what and from where people signed in, and who was refused
)

// KeptKinds are all of them.
var KeptKinds = []Kept{KeptPhotos, KeptLayers, KeptVisits}

// Keeping is how long a department keeps something that is not in use any more.
// What no line speaks of is kept for ever.
type Keeping struct {
	Of     Kept    `json:"of"`
	Months float64 `json:"months"`
	Source string  `json:"source"`
}

// leastKept is the shortest time anything is kept, in months: a mistake of
// yesterday can always be taken back.
const leastKept = 1

// mostKept is the longest that a line can say, in months.
const mostKept = 1200

// monthKept is counted long, so that nothing goes early.
const monthKept = 31 * 24 * time.Hour

// Outdated returns, for each kind that a line speaks of, the moment before
// which it need not be kept any more.
func (p Policy) Outdated(now time.Time) map[Kept]time.Time {
	out := make(map[Kept]time.Time, len(p.Keep))
	for _, k := range p.Keep {
		months := min(max(math.Ceil(k.Months), leastKept), mostKept) // one from elsewhere was not checked here
		out[k.Of] = now.Add(-time.Duration(months) * monthKept)
	}
	return out
}

// checkKeep looks over the lines of what is kept.
func (p Policy) checkKeep(c *checker) {
	var seen []Kept
	for i, k := range p.Keep {
		ptr := fmt.Sprintf("/keep/%d", i)
		if k.Of == "" {
			c.add(ptr+"/of", "is missing")
		}
		oneOf(c, ptr+"/of", k.Of, KeptKinds)
		within(c, ptr+"/months", Known(k.Months), leastKept, mostKept, "months")
		if slices.Contains(seen, k.Of) {
			c.add(ptr+"/of", "%q is listed twice", k.Of)
		}
		seen = append(seen, k.Of)
	}
}
