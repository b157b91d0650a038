package preplan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/rig"
)

// sizes of the drawings of a point, in millimetres: the plan beside elevation
// over section fill the width of the paper. On paper their height is what the
// rest of the page leaves.
func (p Paper) sizes() (plan, side, chart drawing.Size) {
	if p == Letter {
		return drawing.Size{W: 98, H: 110}, drawing.Size{W: 90, H: 53}, drawing.Size{W: 92, H: 50}
	}
	return drawing.Size{W: 94, H: 116}, drawing.Size{W: 89, H: 56}, drawing.Size{W: 90, H: 50}
}

// point arranges one point: on the front what a crew needs to build the
// anchor, on the back the checks and the evidence.
func (a *arranger) point(i int) Part {
	p := a.Points[i]
	part := Part{ID: fmt.Sprintf("point-%d", i+1), Title: "Point " + label(p.Point), Verdict: cmp.Or(p.Answer.Verdict, answer.Unknown), Leaf: true}
	if a.GridRef != nil && valid(p.Point.Position) {
		part.Grid = a.GridRef(p.Point.Position)
	}
	part.add(Block{Lead: cmp.Or(p.Answer.Sentence, "No answer was worked out for this point.")})
	best, ok := p.Answer.Best()
	if ok {
		if bar := forbidden(best.Main); bar != "" {
			part.add(Block{Lead: bar})
		}
	}
	part.add(Block{Fields: a.facts(p)})
	if ok {
		part.add(a.figures(p, best))
		part.add(a.stakes(p, best)...)
		kit, note := a.kit(best)
		part.add(Block{Columns: []Column{{0.5, kit}, {0.5, append(a.lashings(best), note)}}})
	} else {
		part.add(Block{Text: "No anchor is offered at this point: nothing is laid out and nothing is drawn."})
	}
	part.add(Block{Heading: "Pull test tonight: in the direction of the load, before a life hangs on it", WriteIn: &WriteIn{
		Fields: []string{"Date and time", "Rig or anchor", "Pulled to (lbf or kN)", "Held / moved / failed", "Movement", "Instrument", "Ground: wet, frozen, dug?", "By (signature)"},
	}})
	if ok {
		part.Back = append(part.Back, a.checks(best)...)
	}
	part.Back = append(part.Back, a.evidence(p, best, ok)...)
	return part
}

func (p *Part) add(b ...Block) { p.Blocks = append(p.Blocks, b...) }

func (a *arranger) facts(p PointInput) []Field {
	at := p.Point.Position
	fix := cmp.Or(string(p.Point.Fix.Source), "source of the position "+wording.NotRecorded) + ", accuracy " + wording.Opt(p.Point.Fix.AccuracyM, a.length) +
		", elevation " + wording.Opt(p.Point.ElevationM, a.length)
	g := p.Answer.Ground
	ground := "class " + cmp.Or(string(g.Class), wording.Unknown)
	if g.Provisional {
		ground += ", provisional"
	}
	if g.Written != "" {
		ground += fmt.Sprintf(" (the surveyor wrote %s)", g.Written)
	}
	ground += "; " + cmp.Or(string(p.Point.Ground.Texture), "texture "+wording.NotRecorded) + ", " + cmp.Or(string(p.Point.Ground.Moisture), "moisture "+wording.NotRecorded)
	if p.Answer.Tonight != "" {
		ground += "; ANSWERED FOR GROUND THAT IS " + strings.ToUpper(string(p.Answer.Tonight)) + " TONIGHT"
	}
	ground += ifs(p.Answer)
	when := wording.Opt(p.Point.SurveyedAt, wording.Date)
	if days, ok := survey.Age(p.Point.SurveyedAt, a.PrintedAt); ok {
		when += fmt.Sprintf(", %s old", wording.Count(days, "day", "days"))
	}
	if a.stale(p.Point.SurveyedAt) {
		when = "STALE: " + when
	}
	when += ", surveyor " + wording.Or(p.Point.SurveyedBy)
	if !p.UpdatedAt.IsZero() {
		when += "; record last changed " + wording.Date(p.UpdatedAt)
	}
	if n := len(p.Point.Photos); n > 0 {
		when += "; " + wording.Count(n, "photo", "photos") + " in the atlas"
	}
	t := p.Point.Terrain
	bank := "slope " + wording.Opt(t.SlopeDeg, func(d float64) string { return wording.Angle(d) + " from level" }) +
		", height " + wording.Opt(t.HeightM, a.length) + ", setback of the point " + wording.Opt(t.SetbackM, a.length) +
		", fall line " + wording.Opt(t.FallLineDeg, func(b geo.Bearing) string { return wording.Bearing(b.Degrees()) + " true" })
	if p.Near.PastCrest {
		bank += "; THE CREST LINE ON FILE LIES BEHIND THE POINT"
	}
	where, anchor := Field{Name: "Where", Text: a.grid(at) + " · " + latLon(at) + "; " + fix}, Field{}
	if o, ok := p.Answer.Best(); ok {
		if away := a.fromMark(p, o.Main); away != "" {
			where.Name = "Mark"
			anchor = Field{Name: "Anchor", Text: o.Main.Anchor.Name() + ": " + away, Loud: true}
			if l := o.Main.Layout; l != nil {
				anchor.Text += "; " + a.grid(l.Front()) + " · " + latLon(l.Front())
			}
		}
	}
	fields := []Field{
		where, anchor,
		{Name: "Pull", Text: pullWords(p.Answer.Pull) + "; back-bearing " + backWords(p.Answer.Pull), Loud: true},
		{Name: "Ground", Text: ground},
		{Name: "Bank", Text: bank, Loud: p.Near.PastCrest},
		{Name: "Surveyed", Text: when, Loud: a.stale(p.Point.SurveyedAt)},
	}
	fields = slices.DeleteFunc(fields, func(f Field) bool { return f.Name == "" })
	if o, ok := p.Answer.Best(); ok {
		checks := Field{Name: "Checks", Text: "all that matter passed"}
		if n, loud := open(o); loud {
			checks.Text, checks.Loud = n, true
		} else if n != "" {
			checks.Text += "; " + n
		}
		fields = append(fields, checks)
	}
	return fields
}

