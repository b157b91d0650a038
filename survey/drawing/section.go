package drawing

import (
	"math"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
)

// Station is a place on a ground line: how far along the pull bearing from
// the surveyed point, and how high above it.
type Station struct{ Along, Height geo.Length }

// Section is the bank cut along the pull bearing, heights and distances to
// one scale: anchor, edge, slope and the rope to its foot. The ground line is
// Profile where there is one, else the surveyed slope and height.
type Section struct {
	Units   survey.Units
	Anchor  string                 // name of the anchor
	Rows    int                    // of stakes; 0 for an anchor that is not driven
	Setback survey.Opt[geo.Length] // from the surveyed point to the edge
	Behind  geo.Length             // how far behind the point the anchor stands, along the pull
	Slope   survey.Opt[geo.Angle]
	Height  survey.Opt[geo.Length] // edge to toe, vertical
	Rope    survey.Opt[geo.Length] // anchor to toe along the ground
	Profile []Station
	Source  survey.TerrainSource
}

// NewSection is the section of an option at a point, with the setback of its
// plan and the ground line by an elevation layer, if there is one.
func NewSection(p survey.Point, plan Plan, o answer.Option, profile []Station) Section {
	pattern, _ := survey.ParsePattern(o.Main.Anchor.Rig) // no pattern: an anchor that is not driven
	s := Section{
		Units: plan.Units, Anchor: o.Main.Anchor.Name(), Rows: len(pattern), Setback: plan.Setback,
		Height: p.Terrain.HeightM, Rope: o.Kit.RopeM, Profile: profile, Source: p.Terrain.Source,
	}
	if o.Main.Layout != nil {
		s.Behind = o.Main.Layout.BehindM
	}
	if slope, known := p.Terrain.Slope(); known {
		s.Slope = survey.Known(slope)
	}
	return s
}

// away is how far from the surveyed point an anchor stands when the drawings
// show the two apart.
const away = 0.05 * geo.Metre

// toEdge is the way from the anchor to the edge.
func (s Section) toEdge() survey.Opt[geo.Length] {
	if d, ok := s.Setback.Get(); ok {
		return survey.Known(max(0, d+s.Behind))
	}
	return survey.Opt[geo.Length]{}
}

// assumed lengths of ground drawn, in metres, where nothing is recorded; they
// carry the words "not recorded".
const (
	setbackShown = 4.0
	heightShown  = 6.0
)

// Draw returns the section at the largest round scale that fits.
func (s Section) Draw(size Size) Drawing {
	size = size.least()
	d := Drawing{Size: size, Title: "Section along the pull"}
	if !s.Setback.Known() && !s.Slope.Known() && !s.Height.Known() && len(s.Profile) == 0 {
		return saying(d, "No section: setback, slope and height of the bank are not recorded.")
	}
	back, height := setbackShown, heightShown
	if v, ok := s.toEdge().Get(); ok {
		back = v.Metres()
	}
	if v, ok := s.Height.Get(); ok {
		height = max(0, v.Metres())
	}
	slope, sloped := s.Slope.Get()
	run := 0.0
	if sloped {
		if t := math.Tan(slope.Radians()); t > 1e-3 {
			run = min(height/t, 400)
			height = run * t
		} else {
			height, run = 0, 10
		}
	}
	if slope.Degrees() > 89.9 {
		run = 0
	}
	behind := max(2, 0.15*(back+run))
	beyond := max(2, 0.12*(back+run))
	frame := Box{Plain, Plain, size.W - Plain, size.H - footHeight - 0.5}
	w, h := behind+back+run+beyond, height
	for _, p := range s.Profile {
		w, h = max(w, behind+(p.Along+s.Behind).Metres()), max(h, -p.Height.Metres())
	}
	scale := max(scaleFor(w, frame.X1-frame.X0-8), scaleFor(h, frame.Y1-frame.Y0-21))
	k := 1000 / scale
	origin := Pt{frame.X0 + 4 + behind*k, frame.Y0 + 15 + max(0, (frame.Y1-frame.Y0-21-h*k)/3)}
	at := func(x, y float64) Pt { return origin.add(Pt{x * k, -y * k}) }
	l := newLabeller(&d, frame.grow(-0.5))
	anchor, edge, toe := at(0, 0), at(back, 0), at(back+run, -height)
	s.ground(&d, l, [4]Pt{at(-behind, 0), edge, toe, at(back+run+beyond, -height)}, at, sloped)

	for k := range s.Rows { // stakes leaning back, larger than to scale
		p := anchor.add(Pt{-1.8 * float64(k), 0})
		d.line(Pen{Width: Heavy}, p.add(Pt{-0.3, -1.2}), p.add(Pt{0.8, 3}))
	}
	if s.Rows == 0 {
		d.area(Pen{Width: Bold}, Paper, Box{anchor.X - 1.5, anchor.Y - 3, anchor.X + 1.5, anchor.Y}.corners()...)
	}
	l.block(Box{anchor.X - 1.8*float64(max(s.Rows, 1)), anchor.Y - 3.5, anchor.X + 1, anchor.Y + 3.2})
	l.place(label{text: s.Anchor, at: anchor.add(Pt{-1, -2.5}), clear: 1.2, size: Normal, bold: true, width: 34, home: Pt{0, -1}})
	if s.Behind > away || s.Behind < -away {
		p := at(s.Behind.Metres(), 0)
		d.line(Pen{Width: Bold}, p.add(Pt{0, -2.2}), p)
		l.place(label{text: "marked point", at: p.add(Pt{0, -2.2}), clear: 0.8, size: Normal, home: Pt{1, -1}})
	}
	rope := []Pt{anchor.add(Pt{0, -0.9}), edge.add(Pt{0.4, -0.9}), toe.add(Pt{0.8, -0.9})}
	d.line(Pen{Width: Bold, Dash: []float64{2, 0.8}}, rope[0], rope[1])
	if sloped || s.Height.Known() {
		d.arrow(Pen{Width: Bold}, rope[1], rope[2])
	}
	l.avoid(rope...)
	s.name(&d, l, anchor, edge, toe, sloped)
	l.finish()
	d.area(Pen{Width: Plain}, Empty, frame.corners()...)
	d.footNotes(s.Units, scale, footNote{text: s.source()})
	d.Desc = s.words() + " Scale " + scaleText(scale) + "."
	return d
}

