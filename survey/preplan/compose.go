package preplan

import (
	"fmt"
	"strings"

	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
)

const (
	margin = 12.0 // mm, left and right
	top    = 9.0
	below  = 9.0 // under the foot
)

// aboutPage stands in a text for the number of the page on which the part
// About begins, until the pages are counted: two signs that nobody writes.
const aboutPage = "\u229B\u229B"

// page is one page of the sheet.
type page struct {
	drawing.Drawing
	bookmarks []string
}

// composer fills pages from the top down.
type composer struct {
	sheet  Sheet
	size   drawing.Size
	width  float64
	bottom float64 // of the room for strips
	pages  []*page
	y      float64
	title  string // of the part under way
	first  int    // the number of its first page
	foot   strip
	banner strip
	about  int
}

// compose lays the sheet out in pages.
func compose(s Sheet) []*page {
	c := &composer{sheet: s, size: s.Paper.Size()}
	c.width = c.size.W - 2*margin
	c.foot, c.banner = c.setFoot(), c.setBanner()
	c.bottom = c.size.H - below - c.foot.H - lineHeight(fine) - 1
	c.begin()
	c.front()
	for _, p := range s.Parts {
		c.part(p)
	}
	c.finish()
	return c.pages
}

func (c *composer) setBanner() strip {
	k := newCard(c.width)
	if len(c.sheet.Banners) == 0 {
		return k.done()
	}
	const pt = 10.0
	k.y = 0.8
	for _, b := range c.sheet.Banners {
		k.text(2, c.width-4, pt, true, b)
	}
	k.y += 0.8
	for i, m := range k.Marks {
		t := m.(drawing.Text) // a card of text alone
		t.Fill = drawing.Paper
		k.Marks[i] = t
	}
	bar := rectangle(drawing.Box{X1: c.width, Y1: k.y}, drawing.Pen{}, drawing.Ink)
	k.Marks = append([]drawing.Mark{bar}, k.Marks...)
	k.y += 1.5
	return k.done()
}

func (c *composer) setFoot() strip {
	k := newCard(c.width)
	k.rule(0, c.width, 0.4, drawing.Thin)
	k.y = 1
	for _, s := range c.sheet.Foot {
		k.text(0, c.width-32, fine, false, s)
	}
	k.y = max(k.y, 1+lineHeight(clear))
	return k.done()
}

// begin starts a page with the banner and, after the first, the running head.
func (c *composer) begin() {
	p := &page{Drawing: drawing.Drawing{Size: c.size}}
	c.pages = append(c.pages, p)
	c.y = top
	p.Put(c.banner.Drawing, drawing.Pt{X: margin, Y: c.y})
	c.y += c.banner.H
	if len(c.pages) == 1 {
		return
	}
	k := newCard(c.width)
	name, _ := lettering.Line(c.sheet.Running)
	title, _ := lettering.Line(c.title)
	title += ", continued"
	if c.title == "" {
		title = "first page, continued"
	}
	w := lettering.Width(lettering.Regular, small, title)
	k.text(0, c.width-w-4, small, true, name)
	k.add(drawing.Text{At: drawing.Pt{X: c.width, Y: small * lettering.Point * lettering.Ascent}, Text: title, Size: small, Align: drawing.End})
	c.place(k.done())
	c.y += 1
}

func (c *composer) place(s strip) {
	p := c.pages[len(c.pages)-1]
	p.Put(s.Drawing, drawing.Pt{X: margin, Y: c.y})
	p.bookmarks = append(p.bookmarks, s.mark...)
	c.y += s.H
}

// flow places strips, breaking pages where the next one, with those it must
// stay with, does not fit.
func (c *composer) flow(strips []strip) {
	fresh := c.y
	for i := 0; i < len(strips); i++ {
		s := strips[i]
		need := s.H
		for j := i; j+1 < len(strips) && strips[j].keep; j++ {
			need += strips[j+1].H
		}
		if s.page && len(c.pages) == c.first || c.y+need > c.bottom && c.y > fresh || c.y+s.H > c.bottom {
			c.begin()
			fresh = c.y
			if s.head != nil {
				c.place(*s.head)
			}
		}
		c.place(s)
	}
}

// room is the height of an empty page.
func (c *composer) room() float64 {
	return c.bottom - top - c.banner.H - lineHeight(small) - 1
}

// part begins a page with the title of the part.
func (c *composer) part(p Part) {
	c.title = p.Title
	k := newCard(c.width)
	x := 0.0
	if p.Verdict != "" {
		const pt = 15
		word := drawing.VerdictWord(p.Verdict)
		w := 8 + lettering.Width(lettering.Bold, pt, word) + 3
		x = k.verdict(p.Verdict, c.width-w, 2.8, pt)
	}
	k.text(0, c.width-x-8, 15, true, p.Title)
	name, _ := lettering.Line(c.sheet.Running)
	k.text(0, c.width-x-8, small, false, name)
	k.rule(0, c.width, k.y+0.3, drawing.Bold)
	k.y += 1.2
	t := k.done()
	t.mark = []string{p.Title}
	c.begun(t)
	c.first = len(c.pages)
	if p.ID == About {
		c.about = len(c.pages)
	}
	var all []strip
	for _, b := range p.Blocks {
		all = append(all, c.block(b, c.width)...)
	}
	c.flow(all)
}

