package drawing

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/rig"
	"holdfast/survey/surround"
)

// Plan is an anchor seen from above, to scale, the pull towards the top of
// the paper: every stake by row along the back-bearing, lashings, foot tie,
// working sector, the edge of the bank and what lies in the ground nearby.
type Plan struct {
	Units    survey.Units
	Point    string    // label of the point
	Position orb.Point // of the point: the setback is measured from it
	Main     answer.Placed
	Belay    *answer.Placed
	Pull     answer.Pull
	At       time.Time // the day of the declination
	Setback  survey.Opt[geo.Length]
	// Tolerance is kept clear on each side of a buried line that has none of
	// its own.
	Tolerance geo.Length
	Near      []surround.Near
}

// NewPlan is the plan of an option at a point. The setback is the written one,
// else that of the crest on file.
func NewPlan(p survey.Point, near surround.Around, a answer.Answer, o answer.Option, policy survey.Policy) Plan {
	setback := p.Terrain.SetbackM
	if !setback.Known() {
		setback = near.Setback
	}
	return Plan{
		Units: policy.Units, Point: cmp.Or(p.Label, "a point without a label"), Position: p.Position, Main: o.Main, Belay: o.Belay, Pull: a.Pull,
		At: a.AsOf, Setback: setback, Tolerance: policy.UtilityToleranceM.Value, Near: near.Near,
	}
}

// furthest is how far ahead of the anchor the edge is still drawn, in metres.
const furthest = 12.0

type planner struct {
	Plan
	d     *Drawing
	l     *labeller
	s     sheet
	frame Box
	edge  survey.Opt[float64] // metres ahead of the anchor to the crest
}

// Draw returns the plan at the largest round scale that fits. Without a
// layout or a pull bearing there is nothing to draw to scale: the drawing
// then says so in words.
func (p Plan) Draw(size Size) Drawing {
	size = size.least()
	d := Drawing{Size: size, Title: "Plan of " + cmp.Or(p.Point, "the anchor")}
	frame := Box{Plain, Plain, size.W - Plain, size.H - northHeight - 0.5}
	pull, known := p.Pull.TrueDeg.Get()
	if p.Main.Layout == nil || !known {
		return saying(d, "No plan: "+why(!known, "the pull bearing is unknown", "nothing is laid out here"))
	}
	g := planner{Plan: p, d: &d, frame: frame}
	g.l = newLabeller(&d, frame.grow(-0.5))
	front := p.Main.Layout.Front()
	s, ok := newSheet(front, Pt{}, 1, pull.Degrees())
	if !ok {
		return saying(d, "No plan: the position of the anchor is not on the map.")
	}
	g.s = s
	if v, ok := p.Setback.Get(); ok {
		_, ahead, _ := s.metres(p.Position)
		g.edge = survey.Known(ahead + v.Metres())
	}
	g.fit()
	d.Desc = g.describe()
	g.around()
	g.crest()
	g.sector()
	g.anchors()
	g.mark()
	g.bearings()
	g.dimensions()
	g.l.finish()
	d.area(Pen{Width: Plain}, Empty, frame.corners()...)
	left := d.norths(North{p.Pull.DeclinationDeg, p.Pull.ConvergenceDeg, p.At}, pull.Degrees(), northHeight)
	d.foot(p.Units, left, g.s.scale)
	return d
}

func why(is bool, yes, no string) string {
	if is {
		return yes + "."
	}
	return no + "."
}

