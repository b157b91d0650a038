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

// evidence arranges what stands behind the answer of a point.
func (a *arranger) evidence(p PointInput, best answer.Option, ok bool) (out []Block) {
	out = append(out, a.options(p))
	if ok {
		out = append(out, a.figuresOf("What the main anchor holds: "+best.Main.Anchor.Name(), best.Main)...)
		if best.Belay != nil {
			out = append(out, a.figuresOf("What the belay anchor holds: "+best.Belay.Anchor.Name(), *best.Belay)...)
		}
	}
	var sharing []Block
	if len(p.Sharing) > 0 {
		_, _, chartSize := a.Paper.sizes()
		sharing = []Block{{Heading: "How the rig shares the pull (estimate: mechanics)", Figures: []Figure{{
			drawing.Sharing{Units: a.u, Rig: best.Main.Anchor.Rig, Series: p.Sharing, Demand: survey.Known(p.Answer.LoadCase.Force() / survey.Force(max(best.Main.Anchor.Count, 1)))}, chartSize,
		}}}}
	}
	out = append(out,
		Block{Columns: []Column{{0.5, a.load(p)}, {0.5, sharing}}},
		Block{Columns: []Column{{0.5, pullReadings(p.Answer.Pull)}, {0.5, a.ground(p)}}},
		Block{Columns: []Column{{0.5, a.found(p.Point)}, {0.5, a.nearby(p)}}},
	)
	out = append(out, a.pullTests(p.Point)...)
	if s := sentences(p.Answer.Settles); len(s) > 0 {
		out = append(out, Block{Heading: "What would settle it", List: s})
	}
	var more []string
	for _, c := range p.Answer.Cautions {
		if !slices.Contains(answer.Cautions, c) {
			more = append(more, c)
		}
	}
	if len(more) > 0 {
		out = append(out, Block{Heading: "Cautions", List: more})
	}
	if v := p.Answer.Policy; v != "" && v != a.Policy.Version {
		out = append(out, Block{Text: fmt.Sprintf("This point was answered with policy %s, the sheet is printed with %s.", v, a.Policy.Version)})
	}
	return out
}

func (a *arranger) options(p PointInput) Block {
	b := Block{Heading: "All options at this point, for " + cmp.Or(p.Answer.LoadCase.Title, "the load") + ", required ratio " + wording.Ratio(p.Answer.RequiredRatio)}
	if len(p.Answer.Options) == 0 {
		b.Text = "None."
		return b
	}
	t := Table{Columns: []string{"", "anchor", "verdict", "holds", "ratio", "stakes, people, time", "why it ranks here"}, Widths: []float64{7, 36, 19, 38, 14, 26, 46}}
	for _, o := range p.Answer.Options {
		name := o.Main.Anchor.Name()
		if o.Belay != nil {
			name += "; belay " + o.Belay.Anchor.Name()
		} else {
			name += "; no belay"
		}
		ratio := wording.Unknown
		if r, ok := o.GoverningRatio.Get(); ok {
			ratio = wording.Ratio(r)
		}
		t.Rows = append(t.Rows, Row{Cells: []string{
			fmt.Sprint(o.Rank), name, verdictWord(o.Verdict), holding(a.u, o.Main.Anchor), ratio,
			fmt.Sprintf("%d, %d, %d min", o.Kit.Stakes, o.People, o.Minutes), cmp.Or(o.Why, "-"),
		}})
	}
	b.Table = &t
	return b
}

func (a *arranger) figuresOf(heading string, pl answer.Placed) []Block {
	b := Block{Heading: heading}
	if len(pl.Anchor.Evidence) == 0 {
		b.Text = "No figure is known: holding power " + wording.Unknown + "."
	} else {
		t := Table{Columns: []string{"evidence", "holding power", "range, 5 to 95 %", "counts", "source"}, Widths: []float64{34, 34, 34, 18, 66}}
		for _, f := range pl.Anchor.Evidence {
			t.Rows = append(t.Rows, a.figureRow(f, f.Used && f.Grade == pl.Anchor.Governs))
		}
		b.Table = &t
	}
	out := []Block{b}
	s := ""
	if w := pl.Anchor.Weakest; w != "" {
		s = "Fails first: " + w + ". "
	}
	if y, ok := pl.Anchor.YieldN.Get(); ok {
		s += "The front stake starts to bend for good at a pull of " + wording.Force(a.u, survey.Force(y)) + ", estimate: mechanics. "
	}
	if v, ok := pl.YieldShare.Get(); ok {
		s += fmt.Sprintf("The load is %.0f %% of that. ", 100*v)
	}
	if len(pl.Anchor.LashingsN) > 0 {
		var each []string
		for _, n := range pl.Anchor.LashingsN {
			each = append(each, wording.Demand(a.u, survey.Force(n)))
		}
		s += "Most that the lashings of one rig are asked for, front gap first: " + strings.Join(each, ", ") + ", estimate: mechanics."
	}
	if s != "" {
		out = append(out, Block{Text: s})
	}
	if r := sentences(pl.Reasons); len(r) > 0 {
		out = append(out, Block{List: r})
	}
	return out
}

