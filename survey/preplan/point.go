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

// sizes of the drawings on a point's pages, in millimetres: plan beside
// elevation over section fill the width of the paper, and leave room under
// them for kit, lashings and the pull test.
func (p Paper) sizes() (plan, side, chart drawing.Size) {
	if p == Letter {
		return drawing.Size{W: 95, H: 109}, drawing.Size{W: 93.5, H: 53}, drawing.Size{W: 93, H: 56}
	}
	return drawing.Size{W: 92, H: 115}, drawing.Size{W: 91, H: 56}, drawing.Size{W: 90, H: 56}
}

// point arranges one point: on its first page what the crew needs at a
// glance, then every stake, the checks, and the evidence.
func (a *arranger) point(i int) Part {
	p := a.Points[i]
	part := Part{ID: fmt.Sprintf("point-%d", i+1), Title: "Point " + label(p.Point), Verdict: cmp.Or(p.Answer.Verdict, answer.Unknown)}
	part.add(Block{Lead: cmp.Or(p.Answer.Sentence, "No answer was worked out for this point.")})
	part.add(Block{Fields: a.facts(p)})
	best, ok := p.Answer.Best()
	if ok {
		if bar := forbidden(best.Main); bar != "" {
			part.add(Block{Lead: bar})
		}
		part.add(a.figures(p, best))
		part.add(Block{Columns: []Column{{0.5, a.kit(best)}, {0.5, a.lashings(best)}}})
	} else {
		part.add(Block{Text: "No anchor is offered at this point: nothing is laid out and nothing is drawn."})
	}
	part.add(Block{Heading: "Pull test tonight", WriteIn: &WriteIn{
		Fields: []string{"Date and time", "Rig or anchor", "Pulled to (lbf or kN)", "Held / moved / failed", "Movement", "Instrument", "Ground: wet, frozen, dug?", "By (signature)"},
		Note:   "Pull in the direction of the load, before a life hangs on it.",
	}})
	evidence := a.evidence(p, best, ok)
	if ok {
		evidence = append(append(a.stakes(p, best), checks(best)...), evidence...)
	}
	evidence[0].Break = true
	part.add(evidence...)
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
	fields := []Field{
		{Name: "Where", Text: a.grid(at) + " · " + latLon(at) + "; " + fix},
		{Name: "Pull", Text: pullWords(p.Answer.Pull) + "; back-bearing " + backWords(p.Answer.Pull), Loud: true},
		{Name: "Ground", Text: ground},
		{Name: "Bank", Text: bank, Loud: p.Near.PastCrest},
		{Name: "Surveyed", Text: when, Loud: a.stale(p.Point.SurveyedAt)},
	}
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
		s += fmt.Sprintf("; if %s tonight: class %s, %s", i.Moisture, cmp.Or(string(i.Class), wording.Unknown), verdictWord(i.Verdict))
		if r, ok := i.Ratio.Get(); ok {
			s += " " + wording.Ratio(r)
		}
	}
	return s
}

func (a *arranger) figures(p PointInput, o answer.Option) Block {
	setback := p.Point.Terrain.SetbackM
	if !setback.Known() {
		setback = p.Near.Setback
	}
	plan := drawing.Plan{
		Units: a.u, Point: label(p.Point), Position: p.Point.Position, Main: o.Main, Belay: o.Belay, Pull: p.Answer.Pull,
		At: p.Answer.AsOf, Setback: setback, Tolerance: a.Policy.UtilityToleranceM.Value, Near: p.Near.Near,
	}
	pattern, _ := survey.ParsePattern(o.Main.Anchor.Rig) // no pattern: an anchor that is not driven
	elevation := drawing.Elevation{Units: a.u, Pattern: pattern, Stake: a.Policy.Stake}
	for _, l := range a.Policy.LoadCases {
		if l.ID == p.Answer.LoadCase.ID {
			elevation.RopeAngleDeg = l.RopeAngleDeg
		}
	}
	section := drawing.Section{
		Units: a.u, Anchor: o.Main.Anchor.Name(), Rows: len(pattern), Setback: setback, Height: p.Point.Terrain.HeightM,
		Profile: p.Profile, Source: p.Point.Terrain.Source,
	}
	if s, ok := p.Point.Terrain.Slope(); ok {
		section.Slope = survey.Known(s)
	}
	section.Rope = o.Kit.RopeM
	planSize, sideSize, _ := a.Paper.sizes()
	if len(pattern) == 0 {
		sideSize.H = planSize.H
		return Block{Figures: []Figure{{plan, planSize}, {section, sideSize}}}
	}
	return Block{Figures: []Figure{{plan, planSize}, {elevation, sideSize}, {section, sideSize}}}
}