// fit chooses scale and place so that every stake, the edge when it is near,
// and room for the labels are on the paper.
func (g *planner) fit() {
	x0, x1, y0, y1 := -1.2, 1.2, -0.8, 1.5
	take := func(p orb.Point) {
		if r, a, ok := g.s.metres(p); ok && math.Hypot(r, a) < 100 {
			x0, x1, y0, y1 = min(x0, r-0.8), max(x1, r+0.8), min(y0, a-0.8), max(y1, a+0.8)
		}
	}
	for _, pl := range []*answer.Placed{&g.Main, g.Belay} {
		if pl == nil || pl.Layout == nil {
			continue
		}
		take(pl.Layout.Front())
		for _, st := range pl.Layout.Stakes {
			take(orb.Point{st.Lon, st.Lat})
		}
	}
	if l := g.Main.Layout; l.MarkDistanceM > away && l.MarkDistanceM.Metres() <= furthest {
		take(g.Position)
	}
	y1 = max(y1, 2.2, min(g.Main.Layout.CollectorM.Metres()+0.4, furthest))
	if e, ok := g.edge.Get(); ok && e > 0 && e <= furthest {
		y1 = max(y1, e+0.9)
	}
	// Labels need room beside and below the stakes.
	w, h := g.frame.X1-g.frame.X0-14, g.frame.Y1-g.frame.Y0-14
	scale := max(scaleFor(x1-x0, w), scaleFor(y1-y0, h))
	mid := Pt{(g.frame.X0 + g.frame.X1) / 2, (g.frame.Y0+g.frame.Y1)/2 - 2}
	g.s.scale = scale
	g.s.at = mid.sub(Pt{g.s.mm((x0 + x1) / 2), -g.s.mm((y0 + y1) / 2)})
}

// mark draws the surveyed point where the anchor does not stand at it, with the
// way from it to the anchor.
func (g *planner) mark() {
	from, apart := g.Main.Layout.MarkBearingDeg.Get()
	p, ok := g.s.on(g.Position)
	if !apart || !ok || g.Main.Layout.MarkDistanceM <= away {
		return
	}
	way := wording.Length(g.Units, g.Main.Layout.MarkDistanceM)
	if !g.frame.grow(-3).has(p) {
		// Off the paper: a place on the way to it.
		u := p.sub(g.s.at).unit()
		g.l.place(label{
			text: "marked point " + way + " away, on " + wording.Bearing(from.Back().Degrees()) + " true", at: g.s.at.add(u.times(14)), or: []Pt{g.s.at.add(u.times(22))},
			clear: 1.5, size: Normal, bold: true, width: 34, home: Pt{-1, 0}, rank: -1,
		})
		return
	}
	const arm = 2
	g.d.line(Pen{Width: Bold}, p.add(Pt{-arm, 0}), p.add(Pt{arm, 0}))
	g.d.line(Pen{Width: Bold}, p.add(Pt{0, -arm}), p.add(Pt{0, arm}))
	g.l.block(Box{p.X - arm, p.Y - arm, p.X + arm, p.Y + arm})
	g.l.place(label{text: "marked point; the anchor stands " + way + " from it, on " + wording.Bearing(from.Degrees()) + " true", at: p, clear: arm + 0.6, size: Normal, bold: true, width: 36, home: Pt{1, 0}, rank: -1, firm: true})
}

func (g *planner) describe() string {
	t := fmt.Sprintf("Plan of %s at scale %s, pull towards the top", g.Main.Anchor.Name(), scaleText(g.s.scale))
	if v, ok := g.Pull.TrueDeg.Get(); ok {
		t += ", " + wording.Bearing(v.Degrees()) + " true"
	}
	if l := g.Main.Layout; l.MarkDistanceM > away {
		b, _ := l.MarkBearingDeg.Get()
		t += "; the anchor stands " + wording.Length(g.Units, l.MarkDistanceM) + " from the marked point, on " + wording.Bearing(b.Degrees()) + " true"
	}
	if e, ok := g.edge.Get(); ok {
		t += "; the edge of the bank lies " + wording.Length(g.Units, geo.Length(e)) + " ahead of the anchor"
	} else {
		t += "; the distance to the edge of the bank is not recorded"
	}
	return t + "."
}

// crest draws the edge of the bank square to the pull where no layer shows it.
func (g *planner) crest() {
	e, ok := g.edge.Get()
	if !ok || e > furthest {
		return
	}
	for _, n := range g.Near {
		if n.Role == survey.RoleCrest {
			return // drawn with the layers
		}
	}
	left, right := Pt{g.frame.X0, g.s.spot(0, e).Y}, Pt{g.frame.X1, g.s.spot(0, e).Y}
	g.edgeLine([]Pt{left, right})
	g.l.place(label{text: "edge of the bank (crest)", at: left.add(Pt{16, 0}), clear: 1, size: Normal, home: Pt{0, 1}, rank: 2})
}

