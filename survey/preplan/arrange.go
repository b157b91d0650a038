package preplan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/wording"
)

// Arrange decides what is printed, in which order. Points keep the order they
// are given in.
func Arrange(in Input) Sheet {
	a := &arranger{Input: in, u: in.Policy.Units, cited: map[string]int{}}
	name := siteName(in.Site)
	s := Sheet{
		Title: "Preplan of " + name, Paper: in.Paper, PrintedAt: in.PrintedAt,
		Running: clip(name, 90), Foot: a.foot(),
	}
	s.Banners, s.State = a.banners()
	if in.Site.Code != "" {
		s.Title += " (" + in.Site.Code + ")"
		s.Running = clip(in.Site.Code, 24) + " · " + clip(name, 70)
	}
	s.Front = a.front()
	s.Parts = append(s.Parts, a.about())
	for i := range in.Points {
		s.Parts = append(s.Parts, a.point(i))
	}
	s.Parts = append(s.Parts, a.rules()) // last: it lists what the others cite
	return s
}

func siteName(s survey.Site) string {
	return clip(cmp.Or(strings.TrimSpace(s.Name), "a site without a name"), 160)
}

type arranger struct {
	Input
	u       survey.Units
	sources []string
	cited   map[string]int // number of a source
	charts  []chart
}

// cite gives a source its number in the list at the end of the sheet.
func (a *arranger) cite(source string) string {
	source = strings.TrimSpace(source)
	if source == "" {
		return "source " + wording.NotRecorded
	}
	n, ok := a.cited[source]
	if !ok {
		a.sources = append(a.sources, source)
		n = len(a.sources)
		a.cited[source] = n
	}
	return fmt.Sprintf("[%d]", n)
}

func (a *arranger) grid(p orb.Point) string {
	if a.GridRef != nil && valid(p) {
		if s := a.GridRef(p); s != "" {
			return s
		}
	}
	return "grid reference " + wording.Unknown
}

func (a *arranger) length(l geo.Length) string { return wording.Length(a.u, l) }

// stale tells whether a survey is older than the policy allows; a survey
// without a date, or with one in the future, is.
func (a *arranger) stale(at survey.Opt[time.Time]) bool {
	t, ok := at.Get()
	if !ok || t.After(a.PrintedAt) {
		return true
	}
	months := a.Policy.ResurveyMonths.Value
	due := t.AddDate(0, int(months), int(30.44*(months-float64(int(months)))))
	return due.Before(a.PrintedAt)
}

// banners says in words what must not be overlooked, and the same in short.
func (a *arranger) banners() (out []string, short string) {
	var state []string
	if len(a.Points) == 0 {
		out = append(out, "NO POINT SURVEYED: this site has no surveyed anchor point.")
		state = append(state, "no point")
	}
	var old []string
	undated := false
	oldest := a.PrintedAt
	for _, p := range a.Points {
		if !a.stale(p.Point.SurveyedAt) {
			continue
		}
		old = append(old, label(p.Point))
		if t, ok := p.Point.SurveyedAt.Get(); ok && !t.After(a.PrintedAt) {
			if t.Before(oldest) {
				oldest = t
			}
		} else {
			undated = true
		}
	}
	if len(old) > 0 {
		s := "STALE SURVEY: " + names(old)
		if len(old) == len(a.Points) && len(old) > 1 {
			s = fmt.Sprintf("STALE SURVEY: all %d points", len(old))
		}
		var why []string
		if oldest.Before(a.PrintedAt) {
			why = append(why, fmt.Sprintf("oldest %s, due after %g months", wording.Date(oldest), a.Policy.ResurveyMonths.Value))
		}
		if undated {
			why = append(why, "date missing or in the future")
		}
		out = append(out, s+" ("+strings.Join(why, "; ")+"). Re-check.")
		state = append(state, "stale")
	}
	if len(a.Unsettled) > 0 {
		out = append(out, "NOT SETTLED: two stations recorded "+names(a.Unsettled)+" differently; only one version is printed here.")
		state = append(state, "not settled")
	}
	if len(a.SameCode) > 0 {
		out = append(out, "CODE NOT UNIQUE: "+a.Site.Code+" is also the code of "+names(a.SameCode)+". Go by the name.")
		state = append(state, "code not unique")
	}
	switch r := a.Site.Review; r.State {
	case survey.Signed:
		var since []string
		for _, p := range a.Points {
			if r.Overtaken(&p.Point) {
				since = append(since, label(p.Point))
			}
		}
		if len(since) > 0 {
			out = append(out, "NOT SIGNED FOR: "+names(since)+" surveyed or tested after the site was signed.")
			state = append(state, "newer than signature")
		}
		if due, ok := r.Due.Get(); ok && due.Before(a.PrintedAt) {
			out = append(out, "SIGN-OFF OVERDUE: review was due "+wording.Date(due)+".")
			state = append(state, "sign-off overdue")
		}
	case survey.Reviewed:
		out = append(out, "NOT SIGNED: reviewed, but nobody has signed this preplan.")
	case survey.Draft:
		out = append(out, "NOT SIGNED: this preplan is a draft.")
	default:
		out = append(out, "NOT SIGNED: no review of this preplan is recorded.")
	}
	if a.Site.Review.State != survey.Signed {
		state = append(state, "not signed")
	}
	return out, strings.Join(state, ", ")
}

