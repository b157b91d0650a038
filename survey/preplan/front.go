package preplan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/rig"
)

// What of a long text fits the first page, in characters.
const (
	textOnFront   = 330
	dangerOnFront = 230
)

func (a *arranger) front() Front {
	s := a.Site
	f := Front{
		Name: siteName(s), Code: clip(cmp.Or(s.Code, "no code"), 24),
		Access: excerpt(s.Access, textOnFront), Staging: excerpt(s.Staging, textOnFront),
		Cautions: answer.Cautions,
	}
	f.Kind = cmp.Or(string(s.Kind), "kind of site "+wording.NotRecorded)
	if s.District != "" {
		f.Kind += " · " + clip(s.District, 120)
	}
	usual := a.usual()
	all := a.ranked(usual)
	best := -1
	if len(all) > 0 && all[0].option.Verdict != answer.No {
		best = all[0].point
		f.Heading = "Best anchor for " + a.loadWords(best)
		c := a.choice(all[0])
		f.Best = &c
	}
	a.none(&f, best, usual)
	a.second(&f, all)
	a.place(&f, best)
	f.Address = a.Address
	switch {
	case a.Address == "":
		f.AddressNone = "No code for the address of this site: no address of a server was given when this was printed."
	case drawing.CodeMarks(a.Address, drawing.Box{X1: 1, Y1: 1}) == nil:
		f.Address, f.AddressNone = "", "No code for the address of this site: the address is too long."
	}
	f.Map = drawing.SiteMap{Units: a.u, Site: s.Geometry, Spots: a.spots(best), Layers: a.Layers, North: a.north()}
	f.Dangers = a.dangers()
	f.State = a.state()
	return f
}

func (a *arranger) loadWords(i int) string {
	l := a.Points[i].Answer.LoadCase
	return fmt.Sprintf("the %s, %s on the anchor", clip(cmp.Or(l.Title, "usual load"), 80), wording.Demand(a.u, l.Force()))
}

// none says why there is no best anchor, and what would settle it.
func (a *arranger) none(f *Front, best int, usual string) {
	switch {
	case best >= 0:
		return
	case len(a.Points) == 0:
		f.Heading = "Best anchor"
		f.None = "None: no point of this site has been surveyed."
	default:
		f.Heading = "Best anchor for " + a.loadWords(0)
		f.None = "None: no anchor at the surveyed points is known to hold it."
		for _, p := range a.Points {
			if p.Answer.LoadCase.ID == usual && len(p.Answer.Settles) > 0 {
				f.None += " What would settle it at " + label(p.Point) + ": " + excerpt(p.Answer.Settles[0], 200).Text + "."
				break
			}
		}
	}
}

// second picks the next anchor: the best of another point, or the next at the
// same point where that has the better verdict.
func (a *arranger) second(f *Front, all []candidate) {
	f.SecondNone = "None."
	if f.Best == nil {
		return
	}
	others := all[1:]
	if same := a.Points[all[0].point].Answer.Options; len(same) > 1 {
		next := candidate{all[0].point, same[1]}
		if len(others) == 0 || next.option.Verdict.Rank() < others[0].option.Verdict.Rank() {
			others = []candidate{next}
		}
	}
	switch {
	case len(others) == 0:
	case others[0].option.Verdict == answer.No:
		f.SecondNone = "None: every other anchor at the surveyed points fails."
	default:
		c := a.choice(others[0])
		f.Second = &c
	}
}

