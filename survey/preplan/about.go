package preplan

import (
	"cmp"
	"fmt"
	"slices"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// about arranges what concerns the whole site, in full: the texts the first
// page may have shortened, the layers, and the rules the answers rest on.
func (a *arranger) about() Part {
	s := a.Site
	p := Part{ID: About, Title: "About the site"}
	p.add(
		Block{Heading: "How to get there", Text: wording.Or(s.Access)},
		Block{Heading: "Staging", Text: wording.Or(s.Staging)},
		Block{Heading: "Hazards", List: a.hazards()},
		a.contacts(),
		Block{Heading: "Sign-off", Fields: a.state()},
		Block{Heading: "Notes", Text: wording.Or(s.Notes)},
		a.layers(),
	)
	return p
}

func (a *arranger) hazards() []string {
	out := sentences(a.Site.Hazards)
	if len(out) == 0 {
		out = []string{"Written by the surveyor: none recorded."}
	}
	for _, d := range [][2]string{
		{"Buried utilities", a.buried()}, {"Overhead lines", a.overhead()}, {"Edge", a.edge()}, {"Water", a.water()}, {"Traffic", a.nearest(survey.RoleRoad)},
	} {
		out = append(out, d[0]+": "+cmp.Or(d[1], wording.NotRecorded))
	}
	return out
}

func (a *arranger) contacts() Block {
	b := Block{Heading: "Contacts"}
	for _, c := range a.Site.Contacts {
		b.List = append(b.List, contactWords(c))
	}
	if len(b.List) == 0 {
		b.Text = "None recorded."
	}
	return b
}

// layers lists the layers the sheet drew on, each with the date of its data.
func (a *arranger) layers() Block {
	t := Table{Columns: []string{"layer", "role", "features near", "data of"}, Widths: []float64{80, 40, 30, 36}}
	type key struct {
		title string
		role  survey.Role
		asOf  string
	}
	count := map[key]int{}
	var order []key
	add := func(f survey.LayerFeature) {
		k := key{cmp.Or(f.Layer, f.LayerID, "a layer without a title"), f.Role, wording.Opt(f.AsOf, wording.Date)}
		if count[k]++; count[k] == 1 {
			order = append(order, k)
		}
	}
	for _, f := range a.Layers {
		add(f)
	}
	slices.SortFunc(order, func(x, y key) int {
		return cmp.Or(cmp.Compare(x.role, y.role), cmp.Compare(x.title, y.title), cmp.Compare(x.asOf, y.asOf))
	})
	for _, k := range order {
		t.Rows = append(t.Rows, Row{Cells: []string{k.title, string(k.role), fmt.Sprint(count[k]), k.asOf}})
	}
	b := Block{Heading: "Layers on the map"}
	if len(t.Rows) == 0 {
		b.Text = "None: nothing of water, roads, utilities or parcels is known from files here."
		return b
	}
	b.Table = &t
	return b
}

// rules lists the lines of the policy that the answers rest on, and every
// source that the sheet cites.
func (a *arranger) rules() Part {
	p := a.Policy
	var rows []Row
	row := func(name, value, source string) {
		if source == "" {
			value = wording.NotRecorded
		}
		rows = append(rows, Row{Cells: []string{name, value, a.cite(source)}})
	}
	length := func(name string, l survey.Line[geo.Length]) { row(name, a.length(l.Value), l.Source) }
	row("required ratio", wording.Ratio(p.RequiredRatio.Value), p.RequiredRatio.Source)
	row("below this ratio: no", wording.Ratio(p.FloorRatio.Value), p.FloorRatio.Source)
	row("working sector", "±"+wording.Angle(p.SectorDeg.Value), p.SectorDeg.Source)
	length("least setback", p.SetbackM)
	row("least setback, embedments", fmt.Sprintf("%g times the embedment", p.SetbackEmbedments.Value), p.SetbackEmbedments.Source)
	length("clear of buried lines, each side", p.UtilityToleranceM)
	row("survey again after", fmt.Sprintf("%g months", p.ResurveyMonths.Value), p.ResurveyMonths.Source)
	length("stake: length", p.Stake.LengthM)
	length("stake: in the ground", p.Stake.EmbedmentM)
	row("stake: diameter", wording.Thickness(a.u, p.Stake.DiameterMM.Value), p.Stake.DiameterMM.Source)
	length("row to row", p.Stake.SpacingM)
	row("lean", wording.Angle(p.Stake.LeanDeg.Value), p.Stake.LeanDeg.Source)
	for _, r := range p.Ratings {
		row("rating of a "+r.Rig+" rig, firm loam", wording.Force(a.u, survey.Force(r.HoldingN))+", estimate: handbook", r.Source)
	}
	for _, f := range p.GroundFactors {
		row("ground factor, "+string(f.Ground), wording.Opt(f.Factor, func(v float64) string { return fmt.Sprintf("%g times the rating", v) }), f.Source)
	}
	for _, l := range p.LoadCases {
		row(cmp.Or(l.Title, l.ID), wording.Demand(a.u, survey.Force(l.LoadN)), l.Source)
	}
	half := (len(rows) + 1) / 2
	table := func(rows []Row) []Block {
		return []Block{{Table: &Table{Columns: []string{"rule", "value", "source"}, Widths: []float64{38, 36, 12}, Rows: rows}}}
	}
	list := Table{Columns: []string{"no.", "source"}, Widths: []float64{8, 178}}
	for i, s := range a.sources {
		list.Rows = append(list.Rows, Row{Cells: []string{fmt.Sprintf("[%d]", i+1), s}})
	}
	out := Part{ID: Sources, Title: "Rules and sources"}
	out.add(
		Block{Text: "Rules used: policy " + cmp.Or(p.Version, wording.NotRecorded) + " of " + cmp.Or(p.Department, "a department "+wording.NotRecorded) + "."},
		Block{Columns: []Column{{0.5, table(rows[:half])}, {0.5, table(rows[half:])}}},
	)
	if len(a.sources) > 0 {
		out.add(Block{Heading: "Sources", Table: &list})
	}
	_, _, size := a.Paper.sizes()
	column := func(i int) []Block {
		if i >= len(a.charts) {
			return nil
		}
		c := a.charts[i]
		return []Block{{Heading: fmt.Sprintf("Figure %d: how the rig shares the pull, at %s (estimate: mechanics)", i+1, names(c.points)), Figures: []Figure{{c.drawing, size}}}}
	}
	for i := 0; i < len(a.charts); i += 2 {
		out.add(Block{Columns: []Column{{0.5, column(i)}, {0.5, column(i + 1)}}})
	}
	return out
}