// ifs says what wetter ground tonight would make of the answer.
func ifs(a answer.Answer) (s string) {
	if len(a.Ifs) == 0 {
		if a.Ground.IfWet != "" {
			s += "; if wet tonight: class " + string(a.Ground.IfWet)
		}
		if a.Ground.IfSubmerged != "" {
			s += "; if under water: class " + string(a.Ground.IfSubmerged)
		}
		return s
	}
	for _, i := range a.Ifs {
		s += fmt.Sprintf("; if %s tonight: class %s", i.Moisture, cmp.Or(string(i.Class), wording.Unknown))
		if i.SameVerdict != "" {
			s += ", this anchor " + verdictWord(i.SameVerdict) + ratioAfter(i.SameRatio)
		}
		if i.Anchor != "" && (i.SameVerdict != i.Verdict || i.SameRatio != i.Ratio) {
			s += ", the best then " + i.Anchor + " " + verdictWord(i.Verdict) + ratioAfter(i.Ratio)
		}
	}
	return s
}

func ratioAfter(r survey.Opt[float64]) string {
	if v, ok := r.Get(); ok {
		return " " + wording.Ratio(v)
	}
	return ""
}

func (a *arranger) figures(p PointInput, o answer.Option) Block {
	plan := drawing.NewPlan(p.Point, p.Near, p.Answer, o, a.Policy)
	pattern, _ := survey.ParsePattern(o.Main.Anchor.Rig) // no pattern: an anchor that is not driven
	elevation := drawing.Elevation{Units: a.u, Pattern: pattern, Stake: a.Policy.Stake}
	for _, l := range a.Policy.LoadCases {
		if l.ID == p.Answer.LoadCase.ID {
			elevation.RopeAngleDeg = l.RopeAngleDeg
		}
	}
	section := drawing.NewSection(p.Point, plan, o, p.Profile)
	planSize, sideSize, _ := a.Paper.sizes()
	if len(pattern) == 0 {
		sideSize.H = planSize.H
		return Block{Figures: []Figure{{plan, planSize}, {section, sideSize}}}
	}
	return Block{Figures: []Figure{{plan, planSize}, {elevation, sideSize}, {section, sideSize}}}
}

// Magnetic writes a true bearing as a compass shows it on the day of the answer.
func Magnetic(b geo.Bearing, p answer.Pull) string {
	d, ok := p.DeclinationDeg.Get()
	if !ok {
		return wording.Unknown
	}
	return wording.Bearing(b.Degrees() - d)
}