// choice puts an option into the words of the first page.
func (a *arranger) choice(c candidate) Choice {
	p, o := a.Points[c.point], c.option
	title := o.Main.Anchor.Name()
	if o.Belay != nil {
		title += ", belay on " + o.Belay.Anchor.Name()
	}
	title = clip(title, 120)
	if o.Belay == nil {
		title += " - NO BELAY"
	}
	if len(o.Kit.Short) > 0 {
		title += " - KIT SHORT"
	}
	out := Choice{Verdict: o.Verdict, Title: label(p.Point) + ": " + title, Pull: pullWords(p.Answer.Pull)}
	at, placed := anchorAt(p, o.Main)
	where := a.grid(at) + " · " + latLon(at)
	switch way := a.fromMark(p, o.Main); {
	case way == "":
	case placed:
		where += "; " + way
	default:
		where = "the anchor is " + way + "; the marked point is " + where
	}
	belay := Field{Name: "Belay", Text: "none: no independent belay anchor at this point", Loud: true}
	if b := o.Belay; b != nil {
		belay = Field{Name: "Belay", Text: fmt.Sprintf("%s, %s: %s", clip(b.Anchor.Name(), 80), verdictWord(b.Verdict), belayHolding(a.u, b.Anchor)), Loud: b.Verdict != answer.Holds}
		if way := a.fromMark(p, *b); way != "" {
			belay.Text += "; " + way
		}
	}
	out.Rows = []Field{
		{Name: "Where", Text: where, Wide: true, Loud: !placed},
		{Name: "Line up on", Text: "back-bearing " + backWords(p.Answer.Pull)},
		{Name: "Holds", Text: holding(a.u, o.Main.Anchor)},
		{Name: "Ratio", Text: ratioWords(o.GoverningRatio, p.Answer.RequiredRatio), Loud: o.Verdict != answer.Holds},
		{Name: "People", Text: fmt.Sprintf("%s, about %s", wording.Count(o.People, "person", "people"), wording.Count(o.Minutes, "minute", "minutes"))},
		{Name: "Kit", Text: a.kitWords(o), Wide: true},
	}
	belay.Wide = true
	out.Rows = append(out.Rows, belay)
	if len(o.Kit.Short) > 0 {
		out.Rows = append(out.Rows, Field{Name: "Not carried", Text: excerpt(strings.Join(o.Kit.Short, "; "), 200).Text, Loud: true, Wide: true})
	}
	for _, c := range o.Main.Checks {
		if c.Title == answer.RoomTitle && !(c.Ran && c.Passed) {
			out.Rows = append(out.Rows, Field{Name: "Room", Text: c.Message, Loud: true, Wide: true})
		}
	}
	if n, loud := open(o); n != "" {
		out.Rows = append(out.Rows, Field{Name: "Checks", Text: n, Loud: loud, Wide: true})
	}
	return out
}

// belayHolding words what a belay anchor holds: a rig beside the one that was
// pulled was not pulled itself.
func belayHolding(u survey.Units, b rig.Anchor) string {
	text := holding(u, b)
	if b.Governs == survey.TestedHere && b.Kind == survey.KindRig {
		text += "; not itself pulled"
	}
	return text
}

// open names the checks of an option that failed or did not run, those that
// do not decide the verdict last; loud tells whether any of the others did.
func open(o answer.Option) (text string, loud bool) {
	var failed, idle, minor []string
	gather := func(prefix string, checks []answer.Check) {
		for _, c := range checks {
			switch name := prefix + c.Title; {
			case c.Ran && c.Passed:
			case !c.Matters && c.Ran:
				minor = append(minor, name)
			case !c.Matters:
			case c.Ran:
				failed = append(failed, name)
			default:
				idle = append(idle, name)
			}
		}
	}
	gather("", o.Main.Checks)
	if o.Belay != nil {
		gather("belay ", o.Belay.Checks)
	}
	loud = len(failed)+len(idle) > 0
	var out []string
	for _, l := range []struct {
		word  string
		names []string
	}{{"FAILED: ", failed}, {"NOT RUN: ", idle}, {"failed, shown only: ", minor}} {
		if len(l.names) > 0 {
			out = append(out, l.word+names(l.names))
		}
	}
	return strings.Join(out, "; "), loud
}

