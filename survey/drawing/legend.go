package drawing

import (
	"slices"
	"strings"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/lettering"
)

// entry is one line of the legend: a sample and what it stands for.
type entry struct {
	text string
	draw func(d *Drawing, at Pt)
}

const sample = 8.0 // mm

func (g *mapper) entries() []entry {
	var out []entry
	for _, v := range answer.Verdicts {
		if slices.ContainsFunc(g.Spots, func(s Spot) bool { return s.Verdict == v || v == answer.Unknown && s.Verdict == "" }) {
			out = append(out, entry{strings.ToLower(VerdictWord(v)), func(d *Drawing, at Pt) { d.add(VerdictMark(v, at.add(Pt{sample / 2, 0}), 1.5)...) }})
		}
	}
	has := func(is func(Spot) bool) bool { return slices.ContainsFunc(g.Spots, is) }
	if has(func(s Spot) bool { return s.Best }) {
		out = append(out, entry{"best anchor (ring)", func(d *Drawing, at Pt) {
			d.add(Circle{At: at.add(Pt{sample / 2, 0}), R: 1.7, Pen: Pen{Width: Plain}})
		}})
	}
	if has(func(s Spot) bool { return s.Pull.Known() }) {
		out = append(out, entry{"pull bearing", func(d *Drawing, at Pt) { d.arrow(Pen{Width: Bold}, at, at.add(Pt{sample - 1, 0})) }})
	}
	if has(func(s Spot) bool { return s.Sector.Known() }) {
		out = append(out, entry{"working sector", func(d *Drawing, at Pt) {
			c := at.add(Pt{0.5, 0})
			d.line(Pen{Width: Thin}, append(append([]Pt{c}, arc(c, sample-1.5, 75, 105)...), c)...)
		}})
	}
	if len(g.Spots) > 0 {
		out = append(out, entry{"A B C rock: ground class, ? not known", nil})
	}
	for _, role := range roleOrder {
		if !g.shown[role] {
			continue
		}
		out = append(out, entry{string(role), func(d *Drawing, at Pt) {
			if role == survey.RoleWater || role == survey.RoleBuilding {
				b := Box{at.X, at.Y - 1.2, at.X + sample - 1, at.Y + 1.2}
				deg, gap := 0.0, 0.8
				if role == survey.RoleBuilding {
					deg, gap = 45, 1
				}
				d.add(hatch([][]Pt{b.corners()}, deg, gap, Pen{Width: Thin}))
				d.area(strokes[role], Empty, b.corners()...)
				return
			}
			d.stroke(role, at, at.add(Pt{sample - 1, 0}))
			if role == survey.RoleOverhead {
				d.line(Pen{Width: Plain}, at.add(Pt{3.5, -1.2}), at.add(Pt{3.5, 1.2}))
			}
		}})
	}
	if g.Site != nil && g.Site.GeoJSONType() != "Point" {
		out = append(out, entry{"site", func(d *Drawing, at Pt) {
			d.line(Pen{Width: Thin, Dash: []float64{3, 1, 0.6, 1, 0.6, 1}}, at, at.add(Pt{sample - 1, 0}))
		}})
	}
	for _, w := range g.words {
		out = append(out, entry{w, nil})
	}
	return out
}

const legendRow = 3.8

// legendHeight reserves room for the longest legend these features can have.
func (g *mapper) legendHeight(width float64) float64 {
	all := *g
	all.shown = map[survey.Role]bool{}
	for _, f := range g.Layers {
		all.shown[f.Role] = true
	}
	all.words = []string{"grid ticks: USNG 00X XX, every 10,000 m"}
	var tmp Drawing
	return flow(&tmp, all.entries(), Size{width, 0}, 0) + 1
}

func (g *mapper) legend(size Size, height float64) {
	flow(g.d, g.entries(), size, size.H-height-footHeight+0.5)
}

// flow sets the entries in rows from y downwards and returns the height.
func flow(d *Drawing, entries []entry, size Size, y float64) float64 {
	em := Small * lettering.Point
	x, rows := 0.5, 1.0
	for _, e := range entries {
		t := Text{Text: e.text, Size: Small}
		lead := 0.0
		if e.draw != nil {
			lead = sample + 0.5
		}
		if w := lead + t.Width(); x > 1 && x+w > size.W {
			x, rows = 0.5, rows+1
		}
		at := Pt{x, y + (rows-0.5)*legendRow}
		if e.draw != nil {
			e.draw(d, at)
		}
		t.At = at.add(Pt{lead, em * lettering.Cap / 2})
		d.add(t)
		x += lead + t.Width() + 4
	}
	return rows * legendRow
}
