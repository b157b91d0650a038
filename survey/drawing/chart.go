package drawing

import (
	"fmt"
	"math"
	"strconv"

	"holdfast/survey"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/load"
)

// Forces shows how the load becomes the force on the anchor: one row for each
// step of the working, its force as a bar to one scale.
type Forces struct {
	Units survey.Units
	Load  load.Result
}

// Draw returns the drawing; it is as high as its steps need, whatever height
// is offered.
func (f Forces) Draw(size Size) Drawing {
	size = size.least()
	d := Drawing{Size: size, Title: "Forces: " + f.Load.Title}
	rows := append([]load.Step(nil), f.Load.Steps...)
	const result = "force on the anchor"
	if n := len(rows); n == 0 || rows[n-1].What != result || rows[n-1].ForceN != f.Load.ForceOnAnchorN {
		rows = append(rows, load.Step{What: result, ForceN: f.Load.ForceOnAnchorN})
	}
	most := 0.0
	for _, r := range rows {
		if !math.IsInf(r.ForceN, 0) {
			most = max(most, r.ForceN)
		}
	}
	const gap, r = 3.0, 2.3
	em := lettering.Point
	figures := 0.0
	for _, r := range rows {
		figures = max(figures, lettering.Width(lettering.Bold, Normal, wording.Demand(f.Units, survey.Force(r.ForceN))))
	}
	bars := max(6, size.W*0.44-figures-2)
	split := size.W - bars - figures - 2
	text := split - 2*r - 5
	y := 1.0
	for i, step := range rows {
		last := i == len(rows)-1
		what, _ := lettering.Line(step.What)
		how, _ := lettering.Line(step.How)
		head := lettering.Wrap(lettering.Bold, Normal, text, what)
		var fine []string
		if how != "" {
			fine = lettering.Wrap(lettering.Regular, Small, text, how)
		}
		h := float64(len(head))*Normal*em*1.2 + float64(len(fine))*Small*em*1.2
		c := Pt{r + 0.5, y + r}
		d.add(Circle{At: c, R: r, Pen: Pen{Width: Plain}, Fill: map[bool]Fill{true: Ink, false: Paper}[last]})
		d.add(Text{At: c.add(Pt{0, Normal * em * lettering.Cap / 2}), Text: strconv.Itoa(i + 1), Size: Normal, Bold: true, Align: Middle, Fill: map[bool]Fill{true: Paper, false: Ink}[last]})
		ty := y + Normal*em*lettering.Ascent
		for _, s := range head {
			d.add(Text{At: Pt{2*r + 3, ty}, Text: s, Size: Normal, Bold: true})
			ty += Normal * em * 1.2
		}
		ty -= (Normal - Small) * em
		for _, s := range fine {
			d.add(Text{At: Pt{2*r + 3, ty}, Text: s, Size: Small})
			ty += Small * em * 1.2
		}
		x := split
		long := 0.0
		if most > 0 && step.ForceN > 0 {
			long = bars * min(1, step.ForceN/most)
		}
		bar := Box{x, y + 0.4, x + max(long, 0.4), y + 2*r - 0.4}
		if last {
			d.area(Pen{Width: Plain}, Ink, bar.corners()...)
		} else {
			d.area(Pen{Width: Plain}, Paper, bar.corners()...)
		}
		d.add(Text{At: Pt{bar.X1 + 1.2, y + r + Normal*em*lettering.Cap/2}, Text: wording.Demand(f.Units, survey.Force(step.ForceN)), Size: Normal, Bold: last})
		next := y + max(h, 2*r) + gap
		if !last {
			d.arrow(Pen{Width: Plain}, Pt{c.X, y + 2*r + 0.3}, Pt{c.X, next - 0.3})
		}
		d.Desc += fmt.Sprintf("Step %d, %s: %s. ", i+1, what, wording.Demand(f.Units, survey.Force(step.ForceN)))
		y = next
	}
	d.H = y - gap + 1.5
	return d
}

// Share is the force in one part of a rig at a pull.
type Share struct{ Pull, Force survey.Force }

// Series is how the force in one part grows with the pull.
type Series struct {
	Name   string
	Points []Share // by growing pull
}

// Sharing is how the parts of a rig share the pull, as the mechanics has it.
type Sharing struct {
	Units  survey.Units
	Rig    string
	Series []Series
	Demand survey.Opt[survey.Force] // the force on the anchor, marked on the pull axis
}

var dashes = [][]float64{nil, {3, 1.2}, {1, 1}, {5, 1, 1, 1}, {2, 2}, {0.6, 1.6}}

