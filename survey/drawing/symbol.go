package drawing

import (
	"fmt"
	"math"
	"time"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/wording"
)

// VerdictMark returns the mark of a verdict round a place: a full disc holds,
// a disc filled to half its height is short, a crossed square is no, a broken
// ring with a query is unknown. The word always stands beside it.
func VerdictMark(v answer.Verdict, at Pt, r float64) []Mark {
	pen := Pen{Width: max(Plain, r/5)}
	switch v {
	case answer.Holds:
		return []Mark{Circle{At: at, R: r, Pen: pen, Fill: Ink}}
	case answer.Short:
		return []Mark{
			Circle{At: at, R: r, Pen: pen, Fill: Paper},
			Path{Lines: [][]Pt{arc(at, r, 90, 270)}, Closed: true, Fill: Ink},
		}
	case answer.No:
		s := r * 0.95
		b := Box{at.X - s, at.Y - s, at.X + s, at.Y + s}
		return []Mark{
			Path{Lines: [][]Pt{b.corners()}, Closed: true, Pen: pen, Fill: Paper},
			Path{Lines: [][]Pt{{{b.X0, b.Y0}, {b.X1, b.Y1}}, {{b.X0, b.Y1}, {b.X1, b.Y0}}}, Pen: pen},
		}
	default:
		dash := 2 * math.Pi * r / 16
		hook := append(arc(at.add(Pt{0, -0.25 * r}), 0.32*r, 270, 495), at.add(Pt{0, 0.3 * r}))
		return []Mark{
			Circle{At: at, R: r, Fill: Paper},
			Circle{At: at, R: r, Pen: Pen{Width: pen.Width, Dash: []float64{dash, dash}}},
			Path{Lines: [][]Pt{hook}, Pen: pen},
			Circle{At: at.add(Pt{0, 0.62 * r}), R: pen.Width * 0.6, Fill: Ink},
		}
	}
}

// VerdictWord is the word beside the mark.
func VerdictWord(v answer.Verdict) string {
	switch v {
	case answer.Holds:
		return "HOLDS"
	case answer.Short:
		return "SHORT"
	case answer.No:
		return "NO"
	default:
		return "UNKNOWN"
	}
}

// arrow draws a line with a full head at its end.
func (d *Drawing) arrow(pen Pen, from, to Pt) {
	u := to.sub(from).unit()
	head := 1.8 + 2*pen.Width
	neck := to.sub(u.times(head * 0.8))
	side := u.right().times(head * 0.38)
	d.line(pen, from, neck)
	d.area(Pen{}, Ink, to, to.sub(u.times(head)).add(side), neck, to.sub(u.times(head)).sub(side))
}

// dimension draws a dimension line between two places, set off to the right
// of the direction from a to b by off millimetres, with slashes at its ends,
// and asks for its label beside the middle.
func (d *Drawing) dimension(l *labeller, a, b Pt, off float64, text string) {
	u := b.sub(a).unit()
	side := u.right().times(off)
	p, q := a.add(side), b.add(side)
	ext := u.right().times(math.Copysign(1, off))
	thin := Pen{Width: Thin}
	if math.Abs(off) > 1 {
		d.line(thin, a.add(ext), p.add(ext))
		d.line(thin, b.add(ext), q.add(ext))
	}
	d.line(thin, p, q)
	tick := u.add(u.right()).unit().times(1.1)
	for _, e := range []Pt{p, q} {
		d.line(Pen{Width: Bold}, e.sub(tick), e.add(tick))
		l.avoid(e.sub(tick), e.add(tick))
	}
	l.avoid(p, q)
	l.place(label{text: text, at: p.toward(q, 0.5), or: []Pt{p.toward(q, 0.25), p.toward(q, 0.75)}, clear: 0.7, size: Normal, home: ext, width: 44, rank: -1})
}

// roundScales are the leading figures of the scales drawings are made at.
var roundScales = []float64{1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 7.5, 8}

// scaleFor returns the largest round scale at which so many metres fit into
// so many millimetres, as its denominator: 1:5 at the largest, 1:800,000,000
// at the smallest.
func scaleFor(metres, mm float64) float64 {
	need := metres * 1000 / mm
	for ten := 1.0; ten < 1e9; ten *= 10 {
		for _, k := range roundScales {
			if s := k * ten; s >= 5 && s >= need*(1-1e-9) {
				return s
			}
		}
	}
	return 8e8
}

func scaleText(scale float64) string {
	return "1:" + group(int(scale))
}