func (a *arranger) foot() []string {
	policy := "policy " + clip(cmp.Or(a.Policy.Version, wording.NotRecorded), 60)
	if a.Policy.Department != "" {
		policy += " (" + clip(a.Policy.Department, 120) + ")"
	}
	return []string{
		fmt.Sprintf("atlas revision %d · site revision %d · %s · printed %s", a.AtlasRevision, a.SiteRevision, policy, wording.Moment(a.PrintedAt)),
		"surveyed " + a.surveyed() + " · " + a.layerAge(),
	}
}

// surveyed is when the points were surveyed, oldest and newest.
func (a *arranger) surveyed() string {
	var first, last time.Time
	undated := 0
	for _, p := range a.Points {
		t, ok := p.Point.SurveyedAt.Get()
		switch {
		case !ok || t.After(a.PrintedAt):
			undated++
			continue
		case first.IsZero() || t.Before(first):
			first = t
		}
		if t.After(last) {
			last = t
		}
	}
	age := wording.NotRecorded
	if !first.IsZero() {
		age = wording.Date(first)
		if wording.Date(last) != age {
			age += " to " + wording.Date(last)
		}
		days, _ := survey.Age(survey.Known(first), a.PrintedAt)
		age += fmt.Sprintf(", oldest %s old", wording.Count(days, "day", "days"))
	}
	if undated > 0 {
		age += fmt.Sprintf("; %s without a date", wording.Count(undated, "point", "points"))
	}
	return age
}

// layerAge is how old the oldest layer is that the sheet draws on.
func (a *arranger) layerAge() string {
	if len(a.Layers) == 0 {
		return "no layers on file here"
	}
	var oldest survey.Opt[time.Time]
	undated := false
	for _, l := range a.Layers {
		t, ok := l.AsOf.Get()
		if o, known := oldest.Get(); ok && (!known || t.Before(o)) {
			oldest = survey.Known(t)
		}
		undated = undated || !ok
	}
	s := "layers: date " + wording.NotRecorded
	if t, ok := oldest.Get(); ok {
		s = "oldest layer " + wording.Date(t)
		if days, ok := survey.Age(oldest, a.PrintedAt); ok {
			s += ", " + wording.Count(days, "day", "days")
		}
		if undated {
			s += ", some without a date"
		}
	}
	return s
}

// candidate is one option of one point.
type candidate struct {
	point  int
	option answer.Option
}

// ranked returns the first option of every point for the usual load, best
// first, then as given. Within a point the engine has ranked already.
func (a *arranger) ranked(usual string) (all []candidate) {
	for i, p := range a.Points {
		if o, ok := p.Answer.Best(); ok && p.Answer.LoadCase.ID == usual {
			all = append(all, candidate{i, o})
		}
	}
	slices.SortStableFunc(all, func(x, y candidate) int {
		return answer.Compare(&a.Points[x.point].Answer, &a.Points[y.point].Answer)
	})
	return all
}

// usual is the load case of the first page: the policy's first, where it was
// answered, else that of the first point.
func (a *arranger) usual() string {
	if len(a.Points) == 0 {
		return ""
	}
	if len(a.Policy.LoadCases) > 0 {
		for _, p := range a.Points {
			if p.Answer.LoadCase.ID == a.Policy.LoadCases[0].ID {
				return p.Answer.LoadCase.ID
			}
		}
	}
	return a.Points[0].Answer.LoadCase.ID
}

// spots are the points for the map; best is the index of the recommended
// one, or -1.
func (a *arranger) spots(best int) (out []drawing.Spot) {
	for i, p := range a.Points {
		s := drawing.Spot{
			Label: p.Point.Label, Position: p.Point.Position, Class: p.Answer.Ground.Class,
			Verdict: p.Answer.Verdict, Pull: p.Answer.Pull.TrueDeg, Best: i == best,
		}
		if o, ok := p.Answer.Best(); ok && o.Main.Layout != nil && p.Answer.Pull.TrueDeg.Known() {
			s.Sector = survey.Known(o.Main.Layout.SectorDeg)
		}
		out = append(out, s)
	}
	return out
}

// north is the declination of the first point that has one.
func (a *arranger) north() drawing.North {
	for _, p := range a.Points {
		if p.Answer.Pull.DeclinationDeg.Known() {
			return drawing.North{DeclinationDeg: p.Answer.Pull.DeclinationDeg, ConvergenceDeg: p.Answer.Pull.ConvergenceDeg, At: p.Answer.AsOf}
		}
	}
	return drawing.North{}
}
