package survey

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// SiteKind is what kind of ground a site is.
type SiteKind string

// SiteKinds lists the kinds of site.
var SiteKinds = []SiteKind{"riverbank", "embankment", "quarry edge", "culvert", "bridge", "other"}

// Site is a named stretch of bank or embankment; one sheet is printed per site.
type Site struct {
	ID       string       `json:"-"`
	Geometry orb.Geometry `json:"-"` // Polygon, LineString or Point, lon/lat WGS 84
	Heights  []float64    `json:"-"` // metres, one per vertex in order; nil when not recorded

	Name     string    `json:"name"`
	Code     string    `json:"code"` // short, unique in the atlas
	District string    `json:"district,omitempty"`
	Kind     SiteKind  `json:"kind,omitempty"`
	Access   string    `json:"access,omitempty"`
	Staging  string    `json:"staging,omitempty"`
	Contacts []Contact `json:"contacts,omitempty"`
	Hazards  []string  `json:"hazards,omitempty"`
	Water    Water     `json:"water,omitzero"`
	Notes    string    `json:"notes,omitempty"`
	Review   Review    `json:"review,omitzero"`
}

// Contact is someone to call about a site.
type Contact struct {
	Who   string `json:"who"`
	Phone string `json:"phone,omitempty"`
	For   string `json:"for,omitempty"`
}

// Water ties a site to a river gauge.
type Water struct {
	Gauge      string          `json:"gauge,omitempty"`
	DatumM     Opt[geo.Length] `json:"datum_m,omitzero"`      // elevation of gauge zero
	WarnStageM Opt[geo.Length] `json:"warn_stage_m,omitzero"` // stage at which the site is unsafe
}

// ReviewState is how far a site's preplan has been approved.
type ReviewState string

const (
	Draft    ReviewState = "draft"
	Reviewed ReviewState = "reviewed"
	Signed   ReviewState = "signed"
)

// Review is the sign-off of a site.
type Review struct {
	State ReviewState    `json:"state,omitempty"`
	By    string         `json:"by,omitempty"`
	At    Opt[time.Time] `json:"at,omitzero"`
	Due   Opt[time.Time] `json:"due,omitzero"`
}

// Same tells whether two reviews say the same. A draft that nobody has put a
// name to is no review.
func (r Review) Same(o Review) bool {
	a, aKnown := r.At.Get()
	b, bKnown := o.At.Get()
	due, dueKnown := r.Due.Get()
	other, otherKnown := o.Due.Get()
	return cmp.Or(r.State, Draft) == cmp.Or(o.State, Draft) && r.By == o.By &&
		aKnown == bKnown && a.Equal(b) && dueKnown == otherKnown && due.Equal(other)
}

// Overtaken tells whether a point of the site was surveyed, or its ground or an
// anchor of it tested, on a later day than the signature: nobody vouched for
// that.
func (r Review) Overtaken(p *Point) bool {
	signed, ok := r.At.Get()
	if r.State != Signed || !ok {
		return false
	}
	later := func(at Opt[time.Time]) bool {
		t, known := at.Get()
		return known && t.UTC().Truncate(24*time.Hour).After(signed)
	}
	return later(p.SurveyedAt) ||
		slices.ContainsFunc(p.PullTests, func(t PullTest) bool { return later(t.At) }) ||
		slices.ContainsFunc(p.Ground.Tests, func(t GroundTest) bool { return later(t.At) })
}

