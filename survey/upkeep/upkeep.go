// Package upkeep lists what an atlas needs done before it is trusted again:
// surveys that have grown old, sites that nobody vouches for, ground to walk
// again after a flood. It judges no anchor; what it asks for is a person's
// visit or signature.
package upkeep

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"holdfast/geo"
	"holdfast/survey"
)

// Place is a surveyed point with its site.
type Place struct {
	Site  survey.Site
	Point survey.Point
	// ChangedAt is when the point was last changed after it was first taken in;
	// unknown when it never was.
	ChangedAt survey.Opt[time.Time]
}

// Due is a point to survey again.
type Due struct {
	Place
	// Since is the day from which the survey counts as old; unknown when nobody
	// recorded a day on which it was made.
	Since survey.Opt[time.Time]
}

// Stale lists the points whose survey is older than the policy lets stand, and
// those of which no day, or a day to come, is recorded: these first, then the
// oldest.
func Stale(places []Place, policy survey.Policy, now time.Time) []Due {
	months := int(policy.ResurveyMonths.Value)
	var out []Due
	for _, p := range places {
		at, ok := p.Point.SurveyedAt.Get()
		switch {
		case !ok || at.After(now):
			out = append(out, Due{Place: p})
		case at.AddDate(0, months, 0).Before(now):
			out = append(out, Due{Place: p, Since: survey.Known(at.AddDate(0, months, 0))})
		}
	}
	slices.SortStableFunc(out, func(a, b Due) int {
		s, _ := a.Since.Get() // the zero time of an unknown one sorts first
		t, _ := b.Since.Get()
		return cmp.Or(s.Compare(t), byName(a.Place, b.Place))
	})
	return out
}

// Unvouched is a site that its reviewers do not stand for as it is.
type Unvouched struct {
	Site survey.Site
	Why  []string // in plain words, at least one
}

// Vouch lists the sites whose preplan nobody signed, whose signature is
// overdue, or whose points were changed after the signature: what was signed
// is then not what the sheet shows. Overdue and overtaken signatures come
// first, since those sites look finished.
func Vouch(sites []survey.Site, places []Place, now time.Time) []Unvouched {
	since := make(map[string][]Place)
	for _, p := range places {
		since[p.Site.ID] = append(since[p.Site.ID], p)
	}
	var out []Unvouched
	for _, s := range sites {
		if why := doubts(s, since[s.ID], now); len(why) > 0 {
			out = append(out, Unvouched{s, why})
		}
	}
	slices.SortStableFunc(out, func(a, b Unvouched) int {
		return cmp.Or(urgency(a.Site)-urgency(b.Site), strings.Compare(a.Site.Code, b.Site.Code))
	})
	return out
}

func urgency(s survey.Site) int {
	return slices.Index([]survey.ReviewState{survey.Signed, survey.Reviewed, survey.Draft, ""}, s.Review.State)
}

func doubts(s survey.Site, places []Place, now time.Time) []string {
	var why []string
	switch s.Review.State {
	case survey.Signed:
	case survey.Reviewed:
		return []string{"reviewed, not signed"}
	case survey.Draft:
		return []string{"draft: nobody has reviewed it"}
	default:
		return []string{"no review is recorded"}
	}
	if due, ok := s.Review.Due.Get(); ok && due.Before(now) {
		why = append(why, "signed, but review was due "+due.Format(time.DateOnly))
	}
	if changed := Overtaken(s, places); len(changed) > 0 {
		why = append(why, "changed since it was signed: "+strings.Join(changed, ", "))
	}
	return why
}

// Overtaken names the points of a signed site that were changed, or surveyed on
// a later day, after its signature, by label; none for a site that is not
// signed.
func Overtaken(s survey.Site, places []Place) []string {
	signed, ok := s.Review.At.Get()
	if s.Review.State != survey.Signed || !ok {
		return nil
	}
	var out []string
	for _, p := range places {
		changed, _ := p.ChangedAt.Get() // the zero time is after nothing
		if changed.After(signed) || s.Review.Overtaken(&p.Point) {
			out = append(out, p.Point.Label)
		}
	}
	slices.Sort(out)
	return out
}

