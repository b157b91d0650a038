package preplan

import (
	"fmt"
	"strings"

	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/pdf"
)

const moreWords = " (in full: page " + aboutPage + ")"

// front composes the first page: the map and the dangers take what the rest
// leaves.
func (c *composer) front() {
	f := c.sheet.Front
	above := []strip{c.nameStrip(f), c.bestStrip(f), c.secondStrip(f)}
	middle := c.part.Add(pdf.Division) // read before what stands under it
	under := []strip{c.ways(f), c.stateStrip(f), c.cautions(f)}
	free := c.bottom - c.y
	for _, s := range append(append([]strip(nil), above...), under...) {
		free -= s.H
	}
	all := append([]strip(nil), above...)
	const least = 60.0 // mm, for a map with its legend
	if free >= least {
		all = append(all, c.mapAndDangers(middle, f, free))
	} else {
		all = append(all, c.dangers(middle, f, c.width, max(free, 40)))
	}
	all = append(all, under...)
	all[0].names = []string{c.sheet.Title}
	if free < least {
		all = append(all, heading(c.part, "Map", c.width, clear)...)
		all = append(all, c.drawn(Figure{Drawer: f.Map}, drawing.Size{W: c.width, H: 110})...)
	}
	c.flow(all)
}

// nameStrip is name, code, grid reference and the codes to scan.
func (c *composer) nameStrip(f Front) strip {
	const codeSize, most = 25.0, 36.0
	k := newCard(c.width, c.part)
	width, x := c.width, c.width
	for _, code := range []struct{ text, name string }{{f.Address, "this sheet, as it is now"}, {f.GeoURI, "position"}} {
		if code.text == "" {
			continue
		}
		marks := drawing.CodeMarks(code.text, drawing.Box{X1: codeSize, Y1: codeSize})
		if marks == nil {
			continue
		}
		column := min(max(codeSize+3, lettering.Width(lettering.Regular, fine, code.text)+1.5), most)
		x -= column
		k.figure(drawing.Drawing{Size: drawing.Size{W: codeSize, H: codeSize}, Title: "Code to scan: " + code.name, Desc: code.text, Marks: marks}, drawing.Pt{X: x + (column-codeSize)/2})
		k.y = codeSize + 0.2
		k.says(pdf.Paragraph, x+1, column-1, fine, true, code.name)
		k.says(pdf.Paragraph, x+1, column-1, fine, false, code.text)
		k.H = max(k.H, k.y)
		width = x - 3
	}
	k.y = 0
	pt := 20.0
	if len(wrap(f.Name, pt, true, width)) > 1 {
		pt = 13
	}
	k.says(pdf.Heading1, 0, width, pt, true, f.Name)
	k.says(pdf.Paragraph, 0, width, clear, false, "site "+f.Code+" · "+f.Kind)
	k.y += 0.8
	grid := 28.0
	for grid > 10 && len(wrap(f.Grid, grid, true, width)) > 1 {
		grid--
	}
	k.says(pdf.Paragraph, 0, width, grid, true, f.Grid)
	k.says(pdf.Paragraph, 0, width, clear, false, strings.TrimSuffix(f.LatLon+" · "+f.Mark, " · "))
	if f.AddressNone != "" {
		k.says(pdf.Paragraph, 0, width, fine, false, f.AddressNone)
	}
	k.y = max(k.y, k.H) + 1.2
	return k.done()
}

const pad = 2.0 // mm inside a box

// bestStrip is the box of the best anchor.
func (c *composer) bestStrip(f Front) strip {
	k := newCard(c.width, c.part)
	k.y = 1.2
	inner := c.width - 2*pad
	k.says(pdf.Heading2, pad, inner, clear, true, f.Heading)
	if f.Best == nil {
		k.says(pdf.Paragraph, pad, inner, lead, true, f.None)
	} else {
		b := *f.Best
		k.y += 0.4
		k.as(pdf.Paragraph)
		w := k.verdict(b.Verdict, pad, 3, 15)
		k.text(pad+w, inner-w, 15, true, b.Title)
		k.says(pdf.Paragraph, pad, inner, 18, true, sentence(b.Pull))
		k.y += 0.6
		k.fieldColumns(b.Rows, pad, inner, clear)
	}
	k.y += 1
	k.box(drawing.Box{X0: 0.6, Y0: 0.6, X1: c.width - 0.6, Y1: k.y}, drawing.Heavy)
	k.y += 1.6
	return k.done()
}

// sentence makes the first letter of a text a capital.
func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// fieldColumns sets runs of narrow fields in two columns and wide fields over
// the whole width.
func (c *card) fieldColumns(fields []Field, x, width, pt float64) {
	const column, gap = 22.0, 3.0
	list := c.in.Add(pdf.List)
	for i := 0; i < len(fields); {
		if fields[i].Wide {
			c.field(list, x, column, width, pt, fields[i])
			i++
			continue
		}
		j := i
		for j < len(fields) && !fields[j].Wide {
			j++
		}
		w := (width - gap) / 2
		total := 0.0
		for _, f := range fields[i:j] {
			total += fieldHeight(column, w, pt, f)
		}
		start, at, deepest, second := c.y, x, c.y, false
		for _, f := range fields[i:j] {
			if !second && c.y-start >= total/2-0.1 {
				deepest, second = c.y, true
				c.y, at = start, x+w+gap
			}
			c.field(list, at, column, w, pt, f)
		}
		c.y = max(c.y, deepest)
		i = j
	}
}

