package preplan

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

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
		out = append(out, a.holds(best)...)
	}
	out = append(out, Block{Heading: "From the load to the anchor, and the bearing of the pull", Fields: append(a.load(p, best), a.pullReadings(p.Answer.Pull, best.Main.Checks)...)})
	known := append(append(a.ground(p), a.nearby(p)...), a.found(p.Point)...)
	if len(p.Point.PullTests) == 0 {
		known = append(known, Field{Name: "Pull tests", Text: "none recorded at this point"})
	}
	out = append(out, Block{Heading: "Ground and surroundings", Fields: known})
	if len(p.Point.PullTests) > 0 {
		out = append(out, a.pullTests(p.Point))
	}
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
	t := Table{Columns: []string{"", "anchor", "verdict", "holds", "ratio", "stakes, people", "why it ranks here"}, Widths: []float64{4, 46, 16, 52, 12, 22, 40}}
	for _, o := range p.Answer.Options {
		name := o.Main.Anchor.Name()
		if sameRig(o) {
			name += "; belay the same"
		} else if o.Belay != nil {
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
			fmt.Sprintf("%d, %d, %d min", o.Kit.Stakes, o.People, o.Minutes), a.why(o),
		}})
	}
	b.Table = &t
	return b
}

// why says why an option ranks where it does. That it ranks below the one above
// it can be seen.
func (a *arranger) why(o answer.Option) string {
	if reason, ok := strings.CutPrefix(o.Why, fmt.Sprintf("ranked below %d because it ", o.Rank-1)); ok {
		return reason
	}
	return cmp.Or(o.Why, "-")
}

// holds lists the figures of main and belay, those that are the same once.
func (a *arranger) holds(o answer.Option) []Block {
	t := Table{Columns: []string{"anchor", "evidence", "holding power", "range, 5 to 95 %", "counts", "source"}, Widths: []float64{46, 40, 33, 42, 19, 12}}
	var notes []string
	list := func(what string, pl answer.Placed) {
		if len(pl.Anchor.Evidence) == 0 {
			t.Rows = append(t.Rows, Row{Cells: []string{what, "no figure is known", "holding power " + wording.Unknown, "-", "-", "-"}, Loud: true})
		}
		for _, f := range pl.Anchor.Evidence {
			t.Rows = append(t.Rows, a.figureRow(what, f, f.Used && f.Grade == pl.Anchor.Governs))
			if f.Note != "" {
				notes = append(notes, fmt.Sprintf("%s, %s: %s", what, wording.Grade(f.Grade), f.Note))
			}
		}
	}
	list("main: "+o.Main.Anchor.Name(), o.Main)
	same := false
	if b := o.Belay; b != nil {
		same = sameRig(o) && b.Anchor.Governs == o.Main.Anchor.Governs && slices.Equal(b.Anchor.Evidence, o.Main.Anchor.Evidence)
		if same {
			t.Rows = append(t.Rows, Row{Cells: []string{"belay: " + b.Anchor.Name(), "as the main rig", "as the main rig", "as the main rig", "same", "same"}})
		} else {
			list("belay: "+b.Anchor.Name(), *b)
		}
	}
	words := a.behaviour(o.Main)
	all := append(notes, words...)
	if o.Belay != nil {
		if w := a.behaviour(*o.Belay); !same || !slices.Equal(w, words) {
			for _, s := range w {
				all = append(all, "belay: "+s)
			}
		}
	}
	return []Block{{Heading: "What the anchors hold", Table: &t}, {List: all}}
}

// behaviour says how an anchor fails, what its lashings carry, and why it is
// judged as it is.
func (a *arranger) behaviour(pl answer.Placed) (list []string) {
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
		list = append(list, s)
	}
	if r := sentences(pl.Reasons); len(r) > 0 {
		list = append(list, "Why: "+strings.Join(r, "; ")+".")
	}
	return list
}

func (a *arranger) figureRow(what string, f rig.Figure, governs bool) Row {
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
	return Row{Cells: []string{what, wording.Grade(f.Grade), wording.Force(a.u, survey.Force(f.HoldingN)), spread, counts, a.cite(f.Source)}, Loud: governs}
}