func (a *arranger) figureRow(f rig.Figure, governs bool) Row {
	spread := "not given"
	lo, okLo := f.LowN.Get()
	hi, okHi := f.HighN.Get()
	if okLo && okHi {
		spread = wording.Force(a.u, survey.Force(lo)) + " to " + wording.Force(a.u, survey.Force(hi))
	}
	counts := "shown only"
	switch {
	case governs:
		counts = "GOVERNS"
	case f.Used:
		counts = "used"
	}
	source := cmp.Or(f.Source, "source "+wording.NotRecorded)
	if f.Note != "" {
		source += ". " + f.Note
	}
	return Row{Cells: []string{wording.Grade(f.Grade), wording.Force(a.u, survey.Force(f.HoldingN)), spread, counts, source}, Loud: governs}
}

func (a *arranger) load(p PointInput) []Block {
	l := p.Answer.LoadCase
	out := []Block{{Heading: "From the load to the anchor: " + cmp.Or(l.Title, "load case "+wording.NotRecorded), Figures: []Figure{{
		drawing.Forces{Units: a.u, Load: l}, drawing.Size{W: 184},
	}}}}
	people := "Haul system: none"
	if v, ok := l.HaulForceN.Get(); ok {
		people = "Pull on the haul rope " + wording.Demand(a.u, survey.Force(v)) + ", " + wording.Opt(l.HaulPeople, func(n float64) string { return wording.Count(int(n), "person", "people") })
	}
	if v, ok := l.HaulAnchorN.Get(); ok {
		people += "; force on the haul system's anchor " + wording.Demand(a.u, survey.Force(v))
	}
	if v, ok := l.RedirectN.Get(); ok {
		people += "; force on the redirect's own anchor " + wording.Demand(a.u, survey.Force(v))
	}
	sources := []string{people + "."}
	for i, s := range l.Steps {
		if s.Source != "" {
			sources = append(sources, fmt.Sprintf("Step %d: %s.", i+1, s.Source))
		}
	}
	out = append(out, Block{List: append(sources, sentences(l.Doubts)...)})
	return out
}

func pullReadings(p answer.Pull) []Block {
	b := Block{Heading: "Readings of the pull bearing"}
	if len(p.Readings) == 0 {
		b.Text = "None: the pull bearing is " + wording.Unknown + "."
	} else {
		t := Table{Columns: []string{"true", "magnetic", "reading", ""}, Widths: []float64{12, 17, 42, 19}}
		for i, r := range p.Readings {
			used := "compared"
			if i == 0 {
				used = "USED"
			}
			t.Rows = append(t.Rows, Row{Cells: []string{wording.Bearing(r.TrueDeg.Degrees()), magnetic(r.TrueDeg, p), cmp.Or(r.Source, "source "+wording.NotRecorded), used}})
		}
		b.Table = &t
	}
	out := []Block{b}
	decl := "Declination " + wording.Opt(p.DeclinationDeg, wording.Declination)
	if e, ok := p.DeclinationErrDeg.Get(); ok {
		decl += fmt.Sprintf(" ±%.1f°", e)
	}
	decl += ", grid convergence " + wording.Opt(p.ConvergenceDeg, wording.Declination) + "."
	out = append(out, Block{List: append([]string{decl}, doubts(p.Doubts)...)})
	return out
}

func doubts(s []string) []string {
	out := sentences(s)
	for i := range out {
		out[i] = "Doubt: " + out[i]
	}
	return out
}