func byName(a, b Place) int {
	return cmp.Or(strings.Compare(a.Site.Code, b.Site.Code), survey.CompareLabels(a.Point.Label, b.Point.Label))
}

// UsualStrip is how near the water ground is looked at again when nobody says
// otherwise, and WidestStrip the furthest that is of use: common practice, no
// source.
const (
	UsualStrip  geo.Length = 30
	WidestStrip geo.Length = 150
)

// Flood is high water after which ground near it is to be walked again.
type Flood struct {
	Ended time.Time // surveys made up to then do not count
	// Gauge is where the stage was read; sites that name another gauge are left
	// out. "" takes every site.
	Gauge  string
	Stage  survey.Opt[geo.Length] // highest reading above the gauge's zero
	Within geo.Length             // of the water's edge on file, where banks may be undercut
}

// Reason says why a point is on the list.
type Reason string

// The reasons, gravest first.
const (
	UnderWater Reason = "under water" // the ground lay below the highest stage
	NearWater  Reason = "near water"  // within the distance asked
	CannotTell Reason = "cannot tell" // neither elevations nor water on file decide
)

// Wet is a point to walk again after a flood.
type Wet struct {
	Place
	Reason Reason
	// Depth is how far the water stood above the ground, with UnderWater.
	Depth survey.Opt[geo.Length]
	// Distance is how far the nearest water on file is, when it is known.
	Distance survey.Opt[geo.Length]
}

// After is the answer to a flood.
type After struct {
	Walk    []Wet // to be walked, gravest first, then the deepest or nearest
	Done    int   // surveyed again since
	Dry     int   // neither under water nor near it
	Foreign int   // at sites of another gauge
}

// AfterFlood sorts the points by what a flood may have done to them. water
// tells how far the nearest water on file is from a point; its ok is false
// when there is none within the distance looked at, and its known is false
// when the atlas has no water layer, so that distance says nothing.
//
// A point is called dry only when the water on file is further than asked and,
// where a stage was given, its ground is known to lie above it. Elevations of
// points and gauges may be on different vertical datums; nothing on file says
// which, so people must be told.
func AfterFlood(places []Place, f Flood, water func(survey.Point) (d geo.Length, ok, known bool, err error)) (After, error) {
	var out After
	for _, p := range places {
		if f.Gauge != "" && p.Site.Water.Gauge != "" && !strings.EqualFold(strings.TrimSpace(f.Gauge), strings.TrimSpace(p.Site.Water.Gauge)) {
			out.Foreign++
			continue
		}
		if at, ok := p.Point.SurveyedAt.Get(); ok && at.After(f.Ended) {
			out.Done++
			continue
		}
		d, ok, known, err := water(p.Point)
		if err != nil {
			return out, err
		}
		wet := Wet{Place: p}
		if ok {
			wet.Distance = survey.Known(d)
		}
		depth, compared := flooded(p, f)
		switch {
		case compared && depth >= 0:
			wet.Reason, wet.Depth = UnderWater, survey.Known(depth)
		case ok && d <= f.Within:
			wet.Reason = NearWater
		case !known || f.Stage.Known() && !compared:
			wet.Reason = CannotTell
		default:
			out.Dry++
			continue
		}
		out.Walk = append(out.Walk, wet)
	}
	slices.SortStableFunc(out.Walk, func(a, b Wet) int {
		da, _ := a.Depth.Get()
		db, _ := b.Depth.Get()
		wa, _ := a.Distance.Get()
		wb, _ := b.Distance.Get()
		return cmp.Or(a.Reason.order()-b.Reason.order(), cmp.Compare(db, da), cmp.Compare(wa, wb), byName(a.Place, b.Place))
	})
	return out, nil
}

func (r Reason) order() int { return slices.Index([]Reason{UnderWater, NearWater, CannotTell}, r) }

// flooded returns how far the stage stood above the ground, negative when it
// stayed below; ok is false when stage, gauge zero or elevation is not known.
func flooded(p Place, f Flood) (above geo.Length, ok bool) {
	stage, ok1 := f.Stage.Get()
	zero, ok2 := p.Site.Water.DatumM.Get()
	ground, ok3 := p.Point.ElevationM.Get()
	return zero + stage - ground, ok1 && ok2 && ok3
}