func group(n int) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// scaleBar draws a scale bar of at most width millimetres with its top left
// corner at a place: feet and below it metres, or metres alone, then the
// scale in figures.
func (d *Drawing) scaleBar(u survey.Units, at Pt, width, scale float64) {
	const row, high = 3.3, 1.0
	em := Small * lettering.Point
	y := at.Y + row/2
	write := func(x float64, text string) {
		d.add(Text{At: Pt{x, y + em*lettering.Cap/2}, Text: text, Size: Small})
		y += row
	}
	bar := func(unit float64, name string) {
		limit := max(4, width-15) * scale / 1000 / unit
		step := math.Pow(10, math.Floor(math.Log10(limit)))
		for _, k := range []float64{5, 2} {
			if k*step <= limit {
				step *= k
				break
			}
		}
		l := step * unit * 1000 / scale
		b := Box{at.X, y - high/2, at.X + l, y + high/2}
		d.area(Pen{Width: Thin}, Paper, b.corners()...)
		b.X1 = at.X + l/2
		d.area(Pen{}, Ink, b.corners()...)
		write(at.X+l+1, axis(step, step)+" "+name)
	}
	switch {
	case u == survey.UnitsSI:
	case scale > 50_000:
		bar(1609.344, "mi")
	default:
		bar(geo.Foot.Metres(), "ft")
	}
	if scale > 20_000 {
		bar(1000, "km")
	} else {
		bar(1, "m")
	}
	write(at.X, "scale "+scaleText(scale))
}

// North says which way the norths lie at a place and when that was so.
type North struct {
	DeclinationDeg survey.Opt[float64] // magnetic from true, east positive
	ConvergenceDeg survey.Opt[float64] // grid from true, east positive
	At             time.Time           // the day of the declination
}

// words says the norths in lines for print.
func (n North) words() []string {
	decl := "magnetic: " + wording.Unknown
	if v, ok := n.DeclinationDeg.Get(); ok {
		decl = "magnetic " + wording.Declination(v)
		if !n.At.IsZero() {
			decl += ", " + wording.Date(n.At)
		}
	}
	grid := "grid: " + wording.Unknown
	if v, ok := n.ConvergenceDeg.Get(); ok {
		grid = "grid " + wording.Declination(v)
	}
	return []string{decl, grid}
}

// footHeight is the room under a drawing for its scale bar and norths.
const (
	footHeight  = 11.5
	northHeight = 17.6
)

// foot draws the scale bar at the bottom left of a drawing.
func (d *Drawing) foot(u survey.Units, width, scale float64) {
	d.scaleBar(u, Pt{0.5, d.H - footHeight + 1}, min(44, width), scale)
}

// footNote is a line beside the scale bar: a sample of a pen, if any, and
// what it stands for.
type footNote struct {
	pen  Pen
	text string
}

// footNotes writes up to three lines beside a scale bar that is kept short.
func (d *Drawing) footNotes(u survey.Units, scale float64, notes ...footNote) {
	const left, row, sample = 41.0, 3.3, 7.0
	d.foot(u, left-1, scale)
	em := Small * lettering.Point
	y := d.H - footHeight + 1 + row/2
	for _, n := range notes {
		x := left
		if n.pen.Width > 0 {
			d.line(n.pen, Pt{x, y}, Pt{x + sample, y})
			x += sample + 1
		}
		for _, line := range lettering.Wrap(lettering.Regular, Small, d.W-x, n.text) {
			d.add(Text{At: Pt{x, y + em*lettering.Cap/2}, Text: line, Size: Small})
			y += row
		}
	}
}

// norths draws true north as a long arrow, magnetic north beside it, and the
// three norths in words, at the bottom right of a drawing; up is the bearing
// that points to the top of the paper. It returns the width left beside it.
func (d *Drawing) norths(n North, up, high float64) (left float64) {
	r := min(5.2, (high-2)/3)
	em := Small * lettering.Point
	c := Pt{d.W - r - 3.2, d.H - high/2}
	if up == 0 {
		c.Y = d.H - r - 0.8 // nothing points down: the letter stands on top
	}
	letter := func(h Pt, out, size float64, name string, bold bool) {
		d.add(Text{At: c.add(h.times(out)).add(Pt{0, size * lettering.Point * lettering.Cap / 2}), Text: name, Size: size, Bold: bold, Align: Middle})
	}
	h := heading(-up)
	tip, notch, side := c.add(h.times(r)), c.add(h.times(r*0.55)), h.right().times(r/4)
	d.line(Pen{Width: Plain}, c.sub(h.times(r)), tip)
	d.area(Pen{Width: Plain}, Ink, tip, c.add(h.times(r*0.4)).add(side), notch)
	d.area(Pen{Width: Plain}, Paper, tip, c.add(h.times(r*0.4)).sub(side), notch)
	letter(h, r+1.7, Normal, "N", true)
	// The letter stands on the far side of its line from true north. Under an
	// arrow at the foot of the drawing there is no room for it.
	if v, ok := n.DeclinationDeg.Get(); ok && math.Abs(v) >= 3 && (up != 0 || math.Abs(v) < 60) {
		length := r * 0.7
		d.line(Pen{Width: Thin, Dash: []float64{1.2, 0.6}}, c, c.add(heading(v-up).times(length)))
		letter(heading(v+math.Copysign(48, v)-up), max(length+0.6, 3.4), Small, "M", false)
	}
	lines := append([]string{"N: true north"}, n.words()...)
	for i, s := range lines {
		y := d.H - high/2 + em*(1.25*(float64(i)-float64(len(lines)-1)/2)+lettering.Cap/2)
		t := Text{At: Pt{c.X - r - 4, y}, Text: s, Size: Small, Align: End}
		d.add(t)
		left = max(left, t.Width())
	}
	return c.X - r - 4 - left - 3
}
