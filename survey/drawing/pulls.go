package drawing

import (
	"fmt"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// Moved is how far a rig has given under a pull.
type Moved struct {
	By   geo.Length
	Pull survey.Force
}

// Pulled is a pull test as a chart marks it.
type Pulled struct {
	Moved
	Name    string
	Outcome survey.TestOutcome
}

// Pulls sets the pull tests of a rig beside the load curve that the mechanics
// gives it.
type Pulls struct {
	Units survey.Units
	Rig   string
	Curve []Moved // by growing movement; none when there is none
	Tests []Pulled
	Value survey.Opt[survey.Force] // the characteristic value of the tests
}

// Draw returns the chart, movement to the right and pull upwards. A test that
// held is a full disc, one that moved a ring with a dot, one that failed a
// cross.
func (p Pulls) Draw(size Size) Drawing {
	size = size.least()
	d := Drawing{Size: size, Title: "Pull tests of the " + p.Rig + " rig"}
	perF, unitF, perL, unitL := survey.PoundForce, "lbf", geo.Inch, "in"
	if p.Units == survey.UnitsSI {
		perF, unitF, perL, unitL = survey.Kilonewton, "kN", geo.Millimetre, "mm"
	}
	px, py, far := 0.0, 0.0, 0.0
	for _, t := range p.Tests {
		far, py = max(far, float64(t.By/perL)), max(py, float64(t.Pull/perF))
	}
	for _, m := range p.Curve {
		py = max(py, float64(m.Pull/perF))
		px = max(px, float64(m.By/perL))
	}
	if far > 0 {
		px = min(max(px, far), max(far*1.6, float64(2*geo.Inch/perL))) // the curve goes on beyond what was seen
	}
	if !(px > 0.01 && py > 0.01 && px < 1e9 && py < 1e9) {
		return saying(d, "No chart: no movement was recorded and the mechanics gives no curve here.")
	}
	c := axes(&d, px, py*1.08, "movement, "+unitL, "pull, "+unitF)
	l := newLabeller(&d, c.plot)
	var line []Pt
	for _, m := range p.Curve {
		line = append(line, c.at(float64(m.By/perL), float64(m.Pull/perF)))
	}
	for _, part := range clipLine(line, c.plot) {
		d.line(Pen{Width: Bold}, part...)
		l.avoid(part...)
		end := part[len(part)-1]
		l.place(label{text: "mechanics", at: end, clear: 1.2, size: Small, width: 24, home: Pt{-1, -0.6}})
	}
	d.Desc = "Pull against movement. "
	if len(p.Curve) > 0 {
		d.Desc += "A line shows the curve of the mechanics. "
	}
	if v, ok := p.Value.Get(); ok {
		y := float64(v / perF)
		a, b := c.at(0, y), c.at(c.x, y)
		d.line(Pen{Width: Plain, Dash: []float64{2, 1.2}}, a, b)
		l.avoid(a, b)
		l.place(label{text: "characteristic value " + wording.Force(p.Units, v), at: Pt{a.X + 2, a.Y}, clear: 0.8, size: Small, width: 50, home: Pt{1, -0.6}})
		d.Desc += "A dashed line shows the characteristic value of the tests, " + wording.Force(p.Units, v) + ". "
	}
	for _, t := range p.Tests {
		at := c.at(float64(t.By/perL), float64(t.Pull/perF))
		d.pulled(at, t.Outcome)
		l.block(Box{at.X - 1.6, at.Y - 1.6, at.X + 1.6, at.Y + 1.6})
		l.place(label{text: t.Name, at: at, clear: 2, size: Small, bold: true, width: 30, home: Pt{1, -0.4}})
		d.Desc += fmt.Sprintf("%s: %s at %s, movement %s. ", t.Name, t.Outcome, wording.Force(p.Units, t.Pull), wording.Length(p.Units, t.By))
	}
	l.finish()
	return d
}

// pulled marks a test.
func (d *Drawing) pulled(at Pt, o survey.TestOutcome) {
	const r = 1.4
	switch o {
	case survey.Held:
		d.add(Circle{At: at, R: r, Pen: Pen{Width: Plain}, Fill: Ink})
	case survey.Failed:
		d.line(Pen{Width: Bold}, at.add(Pt{-r, -r}), at.add(Pt{r, r}))
		d.line(Pen{Width: Bold}, at.add(Pt{-r, r}), at.add(Pt{r, -r}))
	default:
		d.add(Circle{At: at, R: r, Pen: Pen{Width: Bold}, Fill: Paper}, Circle{At: at, R: 0.4, Pen: Pen{Width: Plain}, Fill: Ink})
	}
}
