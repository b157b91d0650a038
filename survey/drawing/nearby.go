package drawing

import (
	"math"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/surround"
)

// roadWidth is the width of a road, which is drawn as two edges.
const roadWidth = 1.6

// strokes are how the lines of each role are drawn.
var strokes = map[survey.Role]Pen{
	survey.RoleCrest:    {Width: Bold},
	survey.RoleToe:      {Width: Plain, Dash: []float64{1.6, 1.6}},
	survey.RoleWater:    {Width: Plain},
	survey.RoleRoad:     {Width: roadWidth},
	survey.RoleBuried:   {Width: Bold, Dash: []float64{4, 1}},
	survey.RoleOverhead: {Width: Plain, Dash: []float64{5, 1, 0.8, 1}},
	survey.RoleParcel:   {Width: Thin, Dash: []float64{0.6, 1.4}},
	survey.RoleBuilding: {Width: Plain},
	survey.RoleAccess:   {Width: Bold, Dash: []float64{0.8, 1.4}},
	survey.RoleOther:    {Width: Thin},
}

// stroke draws a line in the manner of its role.
func (d *Drawing) stroke(role survey.Role, line ...Pt) {
	d.line(strokes[role], line...)
	if role == survey.RoleRoad {
		d.add(Path{Lines: [][]Pt{line}, Pen: Pen{Width: roadWidth - 2*Plain, Paper: true}})
	}
}

// around draws what the layers show within the frame, buried lines with the
// strip in which no stake may be driven.
func (g *planner) around() {
	for _, n := range g.Near {
		if n.Role == survey.RoleParcel || n.Role == survey.RoleElevation {
			continue
		}
		g.nearby(n)
	}
}

func (g *planner) nearby(n surround.Near) {
	shape := g.s.geometry(n.Feature.Geometry)
	var seen [][]Pt
	for _, line := range shape.outlines() {
		seen = append(seen, clipLine(line, g.frame)...)
	}
	for _, p := range shape.places {
		if g.frame.has(p) {
			g.d.add(Circle{At: p, R: 1, Pen: strokes[n.Role]})
			seen = append(seen, []Pt{p, p})
		}
	}
	clear := g.Tolerance
	if own, ok := n.Tolerance.Get(); ok {
		clear = own
	}
	if n.Role == survey.RoleBuried {
		g.refuse(shape, clear+n.HalfWidth)
	}
	if len(seen) == 0 {
		return
	}
	for _, part := range seen {
		if n.Role == survey.RoleCrest {
			g.edgeLine(part)
			continue
		}
		g.d.stroke(n.Role, part...)
		g.l.avoid(part...)
	}
	name := string(n.Role)
	if n.Name != "" {
		name += " " + n.Name
	}
	if n.Role == survey.RoleBuried {
		name += ": no stake within " + wording.Length(g.Units, clear)
	}
	longest := seen[0]
	for _, part := range seen {
		if length(part) > length(longest) {
			longest = part
		}
	}
	g.l.place(label{text: name, at: along(longest, 0.5), or: []Pt{along(longest, 0.15), along(longest, 0.85)}, clear: 1, size: Normal, bold: n.Role == survey.RoleBuried, width: 34, rank: 1})
}

// refuse hatches the strip along buried lines in which no stake may be driven,
// so far to each side of the line.
func (g *planner) refuse(shape geometry, clear geo.Length) {
	r := g.s.mm(clear.Metres())
	near := g.frame.grow(r)
	pen := Pen{Width: Thin}
	fill := func(ring []Pt) {
		if ring = clipArea(ring, g.frame); len(ring) > 2 {
			g.d.add(hatch([][]Pt{ring}, 45, 1.6, pen))
		}
	}
	outlines := shape.outlines()
	for _, p := range shape.places {
		outlines = append(outlines, []Pt{p, p})
	}
	for _, line := range outlines {
		for i := 0; i+1 < len(line); i++ {
			p, q, ok := clipSegment(line[i], line[i+1], near)
			if !ok {
				continue
			}
			if side := q.sub(p).unit().right().times(r); p != q {
				fill([]Pt{p.add(side), q.add(side), q.sub(side), p.sub(side)})
			}
			fill(arc(p, r, 0, 360))
			fill(arc(q, r, 0, 360))
		}
	}
	for _, rings := range shape.areas {
		for _, ring := range rings {
			fill(ring)
		}
	}
}

func length(line []Pt) float64 {
	l := 0.0
	for i := 0; i+1 < len(line); i++ {
		l += line[i+1].sub(line[i]).length()
	}
	return l
}

// along returns the place at a share of the length of a line.
func along(line []Pt, share float64) Pt {
	left := length(line) * share
	for i := 0; i+1 < len(line); i++ {
		l := line[i+1].sub(line[i]).length()
		if left <= l && l > 0 {
			return line[i].toward(line[i+1], left/l)
		}
		left -= l
	}
	return line[len(line)-1]
}

// saying turns a drawing that cannot be drawn into a framed sentence.
func saying(d Drawing, text string) Drawing {
	d.Desc = text
	frame := d.box().grow(-Plain)
	lines := lettering.Wrap(lettering.Bold, Large, math.Max(10, d.W-12), text)
	const leading = Large * lettering.Point * 1.25
	y := frame.centre().Y - leading*(float64(len(lines))/2-0.8)
	for i, line := range lines {
		d.add(Text{At: Pt{frame.centre().X, y + leading*float64(i)}, Text: line, Size: Large, Bold: true, Align: Middle})
	}
	d.area(Pen{Width: Plain}, Empty, frame.corners()...)
	return d
}