// edgeLine draws a crest with short strokes on its downhill side, which is
// the side the pull points to.
func (g *planner) edgeLine(line []Pt) {
	for _, part := range clipLine(line, g.frame) {
		g.d.line(Pen{Width: Bold}, part...)
		g.l.avoid(part...)
		strokes := Path{Pen: Pen{Width: Thin}}
		walk(part, 3, func(p, u Pt) {
			n := u.right()
			if n.Y > 0 {
				n = n.times(-1)
			}
			strokes.Lines = append(strokes.Lines, []Pt{p, p.add(n.times(1.8))})
		})
		g.d.add(strokes)
	}
}

// walk calls at for places every step millimetres along a line.
func walk(line []Pt, step float64, at func(p, along Pt)) {
	next := step / 2
	for i := 0; i+1 < len(line); i++ {
		d := line[i+1].sub(line[i])
		l := d.length()
		for ; next <= l; next += step {
			at(line[i].toward(line[i+1], next/l), d.unit())
		}
		next -= l
	}
}

func (g *planner) sector() {
	reach := g.s.mm(2.6)
	if e, ok := g.edge.Get(); ok && e > 0 && e <= furthest {
		reach = g.s.mm(e) * 0.8
	}
	c := g.s.at
	reach = min(reach, c.Y-g.frame.Y0-4)
	lim := g.Main.Layout.SectorDeg
	half := lim[0].Off(lim[1]).Degrees() / 2
	if half <= 0 || reach < 6 {
		return
	}
	dash := Pen{Width: Plain, Dash: []float64{2.4, 1.2}}
	a, b := c.add(heading(-half).times(reach)), c.add(heading(half).times(reach))
	g.d.line(dash, c, a)
	g.d.line(dash, c, b)
	g.d.line(dash, arc(c, reach, -half, half)...)
	g.l.avoid(c, a)
	g.l.avoid(c, b)
	g.l.avoid(a, c.add(Pt{0, -reach}), b)
	g.l.place(label{
		text: fmt.Sprintf("working sector %s to %s true", wording.Bearing(lim[0].Degrees()), wording.Bearing(lim[1].Degrees())),
		at:   b, or: []Pt{a, c.add(Pt{0, -reach})}, clear: 0.8, size: Normal, width: 40, home: Pt{1, 0}, rank: 1,
	})
}

// anchors draws main and belay; the stakes of one row stand so close that
// their marks, not to scale, are set side by side.
func (g *planner) anchors() {
	g.anchor(g.Main, "")
	if g.Belay != nil && g.Belay.Layout != nil {
		g.anchor(*g.Belay, "belay: ")
	}
}

func (g *planner) anchor(pl answer.Placed, prefix string) {
	at, ok := g.s.on(pl.Layout.Front())
	if !ok {
		return
	}
	if len(pl.Layout.Stakes) == 0 {
		g.found(pl, at, prefix)
		return
	}
	if prefix != "" {
		g.l.place(label{text: prefix + pl.Anchor.Name(), at: at, clear: 3, size: Normal, bold: true, home: Pt{1, -1}, width: 26})
	}
	rows := rowsOf(pl.Layout.Stakes, g.s)
	main := prefix == ""
	for _, row := range rows {
		for _, st := range row.at {
			g.d.add(Circle{At: st, R: stakeR, Pen: Pen{Width: Plain}, Fill: map[bool]Fill{true: Ink, false: Paper}[main]})
			g.l.block(Box{st.X - stakeR, st.Y - stakeR, st.X + stakeR, st.Y + stakeR})
		}
	}
	for i, row := range rows {
		if i+1 < len(rows) && rows[i+1].rig == row.rig {
			g.tie(row.mid, rows[i+1].mid, main && i == 0)
		}
	}
	if len(pl.Layout.Stakes) > 0 && len(pl.Layout.Lashings) > 0 && pl.Anchor.Count > 1 {
		g.collector(pl, rows, main)
	}
	for _, row := range rows {
		if main && row.rig == 1 {
			name := fmt.Sprintf("row %d: %s", row.row, wording.Count(len(row.at), "stake", "stakes"))
			if row.row == 1 {
				name = fmt.Sprintf("row 1 (front): %s", wording.Count(len(row.at), "stake", "stakes"))
			}
			var others []Pt // the same row of rigs that share
			for _, o := range rows {
				if o.row == row.row && o.rig != row.rig {
					others = append(others, o.mid)
				}
			}
			g.l.place(label{text: name, at: row.mid, or: others, clear: stakeR + 1, size: Normal, width: 40, home: Pt{1, 0.2}, rank: 1})
		}
	}
}