func (a *arranger) ground(p PointInput) []Block {
	g := p.Answer.Ground
	list := sentences(g.Because)
	for i := range list {
		list[i] = "Class " + string(g.Class) + " because " + list[i]
	}
	if g.Class == "" || len(list) == 0 {
		list = append(list, "Reason for the class: "+wording.NotRecorded)
	}
	if g.Assumed {
		list = append(list, "The class is assumed: it is as written, with no test behind it.")
	}
	if u := sentences(g.Unsettled); len(u) > 0 {
		list = append(list, "Not known, and could lower the class: "+strings.Join(u, "; ")+".")
	}
	if g.Unsuitable != "" {
		list = append(list, "No stake figure here: "+g.Unsuitable)
	}
	kpa := func(v float64) string { return fmt.Sprintf("%.0f kPa (%.2f tsf)", v, survey.Pressure(v*1000).Tsf()) }
	if g.QuLowKPa.Known() || g.QuHighKPa.Known() {
		list = append(list, "Unconfined strength from "+wording.Opt(g.QuLowKPa, kpa)+" to "+wording.Opt(g.QuHighKPa, kpa)+", estimate by class.")
	}
	for _, t := range p.Point.Ground.Tests {
		reading := strings.TrimSpace(cmp.Or(t.Reading.String(), wording.NotRecorded) + " " + t.Unit)
		list = append(list, fmt.Sprintf("Test, %s: %s, %s", t.Kind, reading, wording.Opt(t.At, wording.Date)))
	}
	if len(p.Point.Ground.Tests) == 0 {
		list = append(list, "Ground tests: none recorded.")
	}
	ask := func(name string, v survey.Answer) string { return name + " " + cmp.Or(string(v), wording.NotRecorded) }
	q := p.Point.Ground
	list = append(list, "Asked: "+ask("dug or filled before", q.Disturbed)+", "+ask("fissured", q.Fissured)+", "+ask("seeping", q.Seeping)+", "+
		ask("vibration", q.Vibration)+", "+ask("layers dip into the slope", q.LayersDip)+", a bar stops at "+wording.Opt(q.DepthToRefusalM, a.length)+".")
	return []Block{{Heading: "Ground", List: append(list, doubts(g.Doubts)...)}}
}

func (a *arranger) found(p survey.Point) []Block {
	if len(p.Anchors) == 0 {
		return []Block{{Heading: "Anchors found here", Text: "None recorded."}}
	}
	var list []string
	for _, x := range p.Anchors {
		list = append(list, a.anchorWords(x))
	}
	return []Block{{Heading: "Anchors found here", List: list}}
}

func (a *arranger) pullTests(p survey.Point) []Block {
	b := Block{Heading: "Pull tests at this point"}
	if len(p.PullTests) == 0 {
		b.Text = "None recorded."
		return []Block{b}
	}
	t := Table{Columns: []string{"date", "anchor", "pulled to", "end", "moved", "bearing", "ground", "instrument and note"}, Widths: []float64{22, 18, 34, 14, 22, 16, 18, 42}}
	for _, x := range p.PullTests {
		note := cmp.Or(x.Instrument, "instrument "+wording.NotRecorded)
		if x.Note != "" {
			note += ". " + x.Note
		}
		t.Rows = append(t.Rows, Row{Cells: []string{
			wording.Opt(x.At, wording.Date), x.Rig, wording.Force(a.u, x.Force()), cmp.Or(string(x.Outcome), wording.NotRecorded),
			wording.Opt(x.MovementMM, func(mm float64) string { return wording.Length(a.u, geo.Length(mm)*geo.Millimetre) }),
			wording.Opt(x.BearingDeg, func(b geo.Bearing) string { return wording.Bearing(b.Degrees()) + " true" }),
			cmp.Or(string(x.Moisture), wording.NotRecorded), note,
		}, Loud: x.Outcome == survey.Failed})
	}
	b.Table = &t
	return []Block{b}
}

// nearby lists what the layers hold near the point, nearest first, and the
// locate record.
func (a *arranger) nearby(p PointInput) []Block {
	b := p.Point.BuriedUtilities
	list := []string{fmt.Sprintf("Locate of buried utilities: %s, ticket %s, good until %s.",
		cmp.Or(string(b.State), wording.NotRecorded), cmp.Or(b.Ticket, wording.NotRecorded), wording.Opt(b.Until, wording.Date))}
	const most = 12
	for i, n := range p.Near.Near {
		if i == most {
			list = append(list, fmt.Sprintf("And %d more, further away.", len(p.Near.Near)-most))
			break
		}
		s := string(n.Role)
		if n.Name != "" {
			s += " " + n.Name
		}
		s += ": " + a.length(n.Distance)
		if d, ok := n.Bearing.Get(); ok {
			s += " on " + wording.Bearing(d.Degrees()) + " true"
		}
		if kv, ok := n.KV.Get(); ok {
			s += fmt.Sprintf(", %g kV", kv)
		}
		list = append(list, s+", layer "+cmp.Or(n.Layer, wording.NotRecorded)+", data of "+wording.Opt(n.AsOf, wording.Date)+".")
	}
	for _, r := range []survey.Role{survey.RoleBuried, survey.RoleOverhead, survey.RoleRoad, survey.RoleWater} {
		if !p.Near.Roles[r] {
			list = append(list, fmt.Sprintf("No %s layer in the atlas: not known from files.", r))
		}
	}
	return []Block{{Heading: "What lies nearby", List: list}}
}
