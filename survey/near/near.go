// Package near answers the incident question: the casualty is here - which
// anchor points serve, how far off their pull bearing is it, and how much rope
// does it take. It ranks what it is given; finding the points within rope
// reach is the store's business.
package near

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
)

// Question is where the casualty is and what the rope reaches.
type Question struct {
	At   orb.Point  // the casualty
	Rope geo.Length // longest rope at hand
}

// tieIn is the rope that knots, edge and work at the foot take.
const tieIn = 3 * geo.Metre

// WidestTurn is how far from the surveyed bearing a rig that is yet to be
// driven may be aimed: beyond it the rope runs along the bank, not down it
// (common practice, no source).
const WidestTurn = 45 * geo.Degree

// Found is one point as it stands to the casualty.
type Found struct {
	Point      string                  `json:"point"`
	Label      string                  `json:"label"`
	Site       string                  `json:"site"` // code
	SiteName   string                  `json:"site_name"`
	Lon        float64                 `json:"lon"`
	Lat        float64                 `json:"lat"`
	DistanceM  geo.Length              `json:"distance_m"`            // level, from the point to the casualty
	RopeM      geo.Length              `json:"rope_m"`                // along the ground from the anchor, with what knots and edge take
	BearingDeg survey.Opt[geo.Bearing] `json:"bearing_deg,omitzero"`  // true, from the point to the casualty
	OffAxisDeg survey.Opt[float64]     `json:"off_axis_deg,omitzero"` // from the pull bearing, clockwise positive
	InSector   bool                    `json:"in_sector"`
	Reaimed    bool                    `json:"re_aimed"` // judged as a rig driven to face the casualty
	Verdict    answer.Verdict          `json:"verdict"`
	Ratio      survey.Opt[float64]     `json:"ratio,omitzero"`
	Anchor     string                  `json:"anchor,omitempty"` // the best option in one line
	// Where that stands from the point: unknown where it is not laid out.
	AnchorBearingDeg survey.Opt[geo.Bearing] `json:"anchor_bearing_deg,omitzero"` // true; unknown at the point itself
	AnchorDistanceM  survey.Opt[geo.Length]  `json:"anchor_distance_m,omitzero"`
	RoadM            survey.Opt[geo.Length]  `json:"road_m,omitzero"` // walk from the nearest road on file
	Road             string                  `json:"road,omitempty"`
	AgeDays          survey.Opt[int]         `json:"age_days,omitzero"`
	Doubts           []string                `json:"doubts,omitempty"`
	Sentence         string                  `json:"sentence"`
}

// Judge says how one point serves the casualty; ok is false when the casualty
// is beyond the rope. The input is that of the point's own answer.
func Judge(e *answer.Engine, q Question, in answer.Input) (f Found, ok bool, err error) {
	p := in.Point
	d, bearing, _, apart := geodesic.Inverse(p.Position, q.At)
	if !apart {
		return f, false, nil // nobody is rescued from the anchor itself
	}
	f = Found{
		Point: p.ID, Label: p.Label, Site: in.Site.Code, SiteName: in.Site.Name,
		Lon: p.Position.Lon(), Lat: p.Position.Lat(), DistanceM: d, BearingDeg: survey.Known(bearing),
	}
	var known bool
	if f.RopeM, known = RopeTo(p, d); !known {
		f.Doubts = append(f.Doubts, "slope, height or distance to the crest is not recorded: the rope is counted on the level")
	}
	if f.RopeM > q.Rope {
		return f, false, nil
	}
	if days, ok := survey.Age(p.SurveyedAt, in.AsOf); ok {
		f.AgeDays = survey.Known(days)
	}
	if roads := in.Around.Of(survey.RoleRoad); len(roads) > 0 {
		f.RoadM, f.Road = survey.Known(roads[0].Distance), roads[0].Name
	}
	a, err := f.ask(e, in, bearing)
	if err != nil {
		return f, false, fmt.Errorf("judge %s %s: %w", f.Site, f.Label, err)
	}
	if !f.take(a, q.Rope) {
		return f, false, nil
	}
	f.say(in.Policy.Units)
	return f, true, nil
}

// ask judges the point as surveyed where the casualty lies in the working
// sector, and as a rig driven to face the casualty where it lies outside but
// not along the bank.
func (f *Found) ask(e *answer.Engine, in answer.Input, bearing geo.Bearing) (answer.Answer, error) {
	surveyed, err := e.For(in)
	if err != nil {
		return surveyed, err
	}
	pull, ok := surveyed.Pull.TrueDeg.Get()
	if !ok {
		f.Doubts = append(f.Doubts, "the pull bearing is not known")
		return surveyed, nil
	}
	off, inside := answer.OffAxis(pull, bearing, in.Policy)
	f.OffAxisDeg = survey.Known(off.Degrees())
	if inside {
		f.InSector = true
		in.Toward = survey.Known(bearing)
		return e.For(in)
	}
	if geo.Angle(math.Abs(float64(off))) > WidestTurn {
		in.Toward = survey.Known(bearing)
		return e.For(in)
	}
	f.Reaimed = true
	f.Doubts = append(f.Doubts, fmt.Sprintf("surveyed for %s: set the rig out afresh to face the casualty, and look for what lies that way", wording.Bearing(pull.Degrees())))
	in.Point.Pull = survey.Pull{BearingDeg: survey.Known(bearing.Degrees()), North: survey.TrueNorth, Source: survey.PullMeasured}
	return e.For(in)
}