const stakeR = 0.9 // mm

type row struct {
	rig, row int
	at       []Pt
	mid      Pt
}

// rowsOf gathers the stakes by rig and row and draws those of one row apart.
func rowsOf(stakes []rig.Stake, s sheet) []row {
	var rows []row
	for _, st := range stakes {
		p, ok := s.on(orb.Point{st.Lon, st.Lat})
		if !ok {
			continue
		}
		i := slices.IndexFunc(rows, func(r row) bool { return r.rig == st.Rig && r.row == st.Row })
		if i < 0 {
			i = len(rows)
			rows = append(rows, row{rig: st.Rig, row: st.Row})
		}
		rows[i].at = append(rows[i].at, p)
	}
	for i := range rows {
		r := &rows[i]
		for _, p := range r.at {
			r.mid = r.mid.add(p.times(1 / float64(len(r.at))))
		}
		pitch := 2*stakeR + 0.2
		if n := len(r.at); n > 1 && r.at[n-1].sub(r.at[0]).length() < float64(n-1)*pitch {
			for k := range r.at {
				r.at[k] = r.mid.add(Pt{(float64(k) - float64(n-1)/2) * pitch, 0})
			}
		}
	}
	return rows
}

// tie draws a lashing and beside it the foot tie.
func (g *planner) tie(a, b Pt, named bool) {
	g.d.line(Pen{Width: Plain}, a, b)
	off := Pt{-1.1, 0}
	foot := Pen{Width: Plain, Dash: []float64{0.9, 0.7}}
	g.d.line(foot, a.add(off), b.add(off))
	g.l.avoid(a, b)
	g.l.avoid(a.add(off), b.add(off))
	if named {
		g.l.place(label{text: "lashing, head to foot", at: a.toward(b, 0.4), or: []Pt{a.toward(b, 0.7)}, rank: 2, clear: 0.6, size: Small, home: Pt{1, 0}, width: 32})
		g.l.place(label{text: "foot tie (dashed)", at: a.add(off).toward(b.add(off), 0.75), or: []Pt{a.add(off).toward(b.add(off), 0.4)}, rank: 2, clear: 0.6, size: Small, home: Pt{-1, 0.3}, width: 32})
	}
}

// collector draws how the front stakes of sharing rigs meet at the rope.
func (g *planner) collector(pl answer.Placed, rows []row, named bool) {
	at, _ := g.s.on(pl.Layout.Front())
	ahead := 0.9
	if m := pl.Layout.CollectorM.Metres(); m > 0 {
		ahead = m
	}
	meet := at.add(Pt{0, -g.s.mm(ahead)})
	for _, r := range rows {
		if r.row != 1 {
			continue
		}
		if edge, ok := clipTop(r.mid, meet, g.frame.Y0+3); ok {
			g.d.line(Pen{Width: Plain}, r.mid, edge)
			g.l.avoid(r.mid, edge)
		}
	}
	if !named {
		return
	}
	name := "collector"
	if pl.Layout.CollectorM > 0 {
		name = "legs meet " + wording.Length(g.Units, pl.Layout.CollectorM) + " ahead"
	}
	g.l.place(label{text: name, at: rows[0].mid.toward(meet, 0.35), clear: 0.6, size: Small, home: Pt{-1, -0.3}, width: 30})
}

