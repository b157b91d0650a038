package pdf

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
)

// Piece is a drawing on a page and what it is to a reader. Without an element
// it is decoration: frames, rules, running heads and feet.
type Piece struct {
	drawing.Drawing
	At drawing.Pt
	Of *Element
	To Page // a page that a click on it leads to; none for the zero Page
}

// Page is a page that was written.
type Page struct{ num int }

// Stamp is something that stands on many pages and is drawn last, such as how
// many pages there are.
type Stamp struct {
	num  int
	size drawing.Size
}

// Stamp begins a stamp for pages of a size.
func (d *Document) Stamp(size drawing.Size) Stamp { return Stamp{d.reserve(), size} }

// Draw writes what the stamp shows on every page that bears it.
func (d *Document) Draw(s Stamp, what drawing.Drawing) {
	c := &d.content
	c.reset(s.size, &d.used)
	c.marks(what.Marks, drawing.Pt{})
	d.stream(s.num, fmt.Sprintf("/Type /XObject /Subtype /Form /BBox [0 0 %s %s] /Resources <<%s>>", coordinate(s.size.W*perMM), coordinate(s.size.H*perMM), d.fontNames()), c.buf, true)
}

func (d *Document) fontNames() string {
	return fmt.Sprintf("/Font <</F0 %d 0 R /F1 %d 0 R>>", d.faces[0], d.faces[1])
}

// Page writes a page. Pieces are painted in their order, which is also the
// order in which an element is read that has several.
func (d *Document) Page(size drawing.Size, pieces []Piece, stamps ...Stamp) Page {
	num, body := d.reserve(), d.reserve()
	key := len(d.parents)
	d.parents = append(d.parents, d.reserve())
	c := &d.content
	c.reset(size, &d.used)
	var owners, links []int
	for _, p := range pieces {
		if len(p.Marks) == 0 {
			continue
		}
		if p.Of == nil {
			c.op("/Artifact BMC")
		} else {
			c.op("/" + string(p.Of.tag()) + " <</MCID " + strconv.Itoa(len(owners)) + ">> BDC")
			p.Of.kids = append(p.Of.kids, kid{page: num, mark: len(owners)})
			owners = append(owners, d.number(p.Of))
			if p.Of.role == Image {
				p.Of.box = c.rectangle(p)
			}
		}
		c.marks(p.Marks, p.At)
		c.op("EMC")
		if p.To.num != 0 {
			links = append(links, d.link(p, num, c.rectangle(p)))
		}
	}
	forms := ""
	for i, s := range stamps {
		c.op(fmt.Sprintf("/Artifact BMC /X%d Do EMC", i))
		forms += fmt.Sprintf(" /X%d %d 0 R", i, s.num)
	}
	if forms != "" {
		forms = " /XObject <<" + forms + ">>"
	}
	d.stream(body, "", c.buf, true)
	d.object(d.parents[key], "[%s]", references(owners))
	annots := ""
	if len(links) > 0 {
		annots = fmt.Sprintf(" /Annots [%s] /Tabs /S", references(links))
	}
	d.object(num, "<</Type /Page /Parent %d 0 R /MediaBox [0 0 %s %s] /Resources <<%s%s>> /Contents %d 0 R /StructParents %d%s>>",
		d.join(num), coordinate(size.W*perMM), coordinate(size.H*perMM), d.fontNames(), forms, body, key, annots)
	return Page{num}
}

// link writes the annotation that makes a piece lead to a page.
func (d *Document) link(p Piece, page int, box [4]float64) int {
	num := d.reserve()
	key := ""
	if p.Of != nil {
		p.Of.kids = append(p.Of.kids, kid{page: page, object: num})
		key = fmt.Sprintf(" /StructParent %d", len(d.parents))
		d.parents = append(d.parents, d.number(p.Of))
	}
	says := ""
	for _, m := range p.Marks {
		if t, ok := m.(drawing.Text); ok {
			says += t.Text + " "
		}
	}
	d.object(num, "<</Type /Annot /Subtype /Link /F 4 /Rect [%.1f %.1f %.1f %.1f] /Border [0 0 0] /Dest [%d 0 R /Fit] /Contents %s%s>>", box[0], box[1], box[2], box[3], p.To.num, textString(says), key)
	return num
}

// tag is the role as the page names it.
func (e *Element) tag() Role {
	if e.role == RowHead {
		return ColumnHead
	}
	return e.role
}

// perMM is points per millimetre.
const perMM = 72 / 25.4

// content is the content of a page being written. It remembers the graphics
// state, so that this is written only where it changes.
type content struct {
	buf    []byte
	height float64 // of the page, mm
	used   *[2]lettering.Set
	pen    drawing.Pen
	ink    drawing.Fill // of areas and letters
	face   lettering.Face
	points float64 // size of the letters
}

func (c *content) reset(size drawing.Size, used *[2]lettering.Set) {
	*c = content{buf: c.buf[:0], height: size.H, used: used, ink: drawing.Ink}
	c.op("1 J 1 j")
}

func (c *content) op(s string) { c.buf = append(append(c.buf, s...), '\n') }

func (c *content) number(v float64) { c.buf = append(appendCoordinate(c.buf, v), ' ') }

func (c *content) at(p drawing.Pt) {
	c.number(p.X * perMM)
	c.number((c.height - p.Y) * perMM)
}

// rectangle is where a piece stands, in points from the foot of the page.
func (c *content) rectangle(p Piece) [4]float64 {
	return [4]float64{p.At.X * perMM, (c.height - p.At.Y - p.H) * perMM, (p.At.X + p.W) * perMM, (c.height - p.At.Y) * perMM}
}