// load is how the load becomes the force on the anchor, step by step.
func (a *arranger) load(p PointInput, best answer.Option) []Field {
	l := p.Answer.LoadCase
	var steps []string
	for i, s := range l.Steps {
		what := fmt.Sprintf("%d %s", i+1, s.What)
		if s.How != "" && s.How != l.Title {
			what += ": " + s.How
		}
		steps = append(steps, what+" = "+wording.Demand(a.u, survey.Force(s.ForceN))+" "+a.cite(s.Source))
	}
	if n := len(l.Steps); n == 0 || l.Steps[n-1].ForceN != l.ForceOnAnchorN {
		steps = append(steps, "force on the anchor = "+wording.Demand(a.u, l.Force()))
	}
	haul := "no haul system"
	if v, ok := l.HaulForceN.Get(); ok {
		haul = "pull on the haul rope " + wording.Demand(a.u, survey.Force(v)) + ", " + wording.Opt(l.HaulPeople, func(n float64) string { return wording.Count(int(n), "person", "people") })
	}
	if v, ok := l.HaulAnchorN.Get(); ok {
		haul += "; force on the haul system's anchor " + wording.Demand(a.u, survey.Force(v))
	}
	if v, ok := l.RedirectN.Get(); ok {
		haul += "; force on the redirect's own anchor " + wording.Demand(a.u, survey.Force(v))
	}
	if len(p.Sharing) > 0 {
		demand := p.Answer.LoadCase.Force() / survey.Force(max(best.Main.Anchor.Count, 1))
		haul += fmt.Sprintf("; how the rig shares the pull, estimate by mechanics: figure %d, at the end of the sheet", a.chart(label(p.Point), best.Main.Anchor.Rig, p.Sharing, demand))
	}
	out := []Field{
		{Name: "Load", Text: cmp.Or(l.Title, "load case "+wording.NotRecorded) + ": " + strings.Join(steps, " → ")},
		{Name: "Haul", Text: haul},
	}
	if d := sentences(l.Doubts); len(d) > 0 {
		out = append(out, Field{Name: "Doubts", Text: strings.Join(d, "; ")})
	}
	return out
}

// chart is how a rig shares the pull, drawn once for all points where that is
// the same.
type chart struct {
	points  []string
	drawing drawing.Sharing
}

// chart returns the number of the figure that shows a curve.
func (a *arranger) chart(point, name string, series []drawing.Series, demand survey.Force) int {
	d := drawing.Sharing{Units: a.u, Rig: name, Series: series, Demand: survey.Known(demand)}
	i := slices.IndexFunc(a.charts, func(c chart) bool { return reflect.DeepEqual(c.drawing, d) })
	if i < 0 {
		i = len(a.charts)
		a.charts = append(a.charts, chart{drawing: d})
	}
	a.charts[i].points = append(a.charts[i].points, point)
	return i + 1
}

// pullReadings lists what the pull bearing was read from, the one used first,
// and the norths. Doubts that a check has put in its own words are not said
// again.
func (a *arranger) pullReadings(p answer.Pull, checks []answer.Check) []Field {
	list := []string{"the pull bearing is " + wording.Unknown}
	for i, r := range p.Readings {
		used := "compared"
		if i == 0 {
			list, used = nil, "USED"
		}
		list = append(list, fmt.Sprintf("%s: %s true, %s magnetic, %s", used, wording.Bearing(r.TrueDeg.Degrees()), Magnetic(r.TrueDeg, p), cmp.Or(r.Source, "source "+wording.NotRecorded)))
	}
	norths := "declination " + wording.Opt(p.DeclinationDeg, wording.Declination)
	if e, ok := p.DeclinationErrDeg.Get(); ok {
		norths += fmt.Sprintf(" ±%.1f°", e)
	}
	norths += ", grid convergence " + wording.Opt(p.ConvergenceDeg, wording.Declination)
	out := []Field{{Name: "Bearing", Text: strings.Join(list, "; ")}, {Name: "Norths", Text: norths}}
	said := func(doubt string) bool {
		return slices.ContainsFunc(checks, func(c answer.Check) bool { return strings.Contains(c.Message, doubt) })
	}
	if d := slices.DeleteFunc(sentences(p.Doubts), said); len(d) > 0 {
		out = append(out, Field{Name: "Doubts", Text: strings.Join(d, "; ")})
	}
	return out
}

