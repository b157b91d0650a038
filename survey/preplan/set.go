package preplan

import (
	"strings"

	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
)

// Letter sizes in points.
const (
	fine  = 7.0
	small = 7.5
	body  = 8.5
	clear = 9.5
	lead  = 13.0
)

const leading = 1.28 // line to line, in ems

func lineHeight(pt float64) float64 { return pt * lettering.Point * leading }

// strip is a slice of a page that is never broken, as wide as the page.
type strip struct {
	drawing.Drawing
	keep bool     // stays on the page of the strip after it
	head *strip   // set again above it where it begins a page
	page bool     // leaves the first page of its part
	mark []string // bookmarks
}

// card is a strip being set from the top down.
type card struct {
	strip
	width float64
	y     float64
}

func newCard(width float64) *card { return &card{width: width} }

func (c *card) done() strip {
	c.W, c.H = c.width, c.y
	return c.strip
}

func (c *card) add(m ...drawing.Mark) { c.Marks = append(c.Marks, m...) }

func (c *card) rule(x0, x1, y, width float64) {
	c.add(drawing.Path{Lines: [][]drawing.Pt{{{X: x0, Y: y}, {X: x1, Y: y}}}, Pen: drawing.Pen{Width: width}})
}

func (c *card) box(b drawing.Box, width float64) {
	c.add(rectangle(b, drawing.Pen{Width: width}, drawing.Empty))
}

func rectangle(b drawing.Box, pen drawing.Pen, fill drawing.Fill) drawing.Path {
	return drawing.Path{Lines: [][]drawing.Pt{{{X: b.X0, Y: b.Y0}, {X: b.X1, Y: b.Y0}, {X: b.X1, Y: b.Y1}, {X: b.X0, Y: b.Y1}}}, Closed: true, Pen: pen, Fill: fill}
}

func face(bold bool) lettering.Face {
	if bold {
		return lettering.Bold
	}
	return lettering.Regular
}

// wrap cleans a text and breaks it into lines.
func wrap(s string, pt float64, bold bool, width float64) []string {
	text, _ := lettering.Clean(s)
	return lettering.Wrap(face(bold), pt, width, text)
}

// text sets lines from x on and moves down past them.
func (c *card) text(x, width, pt float64, bold bool, s string) {
	c.lines(x, pt, bold, wrap(s, pt, bold, width))
}

func (c *card) lines(x, pt float64, bold bool, lines []string) {
	for _, l := range lines {
		if l != "" {
			c.add(drawing.Text{At: drawing.Pt{X: x, Y: c.y + pt*lettering.Point*lettering.Ascent}, Text: l, Size: pt, Bold: bold})
		}
		c.y += lineHeight(pt)
	}
}

// field sets a name and beside it, from the column on, its text.
func (c *card) field(x, column, width, pt float64, f Field) {
	top := c.y
	c.text(x, column-1.5, pt, true, f.Name)
	under := c.y
	c.y = top
	c.text(x+column, width-column, pt, f.Loud, f.Text)
	c.y = max(c.y, under)
}

// fieldHeight is the room a field takes.
func fieldHeight(column, width, pt float64, f Field) float64 {
	n := max(len(wrap(f.Name, pt, true, column-1.5)), len(wrap(f.Text, pt, f.Loud, width-column)))
	return float64(n) * lineHeight(pt)
}

// verdict sets mark and word of a verdict and returns the width they take.
func (c *card) verdict(v answer.Verdict, x, r, pt float64) float64 {
	word := drawing.VerdictWord(v)
	at := drawing.Pt{X: x + r + 0.4, Y: c.y + lineHeight(pt)/2}
	c.add(drawing.VerdictMark(v, at, r)...)
	em := pt * lettering.Point
	c.add(drawing.Text{At: drawing.Pt{X: at.X + r + 1.4, Y: at.Y + em*lettering.Cap/2}, Text: word, Size: pt, Bold: true})
	return 2*r + 2 + lettering.Width(lettering.Bold, pt, word) + 3
}

// paragraph sets a text as strips of one line; the first two and the last two
// lines stay together.
func paragraph(s string, width, pt float64, bold bool) []strip {
	return bullet("", 0, s, width, pt, bold)
}