func (c *content) marks(marks []drawing.Mark, by drawing.Pt) {
	for _, m := range marks {
		switch m := m.(type) {
		case drawing.Path:
			c.path(m, by)
		case drawing.Circle:
			c.circle(m, by)
		case drawing.Text:
			c.text(m, by)
		}
	}
}

func (c *content) path(m drawing.Path, by drawing.Pt) {
	paint := c.paint(m.Pen, m.Fill)
	if paint == "" {
		return
	}
	drawn := false
	for _, line := range m.Lines {
		if len(line) < 2 {
			continue
		}
		drawn = true
		for i, p := range line {
			c.at(drawing.Pt{X: p.X + by.X, Y: p.Y + by.Y})
			c.buf = append(c.buf, "ml"[min(i, 1)], '\n')
		}
		if m.Closed {
			c.op("h")
		}
	}
	if drawn {
		c.op(paint)
	}
}

// kappa makes four Bézier curves a circle, to 0.03 % of its radius.
const kappa = 0.5522847498

func (c *content) circle(m drawing.Circle, by drawing.Pt) {
	paint := c.paint(m.Pen, m.Fill)
	if paint == "" {
		return
	}
	x, y, r, k := m.At.X+by.X, m.At.Y+by.Y, m.R, m.R*kappa
	c.at(drawing.Pt{X: x + r, Y: y})
	c.op("m")
	for _, b := range [4][3]drawing.Pt{
		{{X: x + r, Y: y + k}, {X: x + k, Y: y + r}, {X: x, Y: y + r}},
		{{X: x - k, Y: y + r}, {X: x - r, Y: y + k}, {X: x - r, Y: y}},
		{{X: x - r, Y: y - k}, {X: x - k, Y: y - r}, {X: x, Y: y - r}},
		{{X: x + k, Y: y - r}, {X: x + r, Y: y - k}, {X: x + r, Y: y}},
	} {
		for _, p := range b {
			c.at(p)
		}
		c.op("c")
	}
	c.op("h")
	c.op(paint)
}

// paint sets pen and fill and returns the painting operator; "" draws nothing.
func (c *content) paint(pen drawing.Pen, fill drawing.Fill) string {
	if fill != drawing.Empty {
		c.fill(fill)
	}
	if pen.Width > 0 {
		if pen.Width != c.pen.Width {
			c.number(pen.Width * perMM)
			c.op("w")
		}
		if !slices.Equal(pen.Dash, c.pen.Dash) {
			c.buf = append(c.buf, '[')
			for _, v := range pen.Dash {
				c.number(v * perMM)
			}
			c.op("] 0 d")
			c.op(map[bool]string{true: "0 J", false: "1 J"}[len(pen.Dash) > 0])
		}
		if pen.Paper != c.pen.Paper {
			c.op(map[bool]string{true: "1 G", false: "0 G"}[pen.Paper])
		}
		c.pen = pen
	}
	switch {
	case fill != drawing.Empty && pen.Width > 0:
		return "B"
	case fill != drawing.Empty:
		return "f"
	case pen.Width > 0:
		return "S"
	}
	return ""
}

func (c *content) fill(f drawing.Fill) {
	if f == c.ink {
		return
	}
	c.ink = f
	c.op(map[bool]string{true: "1 g", false: "0 g"}[f == drawing.Paper])
}

func (c *content) text(t drawing.Text, by drawing.Pt) {
	if t.Text == "" {
		return
	}
	ink := drawing.Ink
	if t.Fill == drawing.Paper {
		ink = drawing.Paper
	}
	c.fill(ink)
	face := t.Face()
	c.op("BT")
	if face != c.face || t.Size != c.points {
		c.face, c.points = face, t.Size
		c.buf = append(c.buf, "/F"...)
		c.buf = append(strconv.AppendInt(c.buf, int64(face), 10), ' ')
		c.number(t.Size)
		c.op("Tf")
	}
	at := drawing.Pt{X: t.At.X + by.X, Y: t.At.Y + by.Y}
	back := 0.0
	switch t.Align {
	case drawing.Middle:
		back = t.Width() / 2
	case drawing.End:
		back = t.Width()
	}
	if t.Turned {
		at.Y += back
		c.buf = append(c.buf, "0 1 -1 0 "...)
		c.at(at)
		c.op("Tm")
	} else {
		at.X -= back
		c.at(at)
		c.op("Td")
	}
	c.buf = append(c.buf, '<')
	for _, r := range lettering.Visual(t.Text) {
		if r > 0xFFFF { // cleaned text has none
			r = 0xFFFD
		}
		c.used[face].Add(r)
		const hex = "0123456789ABCDEF"
		c.buf = append(c.buf, hex[r>>12&15], hex[r>>8&15], hex[r>>4&15], hex[r&15])
	}
	c.op("> Tj ET")
}

// appendCoordinate writes points to a hundredth.
func appendCoordinate(b []byte, v float64) []byte {
	if math.IsNaN(v) || math.Abs(v) > 1e7 {
		v = 0
	}
	n := int64(math.Round(v * 100))
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	b = strconv.AppendInt(b, n/100, 10)
	if f := n % 100; f != 0 {
		b = append(b, '.', byte('0'+f/10))
		if f%10 != 0 {
			b = append(b, byte('0'+f%10))
		}
	}
	return b
}

func coordinate(v float64) string { return string(appendCoordinate(nil, v)) }