// take keeps the best option from which the rope reaches, with everything that
// is to be said against it; ok is false when it reaches from none. An anchor
// whose distance from the point is not recorded is not known to be reached.
func (f *Found) take(a answer.Answer, rope geo.Length) (ok bool) {
	f.Verdict = a.Verdict
	if len(a.Options) == 0 {
		return true
	}
	for i := range a.Options {
		o := &a.Options[i]
		back, known := o.Kit.RopeBackM.Get()
		if f.RopeM+back > rope {
			continue
		}
		f.RopeM += back
		f.Verdict, f.Ratio, f.Anchor = o.Verdict, o.GoverningRatio, o.Summary
		if l := o.Main.Layout; l != nil {
			f.AnchorBearingDeg, f.AnchorDistanceM = l.MarkBearingDeg, survey.Known(l.MarkDistanceM)
		}
		if !known {
			f.Verdict = answer.Unknown
			f.Doubts = append(f.Doubts, "how far the anchor stands from the point is not recorded: the rope is not known to reach")
		}
		if o.Belay == nil {
			f.Doubts = append(f.Doubts, "no independent belay anchor")
		}
		f.Doubts = append(f.Doubts, o.Kit.Short...)
		for _, c := range o.Main.Checks {
			if !(c.Ran && c.Passed) && c.Title != answer.KitTitle && c.Title != answer.RopeTitle {
				f.Doubts = append(f.Doubts, c.Title+": "+c.Message)
			}
		}
		return true
	}
	return false
}

// RopeTo returns the rope from the point to a casualty at a level distance:
// to the crest, down the slope, and on along the level at its foot. known is
// false where the bank is not recorded well enough; then it is the level
// distance.
func RopeTo(p survey.Point, level geo.Length) (rope geo.Length, known bool) {
	slope, okS := p.Terrain.Slope()
	height, okH := p.Terrain.HeightM.Get()
	setback, okB := p.Terrain.SetbackM.Get()
	if !okS || !okH || !okB || slope <= 0 {
		return level + tieIn, false
	}
	if level <= setback {
		return level + tieIn, true
	}
	sin, cos := math.Sincos(slope.Radians())
	face := Face(p)
	if down := level - setback; down < face {
		return setback + down/geo.Length(cos) + tieIn, true
	}
	return setback + height/geo.Length(sin) + (level - setback - face) + tieIn, true
}

// Face returns the level breadth of the bank's face at a point, from crest to
// toe; 0 where slope or height is not recorded.
func Face(p survey.Point) geo.Length {
	slope, okS := p.Terrain.Slope()
	height, okH := p.Terrain.HeightM.Get()
	if !okS || !okH || slope <= 0 || slope >= 90*geo.Degree {
		return 0
	}
	return height / geo.Length(math.Tan(slope.Radians()))
}

// Rank orders what was found: verdict, then ratio up to the required one, then
// the angle off axis, then rope.
func Rank(found []Found, required float64) {
	slices.SortStableFunc(found, func(a, b Found) int {
		return cmp.Or(
			cmp.Compare(a.Verdict.Rank(), b.Verdict.Rank()),
			cmp.Compare(capped(b.Ratio, required), capped(a.Ratio, required)),
			cmp.Compare(offAxis(a), offAxis(b)),
			cmp.Compare(a.RopeM, b.RopeM),
			cmp.Compare(a.Point, b.Point),
		)
	})
}

func capped(r survey.Opt[float64], required float64) float64 {
	v, _ := r.Get() // no ratio ranks as none
	return min(v, required)
}

func offAxis(f Found) float64 {
	v, ok := f.OffAxisDeg.Get()
	if !ok {
		return 180
	}
	return math.Abs(v)
}

// say writes the finding in one sentence.
func (f *Found) say(u survey.Units) {
	b, _ := f.BearingDeg.Get()
	s := fmt.Sprintf("%s %s %s", f.Site, f.Label, f.Verdict.Says())
	if f.Anchor != "" {
		s += " (" + f.Anchor + ")"
	}
	if d, ok := f.AnchorDistanceM.Get(); ok && d > 0.05*geo.Metre {
		az, _ := f.AnchorBearingDeg.Get()
		s += fmt.Sprintf("; the anchor stands %s from the marked point on %s true", wording.Length(u, d), wording.Bearing(az.Degrees()))
	}
	s += fmt.Sprintf("; casualty %s off on %s true", wording.Length(u, f.DistanceM), wording.Bearing(b.Degrees()))
	if off, ok := f.OffAxisDeg.Get(); ok {
		s += fmt.Sprintf(", %s %s of the pull bearing", wording.Angle(math.Abs(off)), map[bool]string{true: "right", false: "left"}[off >= 0])
	}
	switch {
	case f.Reaimed:
		s += " (rig to be aimed afresh)"
	case !f.InSector && f.OffAxisDeg.Known():
		s += " (outside any sector)"
	}
	s += "; " + wording.Need(u, f.RopeM) + " of rope"
	if r, ok := f.RoadM.Get(); ok {
		s += fmt.Sprintf("; %s from %s", wording.Length(u, r), orRoad(f.Road))
	}
	if d, ok := f.AgeDays.Get(); ok {
		s += fmt.Sprintf("; surveyed %d days ago", d)
	} else {
		s += "; survey date not known"
	}
	const most = 3
	for i, d := range f.Doubts {
		switch {
		case i == 0:
			s += ". But " + d
		case i < most:
			s += "; " + d
		case i == most:
			s += fmt.Sprintf("; and %d more", len(f.Doubts)-most)
		}
	}
	f.Sentence = s + "."
}

func orRoad(name string) string {
	if name == "" {
		return "the nearest road"
	}
	return name
}