// begun starts a page without a running head, the title being on it.
func (c *composer) begun(title strip) {
	p := &page{Drawing: drawing.Drawing{Size: c.size}}
	c.pages = append(c.pages, p)
	c.y = top
	p.Put(c.banner.Drawing, drawing.Pt{X: margin, Y: c.y})
	c.y += c.banner.H
	c.place(title)
}

// block sets one block in strips.
func (c *composer) block(b Block, width float64) (out []strip) {
	if b.Heading != "" {
		out = heading(b.Heading, width)
	}
	switch {
	case b.Lead != "":
		out = append(out, paragraph(b.Lead, width, lead, true)...)
		out = append(out, space(width, 1))
	case b.Text != "":
		out = append(out, paragraph(b.Text, width, body, false)...)
	case b.Table != nil:
		out = append(out, table(*b.Table, width)...)
	case b.Figures != nil:
		out = append(out, c.figures(b.Figures, width)...)
	case b.Columns != nil:
		out = append(out, c.columns(b.Columns, width)...)
	case b.WriteIn != nil:
		out = append(out, writeIn(*b.WriteIn, width))
	}
	for _, f := range b.Fields {
		out = append(out, fieldStrips(f, width)...)
	}
	for _, s := range b.List {
		out = append(out, bullet("–", 3.2, s, width, body, false)...)
	}
	if b.Columns == nil {
		out = append(out, space(width, 1))
	}
	if len(out) > 0 {
		out[0].page = b.Break
	}
	return out
}

func fieldStrips(f Field, width float64) []strip {
	const column = 21.0
	k := newCard(width)
	if fieldHeight(column, width, body, f) < 60 {
		k.field(0, column, width, body, f)
		return []strip{k.done()}
	}
	return append(paragraph(f.Name, width, body, true), paragraph(f.Text, width, body, f.Loud)...)
}

// figures sets the first drawing with the others stacked beside it where the
// width allows, else one under the other.
func (c *composer) figures(fs []Figure, width float64) (out []strip) {
	const gap = 3.0
	draw := func(f Figure, w float64) []strip {
		d := f.Drawer.Draw(drawing.Size{W: min(f.Size.W, w), H: f.Size.H})
		out := []strip{{Drawing: d}}
		if s := left(d); s != "" {
			out[0].keep = true
			out = append(out, paragraph(s, d.W, small, false)...)
		}
		return out
	}
	if len(fs) > 1 && fs[0].Size.W+gap+fs[1].Size.W <= width+1 {
		first := draw(fs[0], width)
		var side []strip
		for i, f := range fs[1:] {
			if i > 0 {
				side = append(side, space(f.Size.W, gap))
			}
			side = append(side, draw(f, width-first[0].W-gap)...)
		}
		if both := beside([][]strip{first, side}, width, gap, c.room()); both != nil {
			return both
		}
		return append(first, side...)
	}
	for _, f := range fs {
		out = append(out, draw(f, width)...)
	}
	return out
}

func (c *composer) columns(cols []Column, width float64) []strip {
	const gap = 5.0
	var filled []Column
	total := 0.0
	for _, col := range cols {
		if len(col.Blocks) > 0 {
			filled = append(filled, col)
			total += col.Share
		}
	}
	set := func(blocks []Block, w float64) (out []strip) {
		for _, b := range blocks {
			out = append(out, c.block(b, w)...)
		}
		return out
	}
	if len(filled) > 1 {
		var columns [][]strip
		for _, col := range filled {
			columns = append(columns, set(col.Blocks, (width-gap*float64(len(filled)-1))*col.Share/total))
		}
		if both := beside(columns, width, gap, 0.6*c.room()); both != nil {
			return both
		}
	}
	var out []strip
	for _, col := range filled {
		out = append(out, set(col.Blocks, width)...)
	}
	return out
}

// finish puts the foot on every page, now that they are counted, and notes
// where characters had to be replaced.
func (c *composer) finish() {
	for i, p := range c.pages {
		replaced := false
		for j, m := range p.Marks {
			if t, ok := m.(drawing.Text); ok {
				if strings.Contains(t.Text, aboutPage) {
					t.Text = strings.ReplaceAll(t.Text, aboutPage, fmt.Sprint(c.about))
					p.Marks[j] = t
				}
				replaced = replaced || strings.Contains(t.Text, "[U+")
			}
		}
		at := drawing.Pt{X: margin, Y: c.size.H - below - c.foot.H}
		if replaced {
			k := newCard(c.width)
			k.text(0, c.width, fine, false, "[U+…] stands for a character that these letters cannot print; its Unicode number is given.")
			p.Put(k.done().Drawing, drawing.Pt{X: margin, Y: at.Y - lineHeight(fine)})
		}
		p.Put(c.foot.Drawing, at)
		p.Marks = append(p.Marks, drawing.Text{
			At:   drawing.Pt{X: c.size.W - margin, Y: at.Y + 1 + clear*lettering.Point*lettering.Ascent},
			Text: fmt.Sprintf("page %d of %d", i+1, len(c.pages)), Size: clear, Bold: true, Align: drawing.End,
		})
	}
}