// Draw returns the chart, pull to the right and force upwards, both in the
// first of the department's units.
func (s Sharing) Draw(size Size) Drawing {
	size = size.least()
	d := Drawing{Size: size, Title: "How a " + s.Rig + " rig shares the pull"}
	per, unit := float64(survey.PoundForce), "lbf"
	if s.Units == survey.UnitsSI {
		per, unit = float64(survey.Kilonewton), "kN"
	}
	px, py := 0.0, 0.0
	for _, r := range s.Series {
		for _, p := range r.Points {
			px, py = max(px, float64(p.Pull)/per), max(py, float64(p.Force)/per)
		}
	}
	if !(px > 0.01 && py > 0.01 && px < 1e9 && py < 1e9) { // nothing that can be read off an axis
		return saying(d, "No chart: the mechanics gives no curve here.")
	}
	if v, ok := s.Demand.Get(); ok {
		px = max(px, float64(v)/per)
	}
	c := axes(&d, px, py, "pull on the rig, "+unit, "force, "+unit)
	at, plot, py := c.at, c.plot, c.y
	l := newLabeller(&d, plot)
	if v, ok := s.Demand.Get(); ok {
		x := float64(v) / per
		d.line(Pen{Width: Bold, Dash: []float64{1.5, 1}}, at(x, 0), at(x, py))
		l.avoid(at(x, 0), at(x, py))
		l.place(label{text: "the load: " + wording.Demand(s.Units, v), at: at(x, py*0.97), clear: 1, size: Small, home: Pt{1, 0}, width: 28})
	}
	for i, r := range s.Series {
		var line []Pt
		for _, p := range r.Points {
			line = append(line, at(float64(p.Pull)/per, float64(p.Force)/per))
		}
		for _, part := range clipLine(line, plot) {
			d.line(Pen{Width: Bold, Dash: dashes[i%len(dashes)]}, part...)
			l.avoid(part...)
		}
	}
	d.Desc = "Force in each part of the rig against the pull, from the mechanics. "
	for _, r := range s.Series {
		if n := len(r.Points); n > 0 {
			end := r.Points[n-1]
			l.place(label{text: r.Name, at: at(float64(end.Pull)/per, float64(end.Force)/per), clear: 1, size: Small, bold: true, width: 34, home: Pt{-1, -0.5}})
			d.Desc += fmt.Sprintf("%s: %s at a pull of %s. ", r.Name, wording.Demand(s.Units, end.Force), wording.Demand(s.Units, end.Pull))
		}
	}
	l.finish()
	return d
}

// chart is a grid to draw curves on.
type chart struct {
	plot Box
	x, y float64 // where the axes end
}

// at is the place of two figures.
func (c chart) at(x, y float64) Pt {
	return Pt{c.plot.X0 + x/c.x*(c.plot.X1-c.plot.X0), c.plot.Y1 - y/c.y*(c.plot.Y1-c.plot.Y0)}
}

// axes draws a grid for figures up to px and py, both positive, with what they
// are.
func axes(d *Drawing, px, py float64, acrossWords, upWords string) chart {
	em := Small * lettering.Point
	sx, sy := niceStep(px), niceStep(py)
	for wide := lettering.Width(lettering.Regular, Small, axis(px, sx)) + 2; (d.W-30)*sx/px < wide; {
		sx = coarser(sx)
	}
	for (d.H-15)*sy/py < 1.4*em {
		sy = coarser(sy)
	}
	px, py = math.Ceil(px/sx-1e-9)*sx, math.Ceil(py/sy-1e-9)*sy
	tick := lettering.Width(lettering.Regular, Small, axis(py, sy))
	c := chart{plot: Box{em*1.6 + tick + 2.5, 3, d.W - 8, d.H - em*3 - 3}, x: px, y: py}
	grid := Path{Pen: Pen{Width: Thin, Dash: []float64{0.4, 1.2}}}
	for x := 0.0; x <= px*(1+1e-9); x += sx {
		grid.Lines = append(grid.Lines, []Pt{c.at(x, 0), c.at(x, py)})
		d.add(Text{At: c.at(x, 0).add(Pt{0, em*lettering.Ascent + 1.9}), Text: axis(x, sx), Size: Small, Align: Middle})
	}
	for y := 0.0; y <= py*(1+1e-9); y += sy {
		grid.Lines = append(grid.Lines, []Pt{c.at(0, y), c.at(px, y)})
		d.add(Text{At: c.at(0, y).add(Pt{-1, em * lettering.Cap / 2}), Text: axis(y, sy), Size: Small, Align: End})
	}
	d.add(grid)
	d.line(Pen{Width: Plain}, c.at(0, py), c.at(0, 0), c.at(px, 0))
	d.add(Text{At: Pt{c.plot.centre().X, d.H - em*lettering.Descent - 0.2}, Text: acrossWords, Size: Small, Align: Middle})
	d.add(Text{At: Pt{em * lettering.Ascent, c.plot.centre().Y}, Text: upWords, Size: Small, Align: Middle, Turned: true})
	return c
}

// niceStep divides a range into four to ten steps of 1, 2 or 5.
func niceStep(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v/4)))
	for _, k := range []float64{5, 2} {
		if v/(k*p) >= 4 {
			return k * p
		}
	}
	return p
}

// coarser returns the next step after 1, 2 or 5.
func coarser(step float64) float64 {
	if lead := step / math.Pow10(int(math.Floor(math.Log10(step)+1e-9))); lead > 1.5 && lead < 3 {
		return step * 2.5
	}
	return step * 2
}

func axis(v, step float64) string {
	if step >= 1 {
		return group(int(math.Round(v)))
	}
	return strconv.FormatFloat(v, 'f', int(math.Ceil(-math.Log10(step)-1e-9)), 64)
}