// magnetic turns a true bearing into one by compass on the day of the answer.
func magnetic(b geo.Bearing, p answer.Pull) string {
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

// stakes lists where every stake goes, measured from the mark.
func (a *arranger) stakes(p PointInput, o answer.Option) []Block {
	blocks := a.stakeTable(p, o.Main, "Stakes (pickets), main: "+o.Main.Anchor.Name())
	if o.Belay != nil {
		blocks = append(blocks, a.stakeTable(p, *o.Belay, "Stakes (pickets), belay: "+o.Belay.Anchor.Name())...)
	}
	return blocks
}

func (a *arranger) stakeTable(p PointInput, pl answer.Placed, heading string) []Block {
	l := pl.Layout
	switch {
	case l == nil:
		return []Block{{Heading: heading, Text: "Not laid out."}}
	case pl.Verdict == answer.No && pl.Anchor.Kind == survey.KindRig:
		return []Block{{Heading: heading, Text: forbidden(pl) + " Its stakes are not listed."}}
	case len(l.Stakes) == 0:
		return []Block{{Heading: heading, Text: a.foundWords(p.Point, pl.Anchor)}}
	}
	t := Table{Columns: []string{"stake", "bearing, true", "magnetic", "distance", "USNG"}, Widths: []float64{36, 24, 24, 36, 66}}
	for _, s := range l.Stakes {
		name := fmt.Sprintf("row %d, no. %d", s.Row, s.Place)
		if pl.Anchor.Count > 1 {
			name = fmt.Sprintf("rig %d, row %d, no. %d", s.Rig, s.Row, s.Place)
		}
		at := [2]float64{s.Lon, s.Lat}
		row := Row{Cells: []string{name, "the mark", "the mark", a.length(s.MarkDistanceM), a.grid(at)}}
		if b, ok := s.MarkBearingDeg.Get(); ok {
			row.Cells[1], row.Cells[2] = wording.Bearing(b.Degrees()), magnetic(b, p.Answer.Pull)
		}
		t.Rows = append(t.Rows, row)
	}
	lean := l.Stakes[0]
	note := fmt.Sprintf("Bearing and distance are taken from the mark: the surveyed point, %s. Row 1 is the front row; numbers run from the left, looking along the pull. Drive every stake leaning %s from upright towards %s true, %s magnetic.",
		a.grid(p.Point.Position), wording.Angle(lean.LeanDeg), wording.Bearing(lean.LeanTowardDeg.Degrees()), magnetic(lean.LeanTowardDeg, p.Answer.Pull))
	if l.LeanCheck > 0 {
		note += fmt.Sprintf(" Check of the lean: a stake at the heel of a 12 in boot with its head over the toe leans %s.", wording.Angle(l.LeanCheck))
	}
	if l.CollectorM > 0 {
		note += fmt.Sprintf(" The legs of the rigs meet at least %s ahead of the front stakes; equalise them.", a.length(l.CollectorM))
	}
	blocks := []Block{{Heading: heading, Table: &t}, {Text: note}}
	if bar := forbidden(pl); bar != "" {
		blocks[0].Heading, blocks = "", append([]Block{{Heading: heading, Lead: bar}}, blocks...)
	}
	return blocks
}

// foundWords describes an anchor that is not driven.
func (a *arranger) foundWords(p survey.Point, an rig.Anchor) string {
	i := slices.IndexFunc(p.Anchors, func(x survey.Anchor) bool { return x.ID == an.ID && x.Kind == an.Kind })
	if i < 0 {
		return "No stakes are driven."
	}
	return "No stakes are driven. " + a.anchorWords(p.Anchors[i])
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

// lashings lists the ties of the main anchor, those that are the same in
// every rig only once.
func (a *arranger) lashings(o answer.Option) []Block {
	if o.Main.Layout == nil || len(o.Main.Layout.Lashings) == 0 {
		return nil
	}
	t := Table{Columns: []string{"lashing", "webbing", "pieces"}, Widths: []float64{46, 30, 14}}
	rigs := max(o.Main.Anchor.Count, 1)
	type tie struct {
		what, webbing string
		pieces        int
	}
	count := map[tie]int{}
	var order []tie
	for _, l := range o.Main.Layout.Lashings {
		k := tie{l.What, a.length(l.WebbingM), l.Pieces}
		if count[k]++; count[k] == 1 {
			order = append(order, k)
		}
	}
	for _, k := range order {
		pieces := fmt.Sprint(k.pieces)
		if n := count[k]; rigs > 1 {
			pieces = fmt.Sprintf("%d × %d", n, k.pieces)
		}
		t.Rows = append(t.Rows, Row{Cells: []string{k.what, k.webbing, pieces}})
	}
	heading := "Lashings, main"
	if rigs > 1 {
		heading += fmt.Sprintf(", in each of %d rigs", rigs)
	}
	return []Block{{Heading: heading, Table: &t}}
}

// kit sets what the option takes against what the company carries.
func (a *arranger) kit(o answer.Option) []Block {
	k, n := a.Policy.Kit, o.Kit
	t := Table{Columns: []string{"kit", "needed", "carried", ""}, Widths: []float64{26, 24, 22, 18}}
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
	count("stakes (pickets)", n.Stakes, k.Stakes)
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
	b := []Block{{Heading: "Kit, main and belay", Table: &t}}
	note := fmt.Sprintf("Rope carried: the longest single one. About %s to set up.", wording.Count(o.Minutes, "minute", "minutes"))
	if n.WebbingM > 0 {
		note = fmt.Sprintf("Webbing in all %s. ", a.length(n.WebbingM)) + note
	}
	return append(b, Block{Text: note})
}

// checks lists the checks of the main anchor, then of the belay: failed
// first, then those that did not run, then those that passed.
func checks(o answer.Option) (out []Block) {
	list := func(heading string, cs []answer.Check) {
		if len(cs) == 0 {
			out = append(out, Block{Heading: heading, Text: "NOT RUN: no check was made."})
			return
		}
		cs = slices.Clone(cs)
		slices.SortStableFunc(cs, func(a, b answer.Check) int { return cmp.Compare(checkRank(a), checkRank(b)) })
		t := Table{Columns: []string{"mark", "check", "finding", "to make it pass"}, Widths: []float64{22, 34, 76, 54}}
		for _, c := range cs {
			title := c.Title
			if !c.Matters {
				title += " (shown only)"
			}
			t.Rows = append(t.Rows, Row{Cells: []string{checkMark(c), title, cmp.Or(c.Message, "-"), cmp.Or(c.Fix, "-")}, Loud: c.Matters && checkRank(c) < 2})
		}
		out = append(out, Block{Heading: heading, Table: &t})
	}
	list("Checks, main: "+o.Main.Anchor.Name(), o.Main.Checks)
	if o.Belay != nil {
		list("Checks, belay: "+o.Belay.Anchor.Name(), o.Belay.Checks)
	}
	return out
}

func checkRank(c answer.Check) int {
	switch {
	case c.Ran && !c.Passed:
		return 0
	case !c.Ran:
		return 1
	default:
		return 2
	}
}

// checkMark is a mark of its own shape for each of the three ends of a check.
func checkMark(c answer.Check) string {
	return [...]string{"✗ FAILED", "○ NOT RUN", "✓ passed"}[checkRank(c)]
}

func sentences(s []string) []string {
	return slices.DeleteFunc(slices.Clone(s), func(x string) bool { return strings.TrimSpace(x) == "" })
}
