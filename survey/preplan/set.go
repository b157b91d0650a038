package preplan

import (
	"slices"
	"strings"

	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/pdf"
)

// Letter sizes in points.
const (
	fine  = 7.0
	small = 7.5
	crew  = 8.0 // on the front of a leaf
	body  = 8.5
	clear = 9.5
	lead  = 12.0
)

// lineHeight is from line to line, in millimetres; what a crew reads in the
// dark is set wider than the fine print.
func lineHeight(pt float64) float64 {
	if pt <= fine {
		return pt * lettering.Point * 1.18
	}
	return pt * lettering.Point * 1.22
}

// baseline is how far under the top of a line its letters stand.
func baseline(pt float64) float64 { return pt * lettering.Point * lettering.Ascent }

// strip is a slice of a page that is never broken, as wide as the page.
type strip struct {
	drawing.Size
	pieces []pdf.Piece
	keep   bool     // stays on the page of the strip after it
	head   *strip   // set again above it where it begins a page
	names  []string // bookmarks
	left   []string // labels that a drawing on it had no room for
}

// put sets another strip on this one.
func (s *strip) put(o strip, at drawing.Pt) {
	for _, p := range o.pieces {
		p.At = drawing.Pt{X: p.At.X + at.X, Y: p.At.Y + at.Y}
		p.Marks = slices.Clip(p.Marks) // what is added here must not reach into the other
		s.pieces = append(s.pieces, p)
	}
	s.left = append(s.left, o.left...)
}

// card is a strip being set from the top down. What is set belongs to an
// element of the structure tree, or is decoration where there is none.
type card struct {
	strip
	width float64
	y     float64
	in    *pdf.Element // what is begun belongs to
	of    *pdf.Element // what is set belongs to
}

func newCard(width float64, in *pdf.Element) *card { return &card{width: width, in: in} }

func (c *card) done() strip {
	c.W, c.H = c.width, c.y
	return c.strip
}

// as begins an element for what is set next.
func (c *card) as(r pdf.Role) *pdf.Element {
	c.of = c.in.Add(r)
	return c.of
}

func (c *card) add(m ...drawing.Mark) { c.mark(c.of, m...) }

func (c *card) mark(of *pdf.Element, m ...drawing.Mark) {
	if n := len(c.pieces); n > 0 && c.pieces[n-1].Of == of && c.pieces[n-1].At == (drawing.Pt{}) && c.pieces[n-1].W == 0 {
		c.pieces[n-1].Marks = append(c.pieces[n-1].Marks, m...)
		return
	}
	c.pieces = append(c.pieces, pdf.Piece{Drawing: drawing.Drawing{Marks: m}, Of: of})
}

// figure sets a drawing with the words that stand for it.
func (c *card) figure(d drawing.Drawing, at drawing.Pt) {
	c.left = append(c.left, d.Left...)
	c.pieces = append(c.pieces, pdf.Piece{Drawing: d, At: at, Of: c.in.AddImage(d.Title + ". " + d.Desc)})
}

func (c *card) rule(x0, x1, y, width float64) {
	c.mark(nil, drawing.Path{Lines: [][]drawing.Pt{{{X: x0, Y: y}, {X: x1, Y: y}}}, Pen: drawing.Pen{Width: width}})
}

func (c *card) box(b drawing.Box, width float64) {
	c.mark(nil, rectangle(b, drawing.Pen{Width: width}, drawing.Empty))
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
			c.add(drawing.Text{At: drawing.Pt{X: x, Y: c.y + baseline(pt)}, Text: l, Size: pt, Bold: bold})
		}
		c.y += lineHeight(pt)
	}
}

// link sets lines that lead to a page.
func (c *card) link(to pdf.Page, x, width, pt float64, lines []string) {
	k := newCard(width, nil)
	k.lines(0, pt, false, lines)
	for _, p := range k.pieces {
		p.Size, p.At, p.Of, p.To = drawing.Size{W: width, H: k.y}, drawing.Pt{X: x, Y: c.y}, c.of.Add(pdf.Link), to
		c.pieces = append(c.pieces, p)
	}
	c.y += k.y
}

