// Package drawing makes the drawings of a survey: plan, elevation and section
// of an anchor, the forces on it, how its stakes share the pull, and the map
// of a site. A drawing is a short list of marks in millimetres on paper; the
// same list is written as SVG for a page and as vectors into a PDF, so both
// show the same thing.
//
// Drawings are made for black ink: nothing rests on colour or on grey alone,
// no line is thinner than Thin and no letter smaller than
// lettering.Smallest, so that a sheet survives being photocopied twice.
package drawing

import (
	"math"
	"strings"

	"holdfast/survey/drawing/lettering"
)

// Pt is a place on the paper in millimetres, x to the right and y down from
// the top left corner of the drawing.
type Pt struct{ X, Y float64 }

func (p Pt) add(q Pt) Pt               { return Pt{p.X + q.X, p.Y + q.Y} }
func (p Pt) sub(q Pt) Pt               { return Pt{p.X - q.X, p.Y - q.Y} }
func (p Pt) times(k float64) Pt        { return Pt{p.X * k, p.Y * k} }
func (p Pt) length() float64           { return math.Hypot(p.X, p.Y) }
func (p Pt) right() Pt                 { return Pt{-p.Y, p.X} } // a quarter turn clockwise on paper
func (p Pt) toward(q Pt, k float64) Pt { return p.add(q.sub(p).times(k)) }

// unit returns the direction of p, or right where it has none.
func (p Pt) unit() Pt {
	if l := p.length(); l > 1e-12 {
		return p.times(1 / l)
	}
	return Pt{1, 0}
}

// heading is the direction of deg degrees clockwise from the top of the paper.
func heading(deg float64) Pt {
	s, c := math.Sincos(deg * math.Pi / 180)
	return Pt{s, -c}
}

// Size is the size of a drawing in millimetres.
type Size struct{ W, H float64 }

// Pen widths in millimetres.
const (
	Thin  = 0.25
	Plain = 0.35
	Bold  = 0.7
	Heavy = 1.2
)

// Letter sizes in points.
const (
	Small  = lettering.Smallest
	Normal = 8.5
	Large  = 11
)

// Pen draws a line. A pen of no width draws none.
type Pen struct {
	Width float64   // mm
	Dash  []float64 // mm on, mm off, …
	Paper bool      // in the colour of the page
}

// Fill is what an area is filled with.
type Fill int

const (
	Empty Fill = iota
	Paper      // the colour of the page: hides what is under it
	Ink
)

// Mark is one thing on the list: a Path, a Circle or a Text.
type Mark interface {
	move(by Pt) Mark
}

// Path is a set of lines, or of areas when Closed.
type Path struct {
	Lines  [][]Pt
	Closed bool
	Pen    Pen
	Fill   Fill
}

// Circle is a circle round a place.
type Circle struct {
	At   Pt
	R    float64 // mm
	Pen  Pen
	Fill Fill
}

// Align says which part of a text stands at its place.
type Align int

const (
	Start Align = iota
	Middle
	End
)

// Text is one line of letters; At is on its baseline. The letters are those
// that lettering.Line leaves.
type Text struct {
	At     Pt
	Text   string
	Size   float64 // points
	Bold   bool
	Align  Align
	Turned bool // a quarter turn anticlockwise: reads upwards
	Fill   Fill // Ink unless Paper, for letters on an inked ground
}

// Drawing is a list of marks, drawn first to last.
type Drawing struct {
	Size
	Title string // names it for a screen reader
	Desc  string // says in words what it shows
	Marks []Mark
	// Left names labels for which the drawing had no room; whoever prints it
	// lists them beside it.
	Left []string
}

func (m Path) move(by Pt) Mark {
	lines := make([][]Pt, len(m.Lines))
	for i, l := range m.Lines {
		lines[i] = make([]Pt, len(l))
		for j, p := range l {
			lines[i][j] = p.add(by)
		}
	}
	m.Lines = lines
	return m
}

func (m Circle) move(by Pt) Mark {
	m.At = m.At.add(by)
	return m
}

func (m Text) move(by Pt) Mark {
	m.At = m.At.add(by)
	return m
}

