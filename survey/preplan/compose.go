package preplan

import (
	"fmt"
	"strings"

	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/pdf"
)

const (
	margin = 12.0 // mm, left and right
	top    = 9.0
	below  = 8.0 // under the foot
)

// aboutPage stands in a text for the number of the page on which the part
// About begins, until the pages are counted: two signs that nobody writes.
const aboutPage = "\u229B\u229B"

// page is one page of the sheet.
type page struct {
	pieces    []pdf.Piece
	bookmarks []string
}

// layout is a sheet laid out in pages.
type layout struct {
	sheet   Sheet
	size    drawing.Size
	pages   []*page
	section *pdf.Element // what is on the pages, for the structure of the document
	begins  []int        // the page on which each part begins, from 1
}

// composer fills pages from the top down.
type composer struct {
	layout
	width  float64
	bottom float64 // of the room for strips
	y      float64
	title  string // of the part under way
	foot   strip
	about  int
	lead   float64 // size of the answer's letters
	part   *pdf.Element
	// unnumbered pages belong to no sheet: they have a number in the book only.
	unnumbered bool
}

// compose lays the sheet out in pages; whole ends it with a full leaf.
func compose(s Sheet, whole bool) layout {
	c := &composer{layout: layout{sheet: s, size: s.Paper.Size(), section: pdf.NewSection()}, lead: lead}
	c.width = c.size.W - 2*margin
	c.foot = c.setFoot()
	c.bottom = c.size.H - below - c.foot.H - lineHeight(fine) - 0.5
	c.part = c.section.Add(pdf.Section)
	c.begin()
	c.front()
	for _, p := range s.Parts {
		c.setPart(p)
	}
	if whole && len(c.pages)%2 == 1 {
		c.notes()
	}
	c.finish()
	return c.layout
}

// setBanner is what stands across the top of every page; a reader hears it on
// the first.
func (c *composer) setBanner(in *pdf.Element) strip {
	k := newCard(c.width, in)
	if len(c.sheet.Banners) == 0 {
		return k.done()
	}
	const pt = 10.0
	k.y = 0.8
	for _, b := range c.sheet.Banners {
		k.says(pdf.Paragraph, 2, c.width-4, pt, true, b)
	}
	k.y += 0.8
	for _, p := range k.pieces {
		for i, m := range p.Marks {
			t := m.(drawing.Text) // a card of text alone
			t.Fill = drawing.Paper
			p.Marks[i] = t
		}
	}
	bar := pdf.Piece{Drawing: drawing.Drawing{Marks: []drawing.Mark{rectangle(drawing.Box{X1: c.width, Y1: k.y}, drawing.Pen{}, drawing.Ink)}}}
	k.pieces = append([]pdf.Piece{bar}, k.pieces...)
	k.y += 1.5
	return k.done()
}

func (c *composer) setFoot() strip {
	k := newCard(c.width, nil)
	k.rule(0, c.width, 0.4, drawing.Thin)
	k.y = 1
	for _, s := range c.sheet.Foot {
		k.text(0, c.width-34, fine, false, s)
	}
	k.y = max(k.y, 1+lineHeight(clear)+lineHeight(fine))
	return k.done()
}

// open starts a page with the banner.
func (c *composer) open() {
	c.pages = append(c.pages, &page{})
	c.y = top
	var in *pdf.Element
	if len(c.pages) == 1 {
		in = c.part
	}
	c.place(c.setBanner(in))
}

// begin starts a page and, after the first, puts the running head on it.
func (c *composer) begin() {
	c.open()
	if len(c.pages) > 1 {
		title := c.title + ", continued"
		if c.title == "" {
			title = "first page, continued"
		}
		c.running(title)
	}
}

func (c *composer) running(title string) {
	k := newCard(c.width, nil)
	name, _ := lettering.Line(c.sheet.Running)
	title, _ = lettering.Line(title)
	w := lettering.Width(lettering.Regular, small, title)
	k.text(0, c.width-w-4, small, true, name)
	k.add(drawing.Text{At: drawing.Pt{X: c.width, Y: baseline(small)}, Text: title, Size: small, Align: drawing.End})
	c.place(k.done())
	c.y += 1
}