func (a *arranger) ground(p PointInput) []Field {
	g := p.Answer.Ground
	var class, tests []string
	if because := sentences(g.Because); g.Class == "" || len(because) == 0 {
		class = append(class, "reason for the class: "+wording.NotRecorded)
	} else {
		class = append(class, string(g.Class)+" because "+strings.Join(because, "; and because "))
	}
	if g.Assumed {
		class = append(class, "the class is assumed: it is as written, with no test behind it")
	}
	if u := sentences(g.Unsettled); len(u) > 0 {
		class = append(class, "not known, and could lower the class: "+strings.Join(u, "; "))
	}
	if g.Unsuitable != "" {
		class = append(class, "NO STAKE FIGURE HERE: "+g.Unsuitable)
	}
	kpa := func(v float64) string { return wording.Strength(a.u, survey.Pressure(v)*survey.Kilopascal) }
	if g.QuLowKPa.Known() || g.QuHighKPa.Known() {
		class = append(class, "unconfined strength from "+wording.Opt(g.QuLowKPa, kpa)+" to "+wording.Opt(g.QuHighKPa, kpa)+", estimate by class")
	}
	for _, t := range p.Point.Ground.Tests {
		reading := strings.TrimSpace(cmp.Or(t.Reading.String(), wording.NotRecorded) + " " + t.Unit)
		tests = append(tests, fmt.Sprintf("%s: %s, %s", t.Kind, reading, wording.Opt(t.At, func(d time.Time) string { return "on " + wording.Date(d) })))
	}
	if len(tests) == 0 {
		tests = []string{"none recorded"}
	}
	ask := func(name string, v survey.Answer) string { return name + " " + cmp.Or(string(v), wording.NotRecorded) }
	q := p.Point.Ground
	asked := ask("dug or filled before", q.Disturbed) + ", " + ask("fissured", q.Fissured) + ", " + ask("seeping", q.Seeping) + ", " +
		ask("vibration", q.Vibration) + ", " + ask("layers dip into the slope", q.LayersDip) + ", a bar stops at " + wording.Opt(q.DepthToRefusalM, a.length)
	out := []Field{{Name: "Class", Text: strings.Join(class, "; ")}, {Name: "Tests", Text: strings.Join(tests, "; ")}, {Name: "Asked", Text: asked}}
	if d := sentences(g.Doubts); len(d) > 0 {
		out = append(out, Field{Name: "Doubts", Text: strings.Join(d, "; ")})
	}
	return out
}

func (a *arranger) found(p survey.Point) (out []Field) {
	if len(p.Anchors) == 0 {
		return []Field{{Name: "Found here", Text: "no other anchor recorded"}}
	}
	for _, x := range p.Anchors {
		out = append(out, Field{Name: "Found here", Text: a.anchorWords(x)})
	}
	return out
}

func (a *arranger) pullTests(p survey.Point) Block {
	t := Table{Columns: []string{"date", "anchor", "pulled to", "end", "moved", "bearing", "ground", "instrument and note"}, Widths: []float64{20, 16, 34, 13, 22, 16, 16, 50}}
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
	return Block{Heading: "Pull tests at this point", Table: &t}
}

// nearby lists what the layers hold near the point, nearest first, and the
// locate record. The layers stand in the part About with their dates.
func (a *arranger) nearby(p PointInput) []Field {
	b := p.Point.BuriedUtilities
	locate := fmt.Sprintf("of buried utilities: %s, ticket %s, good until %s",
		cmp.Or(string(b.State), wording.NotRecorded), cmp.Or(b.Ticket, wording.NotRecorded), wording.Opt(b.Until, wording.Date))
	const most = 12
	var near, missing []string
	dated := ""
	for i, n := range p.Near.Near {
		if i == most {
			near = append(near, fmt.Sprintf("and %d more, further away", len(p.Near.Near)-most))
			break
		}
		s := strings.TrimSpace(string(n.Role)+" "+n.Name) + " " + a.length(n.Distance)
		if d, ok := n.Bearing.Get(); ok {
			s += " on " + wording.Bearing(d.Degrees()) + " true"
		}
		if kv, ok := n.KV.Get(); ok {
			s += fmt.Sprintf(", %g kV", kv)
		}
		date := "data of " + wording.Opt(n.AsOf, wording.Date)
		if dated == "" {
			dated = date
		}
		if date != dated {
			s += " (" + date + ")"
		}
		near = append(near, s)
	}
	if len(near) == 0 {
		near = []string{"nothing on file within reach"}
	} else {
		near = append([]string{dated + " where no other date is given"}, near...)
	}
	out := []Field{{Name: "Locate", Text: locate}, {Name: "Nearby", Text: strings.Join(near, "; ")}}
	for _, r := range []survey.Role{survey.RoleBuried, survey.RoleOverhead, survey.RoleRoad, survey.RoleWater} {
		if !p.Near.Roles[r] {
			missing = append(missing, string(r))
		}
	}
	if len(missing) > 0 {
		out = append(out, Field{Name: "Not on file", Text: "no layer in the atlas, so not known from files: " + strings.Join(missing, ", "), Loud: true})
	}
	return out
}