// says sets a paragraph, heading or other element of its own.
func (c *card) says(r pdf.Role, x, width, pt float64, bold bool, s string) {
	c.as(r)
	c.text(x, width, pt, bold, s)
	c.of = nil
}

// field sets a name and beside it, from the column on, its text.
func (c *card) field(list *pdf.Element, x, column, width, pt float64, f Field) {
	item := list.Add(pdf.Item)
	top := c.y
	c.of = item.Add(pdf.Label)
	c.text(x, column-1.5, pt, true, f.Name)
	under := c.y
	c.y = top
	c.of = item.Add(pdf.Body)
	c.text(x+column, width-column, pt, f.Loud, f.Text)
	c.of = nil
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
	c.mark(nil, drawing.VerdictMark(v, at, r)...)
	em := pt * lettering.Point
	c.add(drawing.Text{At: drawing.Pt{X: at.X + r + 1.4, Y: at.Y + em*lettering.Cap/2}, Text: word, Size: pt, Bold: true})
	return 2*r + 2 + lettering.Width(lettering.Bold, pt, word) + 3
}

// paragraph sets a text as strips of one line; the first two and the last two
// lines stay together.
func paragraph(in *pdf.Element, s string, width, pt float64, bold bool) []strip {
	return lineStrips(in.Add(pdf.Paragraph), 0, s, width, pt, bold)
}

func lineStrips(of *pdf.Element, indent float64, s string, width, pt float64, bold bool) (out []strip) {
	lines := wrap(s, pt, bold, width-indent)
	for i, l := range lines {
		c := newCard(width, nil)
		c.of = of
		c.lines(indent, pt, bold, []string{l})
		t := c.done()
		t.keep = len(lines) > 1 && (i == 0 || i == len(lines)-2)
		out = append(out, t)
	}
	return out
}

// bullet is an item of a list with a sign in front of its first line.
func bullet(list *pdf.Element, sign string, indent float64, s string, width, pt float64) []strip {
	item := list.Add(pdf.Item)
	c := newCard(width, nil)
	c.of = item.Add(pdf.Label)
	c.text(0, indent+1, pt, false, sign)
	label := c.done()
	out := lineStrips(item.Add(pdf.Body), indent, s, width, pt, false)
	if len(out) > 0 {
		label.put(out[0], drawing.Pt{})
		out[0].pieces = label.pieces
	}
	return out
}

func space(width, h float64) strip { return strip{Size: drawing.Size{W: width, H: h}} }

func heading(in *pdf.Element, s string, width, pt float64) []strip {
	c := newCard(width, in)
	c.y = 0.6
	c.says(pdf.Heading3, 0, width, pt, true, s)
	c.rule(0, width, c.y+0.1, drawing.Plain)
	c.y += 0.5
	t := c.done()
	t.keep = true
	return []strip{t}
}

// table sets a table row by row; a row higher than a page is broken between
// its lines, and the headings stand again on every page.
func table(in *pdf.Element, t Table, width, pt float64) []strip {
	return linkedTable(in, t, width, pt, nil)
}