// Put adds the marks of another drawing with its top left corner at a place.
func (d *Drawing) Put(o Drawing, at Pt) {
	for _, m := range o.Marks {
		d.Marks = append(d.Marks, m.move(at))
	}
	d.Left = append(d.Left, o.Left...)
}

// Sheet puts notes above a drawing that is to stand by itself, and under them
// what it had no room for.
func Sheet(d Drawing, notes []string) Drawing {
	if len(d.Left) > 0 {
		notes = append(notes[:len(notes):len(notes)], "No room on the drawing for: "+strings.Join(d.Left, "; "))
	}
	out := Drawing{Title: d.Title, Desc: d.Desc}
	y := 1.0
	for i, n := range notes {
		size, bold := float64(Small), false
		if i == 0 {
			size, bold = Large, true
		}
		face := lettering.Regular
		if bold {
			face = lettering.Bold
		}
		text, _ := lettering.Line(n)
		for _, line := range lettering.Wrap(face, size, d.W-2, text) {
			out.add(Text{At: Pt{1, y + size*lettering.Point*lettering.Ascent}, Text: line, Size: size, Bold: bold})
			y += size * lettering.Point * 1.2
		}
	}
	y += 1
	out.Put(d, Pt{Y: y})
	out.Left = nil
	out.Size = Size{d.W, y + d.H}
	return out
}

func (d *Drawing) add(m ...Mark) { d.Marks = append(d.Marks, m...) }

func (d *Drawing) line(pen Pen, pts ...Pt) {
	d.add(Path{Lines: [][]Pt{pts}, Pen: pen})
}

func (d *Drawing) area(pen Pen, fill Fill, pts ...Pt) {
	d.add(Path{Lines: [][]Pt{pts}, Closed: true, Pen: pen, Fill: fill})
}

// Face returns the face the text is set in.
func (t Text) Face() lettering.Face {
	if t.Bold {
		return lettering.Bold
	}
	return lettering.Regular
}

// Width returns the length of the text in millimetres.
func (t Text) Width() float64 { return lettering.Width(t.Face(), t.Size, t.Text) }

// Box is a rectangle on the paper.
type Box struct{ X0, Y0, X1, Y1 float64 }

// Box returns the rectangle the letters lie in.
func (t Text) Box() Box {
	w, em := t.Width(), t.Size*lettering.Point
	x := t.At.X
	along := [2]float64{0, w}
	switch t.Align {
	case Middle:
		along = [2]float64{-w / 2, w / 2}
	case End:
		along = [2]float64{-w, 0}
	}
	if t.Turned {
		return Box{x - lettering.Ascent*em, t.At.Y - along[1], x + lettering.Descent*em, t.At.Y - along[0]}
	}
	return Box{x + along[0], t.At.Y - lettering.Ascent*em, x + along[1], t.At.Y + lettering.Descent*em}
}

// Overlaps tells whether two boxes share an area; touching is not sharing.
func (b Box) Overlaps(c Box) bool {
	const hair = 1e-6
	return b.X0 < c.X1-hair && c.X0 < b.X1-hair && b.Y0 < c.Y1-hair && c.Y0 < b.Y1-hair
}

// Within tells whether b lies inside c.
func (b Box) Within(c Box) bool {
	const hair = 1e-6
	return b.X0 >= c.X0-hair && b.X1 <= c.X1+hair && b.Y0 >= c.Y0-hair && b.Y1 <= c.Y1+hair
}

func (b Box) grow(by float64) Box { return Box{b.X0 - by, b.Y0 - by, b.X1 + by, b.Y1 + by} }

func (b Box) has(p Pt) bool { return p.X >= b.X0 && p.X <= b.X1 && p.Y >= b.Y0 && p.Y <= b.Y1 }

func (b Box) centre() Pt { return Pt{(b.X0 + b.X1) / 2, (b.Y0 + b.Y1) / 2} }

func (b Box) corners() []Pt {
	return []Pt{{b.X0, b.Y0}, {b.X1, b.Y0}, {b.X1, b.Y1}, {b.X0, b.Y1}}
}

// least is the smallest size a drawing with a frame and labels can have.
func (s Size) least() Size { return Size{max(s.W, 88), max(s.H, 50)} }

func (s Size) box() Box { return Box{0, 0, s.W, s.H} }