func (a *arranger) kitWords(o answer.Option) string {
	k := o.Kit
	var parts []string
	for _, n := range []struct {
		n         int
		one, many string
	}{{k.Stakes, "stake (picket)", "stakes (pickets)"}, {k.Drivers, "driver", "drivers"}, {k.WebbingPieces, "webbing piece", "webbing pieces"}} {
		if n.n > 0 {
			parts = append(parts, wording.Count(n.n, n.one, n.many))
		}
	}
	if k.Stakes == 0 {
		parts = append([]string{"no stakes to drive"}, parts...)
	}
	if l, ok := k.RopeM.Get(); ok {
		parts = append(parts, a.length(l)+" of rope to the toe")
	} else {
		parts = append(parts, "rope to the toe "+wording.Unknown)
	}
	return strings.Join(parts, ", ")
}

// anchorAt is where an anchor stands, and whether that is known; else it is the
// marked point.
func anchorAt(p PointInput, pl answer.Placed) (at orb.Point, placed bool) {
	if l := pl.Layout; l != nil {
		return l.Front(), true
	}
	return p.Point.Position, found(p.Point, pl.Anchor) == nil
}

// place gives the position of the site: that of the best anchor, else of the
// first point, else the middle of its outline.
func (a *arranger) place(f *Front, best int) {
	var at orb.Point
	switch {
	case len(a.Points) > 0:
		p := a.Points[max(best, 0)]
		at = p.Point.Position
		f.Mark = "position of " + label(p.Point)
		if o, ok := p.Answer.Best(); ok && best >= 0 {
			where, placed := anchorAt(p, o.Main)
			switch way := a.fromMark(p, o.Main); {
			case way == "":
			case placed:
				at = where
				f.Mark = o.Main.Anchor.Name() + " at " + label(p.Point) + ": " + way
			default:
				f.Mark += "; " + o.Main.Anchor.Name() + " is " + way
			}
		}
	case a.Site.Geometry != nil:
		at = a.Site.Geometry.Bound().Center()
		f.Mark = "middle of the site"
	default:
		f.Grid, f.LatLon, f.Mark = "grid reference "+wording.Unknown, "position "+wording.NotRecorded, ""
		return
	}
	if !valid(at) {
		f.Grid, f.LatLon = "grid reference "+wording.Unknown, "position "+wording.Unknown
		return
	}
	f.Grid, f.LatLon, f.GeoURI = a.grid(at), latLon(at), geoURI(at)
}

// state is the age of the survey, the sign-off and whom to call.
func (a *arranger) state() []Field {
	undated := slices.ContainsFunc(a.Points, func(p PointInput) bool {
		t, ok := p.Point.SurveyedAt.Get()
		return !ok || t.After(a.PrintedAt)
	})
	r := a.Site.Review
	sign := string(r.State)
	if sign == "" {
		sign = "no review recorded"
	}
	if r.By != "" {
		sign += " by " + clip(r.By, 80)
	}
	if t, ok := r.At.Get(); ok {
		sign += " on " + wording.Date(t)
	}
	if t, ok := r.Due.Get(); ok {
		sign += ", next review due " + wording.Date(t)
	}
	call := wording.NotRecorded
	if len(a.Site.Contacts) > 0 {
		var who []string
		for _, c := range a.Site.Contacts {
			who = append(who, contactWords(c))
		}
		call = excerpt(strings.Join(who, "; "), 200).Text
	}
	return []Field{
		{Name: "Surveyed", Text: a.surveyed(), Loud: undated || len(a.Points) == 0},
		{Name: "Sign-off", Text: sign, Loud: r.State != survey.Signed},
		{Name: "Call", Text: call},
	}
}

func contactWords(c survey.Contact) string {
	if c.Who == survey.Hidden {
		return "hidden: whoever printed this may not see contacts"
	}
	s := cmp.Or(c.Who, "name "+wording.NotRecorded)
	if c.For != "" {
		s += " (" + c.For + ")"
	}
	return s + " " + cmp.Or(c.Phone, "phone "+wording.NotRecorded)
}

func join(parts ...string) string {
	var out []string
	for _, p := range parts {
		if p != "" {
			out = append(out, p)
		}
	}
	return strings.Join(out, "; ")
}