// ground draws the surface, thick where it was recorded and broken where it
// was not.
func (s Section) ground(d *Drawing, l *labeller, g [4]Pt, at func(x, y float64) Pt, sloped bool) {
	known, broken := Pen{Width: Heavy}, Pen{Width: Plain, Dash: []float64{1.5, 1.5}}
	if len(s.Profile) > 1 {
		var line []Pt
		for _, p := range s.Profile {
			line = append(line, at((p.Along+s.Behind).Metres(), p.Height.Metres()))
		}
		for _, part := range clipLine(line, l.frame) {
			d.line(known, part...)
			l.avoid(part...)
		}
		return
	}
	pick := func(ok bool) Pen {
		if ok {
			return known
		}
		return broken
	}
	d.line(pick(s.Setback.Known()), g[0], g[1])
	d.line(pick(sloped && s.Height.Known()), g[1], g[2])
	d.line(broken, g[2], g[3])
	l.avoid(g[:]...)
	soil := Path{Pen: Pen{Width: Thin}}
	walk([]Pt{g[0], g[1]}, 4, func(p, u Pt) {
		soil.Lines = append(soil.Lines, []Pt{p.add(Pt{0, 0.9}), p.add(Pt{-1.5, 2.6})})
	})
	d.add(soil)
}

func (s Section) name(d *Drawing, l *labeller, anchor, edge, toe Pt, sloped bool) {
	length := func(l geo.Length) string { return wording.Length(s.Units, l) }
	text := "setback " + wording.Opt(s.toEdge(), length)
	if edge.sub(anchor).length() > 3 {
		d.dimension(l, anchor, edge, -8, text)
	} else {
		l.place(label{text: text, at: edge, clear: 1.5, size: Normal, home: Pt{0, -1}})
	}
	l.place(label{text: "edge", at: edge, clear: 1.5, size: Normal, bold: true, home: Pt{1, -0.6}})
	l.place(label{text: "toe", at: toe, clear: 1.5, size: Normal, bold: true, home: Pt{1, -0.6}})
	angle := "slope " + wording.NotRecorded
	if v, ok := s.Slope.Get(); ok {
		angle = "slope " + wording.Angle(v.Degrees()) + " from level"
	}
	l.place(label{text: angle, at: edge.toward(toe, 0.5), or: []Pt{edge.toward(toe, 0.7), edge.toward(toe, 0.3)}, clear: 1.5, size: Normal, home: Pt{1, -1}, width: 34, rank: 1})
	high := "height " + wording.Opt(s.Height, length)
	if drop := (Pt{edge.X, toe.Y}); s.Height.Known() && toe.Y-edge.Y > 4 && toe.X-edge.X > 4 {
		d.dimension(l, edge, drop, 0, high)
	} else {
		l.place(label{text: high, at: edge.toward(toe, 0.8), or: []Pt{edge.toward(toe, 0.5)}, rank: 1, clear: 1.5, size: Normal, home: Pt{-1, 1}})
	}
	l.place(label{text: "rope to the toe " + wording.Opt(s.Rope, length), at: edge.toward(toe, 0.25), or: []Pt{edge.toward(toe, 0.6), anchor.toward(edge, 0.7)}, clear: 1.6, size: Normal, home: Pt{1, -1}, width: 44, rank: 1})
}

// source says what the ground line rests on.
func (s Section) source() string {
	text := "ground line: source " + wording.NotRecorded
	switch {
	case len(s.Profile) > 1:
		return "ground line: elevation layer"
	case s.Source == survey.TerrainMeasured:
		text = "ground line: slope and height as measured"
	case s.Source == survey.TerrainLayer:
		text = "ground line: slope and height by the bank layers"
	case s.Source == survey.TerrainElevation:
		text = "ground line: slope and height by the elevation layer"
	}
	if !(s.Setback.Known() && s.Slope.Known() && s.Height.Known()) {
		text += "; broken: not to scale"
	}
	return text
}

func (s Section) words() string {
	length := func(l geo.Length) string { return wording.Length(s.Units, l) }
	t := "The bank cut along the pull: anchor, "
	switch {
	case s.Behind > away:
		t += wording.Length(s.Units, s.Behind) + " behind the marked point, "
	case s.Behind < -away:
		t += wording.Length(s.Units, -s.Behind) + " ahead of the marked point, "
	}
	t += "setback " + wording.Opt(s.toEdge(), length) + ", slope "
	t += wording.Opt(s.Slope, func(a geo.Angle) string { return wording.Angle(a.Degrees()) + " from level" })
	t += ", height " + wording.Opt(s.Height, length) + ", rope to the toe " + wording.Opt(s.Rope, length) + "."
	if len(s.Profile) > 1 {
		t += " The ground line is from elevation data."
	}
	return t
}