// bullet is a paragraph with a sign in front of its first line.
func bullet(sign string, indent float64, s string, width, pt float64, bold bool) (out []strip) {
	lines := wrap(s, pt, bold, width-indent)
	for i, l := range lines {
		c := newCard(width)
		if i == 0 && sign != "" {
			c.text(0, indent+1, pt, bold, sign)
			c.y = 0
		}
		c.lines(indent, pt, bold, []string{l})
		t := c.done()
		t.keep = len(lines) > 1 && (i == 0 || i == len(lines)-2)
		out = append(out, t)
	}
	return out
}

func space(width, h float64) strip {
	return strip{Drawing: drawing.Drawing{Size: drawing.Size{W: width, H: h}}}
}

func heading(s string, width float64) []strip {
	c := newCard(width)
	c.y = 1.6
	c.text(0, width, clear, true, s)
	c.rule(0, width, c.y+0.1, drawing.Plain)
	c.y += 0.9
	t := c.done()
	t.keep = true
	return []strip{t}
}

// table sets a table row by row; a row higher than a page is broken between
// its lines, and the headings stand again on every page.
func table(t Table, width float64) (out []strip) {
	const gap = 1.5
	total := 0.0
	for _, w := range t.Widths {
		total += w
	}
	widths := make([]float64, len(t.Columns))
	for i := range widths {
		widths[i] = width * t.Widths[i] / total
	}
	set := func(cells [][]string, bold bool, rule float64) strip {
		c := newCard(width)
		x, bottom := 0.0, 0.0
		for i, lines := range cells {
			c.y = 0.5
			c.lines(x, small, bold, lines)
			bottom = max(bottom, c.y)
			x += widths[i]
		}
		c.y = bottom + 0.3
		c.rule(0, width, c.y, rule)
		return c.done()
	}
	cells := func(texts []string, bold bool) [][]string {
		out := make([][]string, len(widths))
		for i := range min(len(texts), len(widths)) {
			out[i] = wrap(texts[i], small, bold, widths[i]-gap)
		}
		return out
	}
	head := set(cells(t.Columns, true), true, drawing.Plain)
	head.keep = true
	out = append(out, head)
	for _, r := range t.Rows {
		rest := cells(r.Cells, r.Loud)
		for again := true; again; {
			const most = 40 // lines
			again = false
			part := make([][]string, len(rest))
			for i, lines := range rest {
				n := min(most, len(lines))
				part[i], rest[i] = lines[:n], lines[n:]
				again = again || len(rest[i]) > 0
			}
			s := set(part, r.Loud, drawing.Thin)
			s.head = &head
			out = append(out, s)
		}
	}
	return out
}

// beside sets columns side by side in one strip, or one under the other where
// they do not fit on a page.
func beside(columns [][]strip, width, gap, most float64) []strip {
	x, high := 0.0, 0.0
	var whole drawing.Drawing
	for _, col := range columns {
		y, w := 0.0, 0.0
		for _, s := range col {
			whole.Put(s.Drawing, drawing.Pt{X: x, Y: y})
			y += s.H
			w = max(w, s.W)
		}
		high = max(high, y)
		x += w + gap
	}
	whole.Left = nil // said in the strips already
	whole.Size = drawing.Size{W: width, H: high}
	if high <= most {
		return []strip{{Drawing: whole}}
	}
	return nil
}

// writeIn sets a form of empty cells, four to a row.
func writeIn(w WriteIn, width float64) strip {
	const high, perRow = 11.5, 4
	c := newCard(width)
	c.y = 0.6
	cell := width / perRow
	for i, f := range w.Fields {
		x, y := float64(i%perRow)*cell, 0.6+float64(i/perRow)*high
		c.box(drawing.Box{X0: x, Y0: y, X1: x + cell, Y1: y + high}, drawing.Plain)
		c.y = y + 0.6
		c.text(x+1, cell-2, fine, false, f)
	}
	c.y = 0.6 + high*float64((len(w.Fields)+perRow-1)/perRow)
	c.box(drawing.Box{X0: 0, Y0: 0.6, X1: width, Y1: c.y}, drawing.Heavy)
	c.y += 0.9
	c.text(0, width, small, true, w.Note)
	return c.done()
}

// left names the labels a drawing had no room for.
func left(d drawing.Drawing) string {
	if len(d.Left) == 0 {
		return ""
	}
	return "No room on the drawing for: " + strings.Join(d.Left, "; ") + "."
}