// Check lists what is wrong with a review that is made, or changed, at a moment;
// of the day, in UTC, where it counts. Whoever reviews gives a name, a signature
// runs out on a day to come, and nobody signs for a day that has not come.
// Reviews on file are not held against it: Validate allows what was once stored.
func (r Review) Check(at time.Time) error {
	if r.Same(Review{}) {
		return nil
	}
	var c checker
	const here = "/properties/review"
	if r.By == "" {
		c.add(here+"/by", "Say who reviewed it.")
	}
	due, ends := r.Due.Get()
	if ends && !due.After(at) {
		c.add(here+"/due", "Give the day of the next review as a day to come.")
	}
	if r.State == Signed {
		const day = 24 * time.Hour
		signed, ok := r.At.Get()
		if !ok || signed.Truncate(day).After(at.Truncate(day).Add(day)) { // a day ahead where it is already tomorrow
			c.add(here+"/at", "Say when it was signed, on a day that has come.")
		}
		if !ends {
			c.add(here+"/due", "A signature runs out: say when the site is to be reviewed again.")
		}
	}
	return c.err()
}

// Validate lists everything about the site that cannot be stored.
func (s Site) Validate() error {
	var c checker
	checkSiteGeometry(&c, s.Geometry)
	const at = "/properties"
	if s.Name == "" {
		c.add(at+"/name", "is missing")
	}
	c.text(at+"/name", s.Name, 120)
	if s.Code == "" {
		c.add(at+"/code", "is missing: give the site a short code")
	}
	c.text(at+"/code", s.Code, 16)
	c.text(at+"/district", s.District, 120)
	oneOf(&c, at+"/kind", s.Kind, SiteKinds)
	c.text(at+"/access", s.Access, 4000)
	c.text(at+"/staging", s.Staging, 4000)
	c.text(at+"/notes", s.Notes, 8000)
	for i, k := range s.Contacts {
		if k.Who == "" {
			c.add(fmt.Sprintf("%s/contacts/%d/who", at, i), "is missing")
		}
		if k.Who == Hidden {
			c.add(fmt.Sprintf("%s/contacts/%d/who", at, i), "is %q, from someone who may not see contacts: storing it would lose them", Hidden)
		}
	}
	for i, h := range s.Hazards {
		c.text(fmt.Sprintf("%s/hazards/%d", at, i), h, 500)
	}
	within(&c, at+"/water/datum_m", s.Water.DatumM, -1000, 9000, "m")
	within(&c, at+"/water/warn_stage_m", s.Water.WarnStageM, -1000, 1000, "m")
	oneOf(&c, at+"/review/state", s.Review.State, []ReviewState{Draft, Reviewed, Signed})
	if s.Review.State == Signed && (s.Review.By == "" || !s.Review.At.Known()) {
		c.add(at+"/review", "a signed site needs by and at")
	}
	return c.err()
}

func checkSiteGeometry(c *checker, g orb.Geometry) {
	vertices := func(ps []orb.Point, least int) {
		if len(ps) < least {
			c.add("/geometry/coordinates", "has %d positions; at least %d are needed", len(ps), least)
		}
		for _, p := range ps {
			n := len(c.problems)
			if checkPosition(c, p, Opt[geo.Length]{}); len(c.problems) > n {
				return
			}
		}
	}
	switch g := g.(type) {
	case orb.Point:
		vertices([]orb.Point{g}, 1)
	case orb.LineString:
		vertices(g, 2)
	case orb.Polygon:
		if len(g) == 0 {
			c.add("/geometry/coordinates", "has no ring")
		}
		for _, r := range g {
			vertices(r, 4)
			if len(r) > 0 && !r.Closed() {
				c.add("/geometry/coordinates", "has a ring that does not close: the last position must repeat the first")
			}
		}
	case nil:
		c.add("/geometry", "is missing")
	default:
		c.add("/geometry/type", "a site is a Point, a LineString or a Polygon, not a %s", g.GeoJSONType())
	}
}

// Age returns how long before now something was surveyed, in days; ok is
// false when the date is not recorded. A date in the future gives ok false too.
func Age(at Opt[time.Time], now time.Time) (days int, ok bool) {
	t, known := at.Get()
	if !known || t.After(now) {
		return 0, false
	}
	return int(math.Floor(now.Sub(t).Hours() / 24)), true
}