// forbidden says in capitals that an anchor is not to be set up as it is drawn:
// because it does not serve, or because something that matters is not known.
// It is "" for an anchor that may be built.
func forbidden(p answer.Placed) string {
	verb := "USE"
	if p.Anchor.Kind == survey.KindRig {
		verb = "DRIVE"
	}
	switch p.Verdict {
	case answer.No:
		return "DO NOT " + verb + ": " + p.Anchor.Name() + " does not serve here."
	case answer.Unknown:
		for _, c := range p.Checks {
			if c.Matters && !c.Ran {
				return "DO NOT " + verb + " until this is settled: " + c.Title + ", " + c.Message + "."
			}
		}
		return "DO NOT " + verb + ": whether it holds is not known."
	}
	return ""
}

// found is the surveyed anchor that an answer speaks of; nil for a rig.
func found(p survey.Point, an rig.Anchor) *survey.Anchor {
	i := slices.IndexFunc(p.Anchors, func(x survey.Anchor) bool { return x.ID == an.ID && x.Kind == an.Kind })
	if i < 0 {
		return nil
	}
	return &p.Anchors[i]
}

// foundWords describes an anchor that is not driven, and where it stands.
func (a *arranger) foundWords(p PointInput, pl answer.Placed) string {
	x := found(p.Point, pl.Anchor)
	if x == nil {
		return "No stakes are driven."
	}
	text := "No stakes are driven. "
	if way := a.fromMark(p, pl); way != "" {
		text += "It stands " + way
		if pl.Layout != nil {
			text += "; " + a.grid(pl.Layout.Front())
		}
		text += ". "
	}
	return text + a.anchorWords(*x)
}

func (a *arranger) anchorWords(x survey.Anchor) string {
	s := fmt.Sprintf("%s %s: bearing %s true, distance %s from the point, diameter %s, %s, condition %s",
		x.Kind, x.ID, wording.Opt(x.BearingDeg, func(b geo.Bearing) string { return wording.Bearing(b.Degrees()) }),
		wording.Opt(x.DistanceM, a.length), wording.Opt(x.DiameterMM, func(mm float64) string { return wording.Thickness(a.u, mm) }),
		cmp.Or(x.Material, "material "+wording.NotRecorded), wording.Or(x.Condition))
	if x.Kind == survey.KindDeadman {
		s += ", mean depth " + wording.Opt(x.DepthM, a.length) + ", length across the pull " + wording.Opt(x.LengthM, a.length)
	}
	if f, ok := x.Rated(); ok {
		s += ", rated " + wording.Force(a.u, f) + ", " + wording.Grade(x.Evidence)
	} else {
		s += ", rating " + wording.NotRecorded
	}
	if x.Note != "" {
		s += ". " + x.Note
	}
	return s
}

// lashings lists the ties of main and belay, those that are the same only
// once.
func (a *arranger) lashings(o answer.Option) []Block {
	type tie struct {
		what, webbing string
		pieces        int
	}
	t := Table{Columns: []string{"lashing", "webbing", "pieces"}, Widths: []float64{46, 30, 16}}
	list := func(pl answer.Placed, prefix string) {
		if pl.Layout == nil {
			return
		}
		count := map[tie]int{}
		var order []tie
		for _, l := range pl.Layout.Lashings {
			k := tie{l.What, a.length(l.WebbingM), l.Pieces}
			if count[k]++; count[k] == 1 {
				order = append(order, k)
			}
		}
		for _, k := range order {
			pieces := fmt.Sprint(k.pieces)
			if n := count[k]; n > 1 {
				pieces = fmt.Sprintf("%d × %d", n, k.pieces)
			}
			t.Rows = append(t.Rows, Row{Cells: []string{prefix + k.what, k.webbing, pieces}})
		}
	}
	heading := "Lashings"
	list(o.Main, "")
	switch {
	case o.Belay == nil:
	case sameRig(o):
		heading = "Lashings; belay the same again"
	default:
		list(*o.Belay, "belay: ")
	}
	if len(t.Rows) == 0 {
		return nil
	}
	if o.Main.Anchor.Count > 1 {
		heading += fmt.Sprintf(", %d rigs", o.Main.Anchor.Count)
	}
	return []Block{{Heading: heading, Table: &t}}
}

// sameRig tells that the belay is the same rig as the main anchor.
func sameRig(o answer.Option) bool {
	return o.Belay != nil && o.Main.Anchor.Kind == survey.KindRig && o.Belay.Anchor.Kind == survey.KindRig && o.Main.Anchor.Name() == o.Belay.Anchor.Name()
}