func (c *composer) secondStrip(f Front) strip {
	k := newCard(c.width, c.part)
	k.y = 1.2
	inner := c.width - 2*pad
	if f.Second == nil {
		k.says(pdf.Heading2, pad, inner, clear, true, "Second choice: "+f.SecondNone)
	} else {
		s := *f.Second
		k.says(pdf.Heading2, pad, inner, body, true, "Second choice")
		k.as(pdf.Paragraph)
		w := k.verdict(s.Verdict, pad, 2.2, 11)
		k.text(pad+w, inner-w, 11, true, s.Title+" · "+s.Pull)
		k.of = nil
		k.fieldColumns(s.Rows, pad, inner, body)
	}
	k.y += 1
	k.box(drawing.Box{X0: 0.4, Y0: 0.4, X1: c.width - 0.4, Y1: k.y}, drawing.Plain)
	k.y += 2
	return k.done()
}

// mapAndDangers sets the map with the dangers at its right.
func (c *composer) mapAndDangers(in *pdf.Element, f Front, high float64) strip {
	const gap = 4.0
	side := 70.0
	high -= 1.5
	size := drawing.Size{W: c.width - side - gap, H: high}
	d := f.Map.Draw(size)
	k := newCard(c.width, in)
	if s := roomless(d.Left); s != "" {
		note := wrap(s, fine, false, size.W)
		const most = 4 // lines; every point has a page of its own
		if len(note) > most {
			note = append(note[:most-1], "and others: each has its own page.")
		}
		size.H -= float64(len(note)) * lineHeight(fine)
		d = f.Map.Draw(size)
		k.y = d.H
		k.as(pdf.Paragraph)
		k.lines(0, fine, false, note)
		k.of = nil
	}
	k.figure(d, drawing.Pt{})
	k.left = nil
	k.put(c.dangers(in, f, side, high), drawing.Pt{X: c.width - side})
	k.y = high + 1.5
	return k.done()
}

// dangers sets what will hurt people here, smaller where it is much, and as
// much as fits; all of it stands in the part About.
func (c *composer) dangers(in *pdf.Element, f Front, width, high float64) strip {
	const column = 18.0
	k := newCard(width, in)
	k.says(pdf.Heading2, 0, width, clear, true, "What will hurt you here")
	k.rule(0, width, k.y, drawing.Bold)
	k.y += 0.8
	pt := body
	for all := k.y; pt > small; pt -= 0.5 {
		h := all
		for _, d := range f.Dangers {
			h += fieldHeight(column, width, pt, d) + 0.4
		}
		if h <= high {
			break
		}
	}
	list := in.Add(pdf.List)
	for i, d := range f.Dangers {
		last := i == len(f.Dangers)-1
		reserve := 0.0
		if !last {
			reserve = 2 * lineHeight(pt)
		}
		if k.y+fieldHeight(column, width, pt, d)+reserve > high {
			k.says(pdf.Paragraph, 0, width, pt, true, fmt.Sprintf("and %d more: page %s", len(f.Dangers)-i, aboutPage))
			break
		}
		k.field(list, 0, column, width, pt, d)
		k.y += 0.4
	}
	if len(f.Dangers) == 0 {
		k.says(pdf.Paragraph, 0, width, pt, true, "Nothing is recorded: take nothing as safe.")
	}
	return k.done()
}

// ways is how to get there and where to stage, side by side.
func (c *composer) ways(f Front) strip {
	const gap = 5.0
	k := newCard(c.width, c.part)
	w := (c.width - gap) / 2
	deepest := 0.0
	for i, t := range []struct {
		name string
		text Excerpt
	}{{"How to get there", f.Access}, {"Stage", f.Staging}} {
		x := float64(i) * (w + gap)
		k.y = 0
		k.says(pdf.Heading2, x, w, clear, true, t.name)
		text := t.text.Text
		if t.text.More {
			text += moreWords
		}
		k.says(pdf.Paragraph, x, w, body, false, text)
		deepest = max(deepest, k.y)
	}
	k.y = deepest + 1
	return k.done()
}

func (c *composer) stateStrip(f Front) strip {
	k := newCard(c.width, c.part)
	list := c.part.Add(pdf.List)
	for _, s := range f.State {
		k.field(list, 0, 21, c.width, body, s)
	}
	k.y += 1
	return k.done()
}

func (c *composer) cautions(f Front) strip {
	k := newCard(c.width, c.part)
	k.y = 0.9
	for i, s := range f.Cautions {
		k.says(pdf.Paragraph, pad, c.width-2*pad, small, false, fmt.Sprintf("%d. %s", i+1, s))
	}
	k.y += 0.7
	k.box(drawing.Box{X0: 0.4, Y0: 0.4, X1: c.width - 0.4, Y1: k.y}, drawing.Plain)
	k.y += 0.6
	return k.done()
}