// linkedTable is a table whose rows lead to pages by their last cell.
func linkedTable(in *pdf.Element, t Table, width, pt float64, to []pdf.Page) (out []strip) {
	const gap = 1.3
	total := 0.0
	for _, w := range t.Widths {
		total += w
	}
	widths := make([]float64, len(t.Columns))
	for i := range widths {
		widths[i] = width * t.Widths[i] / total
	}
	whole := in.Add(pdf.Table)
	set := func(row *pdf.Element, roles []pdf.Role, cells [][]string, bold bool, rule float64, to pdf.Page) strip {
		c := newCard(width, row)
		x, bottom := 0.0, 0.0
		for i, lines := range cells {
			c.y = 0.35
			c.as(roles[i])
			if to != (pdf.Page{}) && i == len(cells)-1 {
				c.link(to, x, widths[i], pt, lines)
				continue
			}
			c.lines(x, pt, bold, lines)
			bottom = max(bottom, c.y)
			x += widths[i]
		}
		c.y = bottom + 0.2
		c.rule(0, width, c.y, rule)
		return c.done()
	}
	cells := func(texts []string, bold bool) [][]string {
		out := make([][]string, len(widths))
		for i := range min(len(texts), len(widths)) {
			out[i] = wrap(texts[i], pt, bold, widths[i]-gap)
		}
		return out
	}
	heads, body := make([]pdf.Role, len(widths)), make([]pdf.Role, len(widths))
	for i := range widths {
		heads[i], body[i] = pdf.ColumnHead, pdf.Cell
	}
	if len(body) > 0 {
		body[0] = pdf.RowHead
	}
	names := cells(t.Columns, true)
	head := set(whole.Add(pdf.Row), heads, names, true, drawing.Plain, pdf.Page{})
	head.keep = true
	again := set(nil, heads, names, true, drawing.Plain, pdf.Page{}) // read once
	out = append(out, head)
	for i, r := range t.Rows {
		row := whole.Add(pdf.Row)
		var leads pdf.Page
		if i < len(to) {
			leads = to[i]
		}
		rest := cells(r.Cells, r.Loud)
		for more := true; more; {
			const most = 40 // lines
			more = false
			part := make([][]string, len(rest))
			for i, lines := range rest {
				n := min(most, len(lines))
				part[i], rest[i] = lines[:n], lines[n:]
				more = more || len(rest[i]) > 0
			}
			s := set(row, body, part, r.Loud, drawing.Thin, leads)
			s.head = &again
			out = append(out, s)
			row = nil
			if more {
				row = whole.Add(pdf.Row)
			}
		}
	}
	return out
}

// stack sets strips under each other as one.
func stack(strips []strip) (out strip) {
	for _, s := range strips {
		out.put(s, drawing.Pt{Y: out.H})
		out.H += s.H
		out.W = max(out.W, s.W)
	}
	return out
}

// beside sets columns side by side in one strip; nil where they do not fit on
// a page.
func beside(columns [][]strip, width, gap, most float64) []strip {
	x := 0.0
	whole := strip{Size: drawing.Size{W: width}}
	for _, col := range columns {
		s := stack(col)
		whole.put(s, drawing.Pt{X: x})
		whole.H = max(whole.H, s.H)
		x += s.W + gap
	}
	whole.left = nil // said in the strips already
	if whole.H <= most {
		return []strip{whole}
	}
	return nil
}

// writeIn sets a form of empty cells, four to a row.
func writeIn(in *pdf.Element, w WriteIn, width float64) strip {
	const high, perRow = 9.0, 4
	c := newCard(width, in)
	c.y = 0.6
	cell := width / perRow
	for i, f := range w.Fields {
		x, y := float64(i%perRow)*cell, 0.6+float64(i/perRow)*high
		c.box(drawing.Box{X0: x, Y0: y, X1: x + cell, Y1: y + high}, drawing.Plain)
		c.y = y + 0.4
		c.says(pdf.Paragraph, x+1, cell-2, fine, false, f)
	}
	c.y = 0.6 + high*float64((len(w.Fields)+perRow-1)/perRow)
	c.box(drawing.Box{X0: 0, Y0: 0.6, X1: width, Y1: c.y}, drawing.Heavy)
	c.y += 0.6
	return c.done()
}

// roomless names the labels a drawing had no room for.
func roomless(labels []string) string {
	if len(labels) == 0 {
		return ""
	}
	return "No room on the drawing for: " + strings.Join(labels, "; ") + "."
}