// kit sets what the option takes against what the company carries.
func (a *arranger) kit(o answer.Option) (kit []Block, note Block) {
	k, n := a.Policy.Kit, o.Kit
	t := Table{Columns: []string{"kit", "needed", "carried", ""}, Widths: []float64{26, 21, 24, 23}}
	add := func(what, needed, carried string, short bool, by string) {
		mark := "enough"
		if short {
			mark = "SHORT" + by
		}
		t.Rows = append(t.Rows, Row{Cells: []string{what, needed, carried, mark}, Loud: short})
	}
	count := func(what string, needed int, carried survey.Line[float64]) {
		if carried.Source == "" {
			t.Rows = append(t.Rows, Row{Cells: []string{what, fmt.Sprint(needed), wording.NotRecorded, wording.Unknown}})
			return
		}
		short := needed - int(carried.Value)
		add(what, fmt.Sprint(needed), fmt.Sprintf("%g", carried.Value), short > 0, fmt.Sprintf(" by %d", short))
	}
	count("stakes", n.Stakes, k.Stakes)
	count("drivers", n.Drivers, k.Drivers)
	count("webbing pieces", n.WebbingPieces, k.WebbingPieces)
	rope := Row{Cells: []string{"rope to the toe", wording.Unknown, a.length(k.RopeM.Value), wording.Unknown}, Loud: true}
	if l, ok := n.RopeM.Get(); ok {
		rope = Row{Cells: []string{"rope to the toe", a.length(l), a.length(k.RopeM.Value), "enough"}}
		if l > k.RopeM.Value {
			rope.Cells[3], rope.Loud = "SHORT", true
		}
	}
	t.Rows = append(t.Rows, rope)
	count("people", o.People, k.People)
	text := fmt.Sprintf("rope carried is the longest single one; about %s to set up", wording.Count(o.Minutes, "minute", "minutes"))
	if n.WebbingM > 0 {
		text = fmt.Sprintf("webbing in all %s; ", a.length(n.WebbingM)) + text
	}
	return []Block{{Heading: "Kit, main and belay", Table: &t}}, Block{Text: sentence(text) + "."}
}

// checks lists the checks of main and belay: failed first, then those that did
// not run, then those that passed. What is the same for both stands once.
func (a *arranger) checks(o answer.Option) []Block {
	type line struct {
		of string
		answer.Check
	}
	var all []line
	for _, c := range o.Main.Checks {
		all = append(all, line{"main", c})
	}
	heading := "Checks"
	if o.Belay != nil {
		for _, c := range o.Belay.Checks {
			if i := slices.IndexFunc(all, func(l line) bool { return l.of == "main" && l.Check == c }); i >= 0 {
				all[i].of = "both"
				continue
			}
			all = append(all, line{"belay", c})
		}
	}
	var idle []string
	if len(o.Main.Checks) == 0 {
		idle = append(idle, "main")
	}
	if o.Belay != nil && len(o.Belay.Checks) == 0 {
		idle = append(idle, "belay")
	}
	if len(idle) > 0 {
		heading += "; NOT RUN, no check was made: " + strings.Join(idle, " and ")
	}
	if len(all) == 0 {
		return []Block{{Heading: heading}}
	}
	slices.SortStableFunc(all, func(a, b line) int { return cmp.Compare(a.Ended(), b.Ended()) })
	open := Table{Columns: []string{"mark", "for", "check", "finding", "to make it pass"}, Widths: []float64{18, 9, 27, 92, 40}}
	var passed []string
	minor := false
	for _, c := range all {
		title := c.Title
		if !c.Matters {
			title, minor = title+" *", true
		}
		if c.Ended() != answer.Passed {
			open.Rows = append(open.Rows, Row{Cells: []string{checkMark(c.Check), c.of, title, cmp.Or(c.Message, "-"), cmp.Or(c.Fix, "-")}, Loud: c.Matters})
			continue
		}
		if c.of != "both" && o.Belay != nil {
			title += " (" + c.of + ")"
		}
		passed = append(passed, "✓ "+title+": "+cmp.Or(c.Message, "-"))
	}
	if minor {
		heading += " (* shown only: does not decide the verdict)"
	}
	out := []Block{{Heading: heading}}
	if len(open.Rows) > 0 {
		out[0].Table = &open
	}
	if len(passed) > 0 {
		who := "Passed: "
		if o.Belay != nil {
			who = "Passed, for both unless one is named: "
		}
		out = append(out, Block{Text: who + strings.Join(passed, "; ") + "."})
	}
	return out
}

// checkMark is a mark of its own shape for each of the three ends of a check.
func checkMark(c answer.Check) string {
	return [...]string{"✗ FAILED", "○ NOT RUN", "✓ passed"}[c.Ended()]
}

func sentences(s []string) []string {
	return slices.DeleteFunc(slices.Clone(s), func(x string) bool { return strings.TrimSpace(x) == "" })
}