// clipTop returns the end of a line cut off at a height on the paper.
func clipTop(from, to Pt, y float64) (Pt, bool) {
	if to.Y >= y {
		return to, true
	}
	return from.toward(to, (from.Y-y)/(from.Y-to.Y)), from.Y > y
}

// found draws an anchor that is not driven.
func (g *planner) found(pl answer.Placed, at Pt, prefix string) {
	const r = 2
	if pl.Anchor.Kind == survey.KindTree {
		g.d.add(Circle{At: at, R: r, Pen: Pen{Width: Bold}, Fill: Paper})
		for k := range 8 {
			h := heading(45 * float64(k))
			g.d.line(Pen{Width: Thin}, at.add(h.times(r)), at.add(h.times(r+1.1)))
		}
	} else {
		g.d.area(Pen{Width: Bold}, Paper, Box{at.X - r, at.Y - r, at.X + r, at.Y + r}.corners()...)
		g.d.line(Pen{Width: Thin}, at.add(Pt{-r, -r}), at.add(Pt{r, r}))
	}
	g.l.block(Box{at.X - r - 1, at.Y - r - 1, at.X + r + 1, at.Y + r + 1})
	g.l.place(label{text: prefix + pl.Anchor.Name(), at: at, clear: r + 1.4, size: Normal, bold: true, home: Pt{1, 0}, width: 30})
}

// bearings draws the pull arrow and the line of the back-bearing.
func (g *planner) bearings() {
	c := g.s.at
	pull, _ := g.Pull.TrueDeg.Get()
	tip := c.add(Pt{0, -max(12, min(g.s.mm(2), 26))})
	tip.Y = max(tip.Y, g.frame.Y0+6)
	g.d.arrow(Pen{Width: Heavy}, c.add(Pt{0, -stakeR - 0.6}), tip)
	g.l.avoid(c, tip)
	g.l.avoid(c, tip) // twice: the arrow weighs more than a line
	text := "pull " + wording.Bearing(pull.Degrees()) + " true"
	if m, ok := g.Pull.MagneticDeg.Get(); ok {
		text += ", " + wording.Bearing(m) + " magnetic"
	} else {
		text += ", magnetic " + wording.Unknown
	}
	g.l.place(label{text: text, at: tip, clear: 1.5, size: Large, bold: true, width: 36, home: Pt{1, 0}, or: []Pt{c.toward(tip, 0.6)}, rank: -2, firm: true})
	back := Pt{c.X, g.frame.Y1 - 7}
	g.d.line(Pen{Width: Thin, Dash: []float64{4, 1, 0.8, 1}}, c, back)
	g.l.avoid(c, back)
	text = "back-bearing " + wording.Bearing(pull.Back().Degrees()) + " true"
	if m, ok := g.Pull.BackMagDeg.Get(); ok {
		text += ", " + wording.Bearing(m) + " magnetic"
	}
	g.l.place(label{text: text, at: back, clear: 0.8, size: Normal, width: 70, home: Pt{1, 0}, rank: 1})
}

func (g *planner) dimensions() {
	rows := rowsOf(g.Main.Layout.Stakes, g.s)
	if len(rows) > 1 && rows[1].rig == rows[0].rig {
		a, b := rows[0].mid, rows[1].mid
		metres := geo.Length(b.sub(a).length() * g.s.scale / 1000)
		off := 4 + float64(len(rows[0].at))
		g.d.dimension(g.l, a, b, off, "row to row "+wording.Length(g.Units, metres))
	}
	e, ok := g.edge.Get()
	if !ok {
		g.l.place(label{text: "distance to the edge: " + wording.NotRecorded, at: g.s.at.add(Pt{0, -8}), clear: 2, size: Normal, bold: true, width: 30, home: Pt{1, 0}})
		return
	}
	text := "setback " + wording.Length(g.Units, geo.Length(e))
	if e > furthest || e <= 0 {
		g.l.place(label{text: text + ", beyond this drawing", at: Pt{g.s.at.X, g.frame.Y0 + 8}, clear: 2, size: Normal, width: 34, home: Pt{-1, 0}})
		return
	}
	g.d.dimension(g.l, g.s.at, g.s.spot(0, e), -13, text)
}