func (c *composer) place(s strip) {
	p := c.pages[len(c.pages)-1]
	onto := strip{pieces: p.pieces}
	onto.put(s, drawing.Pt{X: margin, Y: c.y})
	p.pieces = onto.pieces
	p.bookmarks = append(p.bookmarks, s.names...)
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
		if c.y+need > c.bottom+1e-9 && c.y > fresh || c.y+s.H > c.bottom+1e-9 {
			if s.H == 0 || i == len(strips)-1 && len(s.pieces) == 0 {
				continue // an empty space needs no page
			}
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
	return c.bottom - top - c.setBanner(nil).H - lineHeight(small) - 1
}

// setPart begins a page with the title of the part. A part that is a leaf
// begins on an odd page, so that it can be handed out by itself when the sheet
// is printed on both sides.
func (c *composer) setPart(p Part) {
	c.title = p.Title
	c.part = c.section.Add(pdf.Section)
	if p.Leaf && len(c.pages)%2 == 1 {
		c.notes()
	}
	c.open()
	c.begins = append(c.begins, len(c.pages))
	c.place(c.partTitle(p))
	if p.ID == About {
		c.about = len(c.pages)
	}
	if !p.Leaf {
		c.flow(c.blocks(p.Blocks, body))
		return
	}
	front, back := c.leaf(p)
	c.flow(front)
	if len(back) > 0 {
		c.begin()
		c.flow(back)
	}
}

func (c *composer) partTitle(p Part) strip {
	k := newCard(c.width, c.part)
	k.as(pdf.Heading2)
	x := 0.0
	const pt = 15
	if p.Verdict != "" {
		word := drawing.VerdictWord(p.Verdict)
		w := 8 + lettering.Width(lettering.Bold, pt, word) + 3
		x = k.verdict(p.Verdict, c.width-w, 2.8, pt)
	}
	k.text(0, c.width-x-8, pt, true, p.Title)
	k.of = nil
	name, _ := lettering.Line(c.sheet.Running)
	k.text(0, c.width-x-8, small, false, name)
	k.rule(0, c.width, k.y+0.3, drawing.Bold)
	k.y += 1.2
	t := k.done()
	t.names = []string{p.Title}
	return t
}

// notes is a page of lines to write on: the back of a leaf that would
// otherwise be empty.
func (c *composer) notes() {
	c.open()
	c.running("notes")
	k := newCard(c.width, c.section)
	k.says(pdf.Heading2, 0, c.width, clear, true, "Notes made at the call")
	for k.y+8 < c.bottom-c.y {
		k.y += 8
		k.rule(0, c.width, k.y, drawing.Thin)
	}
	c.place(k.done())
}

// heights of the drawings of a leaf, in millimetres.
const (
	leastFigures = 103.0
	mostFigures  = 128.0
)

// leaf sets a part on the front and the back of one leaf. The drawings take
// what the rest leaves of the front; where that is not enough, the form to
// fill in moves to the back. The back is set as large as fits.
func (c *composer) leaf(p Part) (front, back []strip) {
	try := func(face []Block, movable bool) (strips []strip, fits bool) {
		fixed, drawn := 0.0, false
		for _, b := range face {
			if b.Figures == nil {
				fixed += stack(c.block(b, c.width, crew, 0)).H
			}
			drawn = drawn || b.Figures != nil
		}
		const after = 1.0 // under the drawings
		room := c.bottom - c.y
		if movable && drawn && room-fixed-after < leastFigures {
			return nil, false
		}
		// A second try makes room for what a drawing lists under itself.
		for high := room - fixed - after; ; high = max(high-8, leastFigures) {
			strips = nil
			for _, b := range face {
				strips = append(strips, c.block(b, c.width, crew, min(max(high, leastFigures), mostFigures))...)
			}
			if fits = stack(strips).H <= room+after; fits || high <= leastFigures {
				return strips, fits
			}
		}
	}
	behind := p.Back
	n := len(p.Blocks) - 1
	movable := n >= 0 && p.Blocks[n].WriteIn != nil
	front, fits := try(p.Blocks, movable)
	if !fits && movable {
		behind = append([]Block{p.Blocks[n]}, behind...)
		if front, fits = try(p.Blocks[:n], false); !fits { // a long answer, in smaller letters
			c.lead = clear
			front, _ = try(p.Blocks[:n], false)
			c.lead = lead
		}
	}
	for _, pt := range []float64{body, small, fine} {
		back = c.blocks(behind, pt)
		if stack(back).H <= c.room() {
			break
		}
	}
	return front, back
}

func (c *composer) blocks(blocks []Block, pt float64) (out []strip) {
	for _, b := range blocks {
		out = append(out, c.block(b, c.width, pt, 0)...)
	}
	return out
}

// finish puts the foot on every page, now that they are counted, and notes
// where characters had to be replaced.
func (c *composer) finish() {
	for i, p := range c.pages {
		replaced := false
		for _, piece := range p.pieces {
			for j, m := range piece.Marks {
				if t, ok := m.(drawing.Text); ok {
					if strings.Contains(t.Text, aboutPage) {
						t.Text = strings.ReplaceAll(t.Text, aboutPage, fmt.Sprint(c.about))
						piece.Marks[j] = t
					}
					replaced = replaced || strings.Contains(t.Text, "[U+")
				}
			}
		}
		k := newCard(c.width, nil)
		at := drawing.Pt{X: margin, Y: c.size.H - below - c.foot.H}
		if replaced {
			k.y = -lineHeight(fine)
			k.text(0, c.width, fine, false, "[U+…] stands for a character that these letters cannot print; its Unicode number is given.")
		}
		k.put(c.foot, drawing.Pt{})
		if !c.unnumbered {
			k.add(drawing.Text{
				At:   drawing.Pt{X: c.width, Y: 1 + baseline(clear)},
				Text: fmt.Sprintf("page %d of %d", i+1, len(c.pages)), Size: clear, Bold: true, Align: drawing.End,
			})
		}
		foot := strip{pieces: p.pieces}
		foot.put(k.strip, at)
		p.pieces = foot.pieces
	}
}

// Pages lays the sheet out and returns its pages as drawings: what is printed,
// mark by mark.
func (s Sheet) Pages() []drawing.Drawing {
	l := compose(s, false)
	out := make([]drawing.Drawing, len(l.pages))
	for i, p := range l.pages {
		out[i] = drawing.Drawing{Size: l.size, Title: fmt.Sprintf("%s, page %d", s.Title, i+1)}
		for _, piece := range p.pieces {
			out[i].Put(drawing.Drawing{Marks: piece.Marks}, piece.At)
		}
	}
	return out
}
