package preplan

import (
	"fmt"
	"strings"

	"rsc.io/qr"

	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
)

const moreWords = " (in full: page " + aboutPage + ")"

// front composes the first page: the map and the dangers take what the rest
// leaves.
func (c *composer) front() {
	f := c.sheet.Front
	above := []strip{c.nameStrip(f), c.bestStrip(f), c.secondStrip(f)}
	under := []strip{c.ways(f), c.stateStrip(f), c.cautions(f)}
	free := c.bottom - c.y
	for _, s := range append(append([]strip(nil), above...), under...) {
		free -= s.H
	}
	all := append([]strip(nil), above...)
	const least = 66.0 // mm, for a map with its legend
	if free >= least {
		all = append(all, c.mapAndDangers(f, free))
	} else {
		all = append(all, c.dangers(f, c.width, max(free, 40)))
	}
	all = append(all, under...)
	all[0].mark = []string{c.sheet.Title}
	if free < least {
		d := f.Map.Draw(drawing.Size{W: c.width, H: 110})
		all = append(all, heading("Map", c.width)...)
		all = append(all, strip{Drawing: d})
		if s := left(d); s != "" {
			all = append(all, paragraph(s, c.width, small, false)...)
		}
	}
	c.flow(all)
}

// nameStrip is name, code, grid reference and the code to scan.
func (c *composer) nameStrip(f Front) strip {
	const codeSize = 25.0
	k := newCard(c.width)
	beside := max(codeSize, lettering.Width(lettering.Regular, fine, f.GeoURI)) + 4
	if f.GeoURI == "" {
		beside = 0
	}
	width := c.width - beside
	pt := 20.0
	if len(wrap(f.Name, pt, true, width)) > 2 {
		pt = 13
	}
	k.text(0, width, pt, true, f.Name)
	k.text(0, width, clear, false, "site "+f.Code+" · "+f.Kind)
	k.y += 0.8
	grid := 19.0
	for grid > 10 && len(wrap(f.Grid, grid, true, width)) > 1 {
		grid--
	}
	k.text(0, width, grid, true, f.Grid)
	k.text(0, width, clear, false, strings.TrimSuffix(f.LatLon+" · "+f.Mark, " · "))
	if f.GeoURI != "" {
		k.add(qrMarks(f.GeoURI, drawing.Box{X0: c.width - codeSize, Y0: 0, X1: c.width, Y1: codeSize})...)
		k.add(drawing.Text{At: drawing.Pt{X: c.width, Y: codeSize + fine*lettering.Point*lettering.Ascent + 0.3}, Text: f.GeoURI, Size: fine, Align: drawing.End})
		k.y = max(k.y, codeSize+3.2)
	}
	k.y += 1.2
	return k.done()
}

// qrMarks draws a QR code (ISO/IEC 18004) as vectors: dark modules of one row
// that touch become one rectangle. The quiet zone of four modules is inside
// the box.
func qrMarks(text string, b drawing.Box) []drawing.Mark {
	code, err := qr.Encode(text, qr.M)
	if err != nil { // longer than a code holds; a geo URI never is
		return nil
	}
	module := (b.X1 - b.X0) / float64(code.Size+8)
	p := drawing.Path{Closed: true, Fill: drawing.Ink}
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			if !code.Black(x, y) {
				continue
			}
			from := x
			for code.Black(x+1, y) {
				x++
			}
			x0, x1 := b.X0+module*float64(from+4), b.X0+module*float64(x+5)
			y0, y1 := b.Y0+module*float64(y+4), b.Y0+module*float64(y+5)
			p.Lines = append(p.Lines, []drawing.Pt{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}})
		}
	}
	return []drawing.Mark{p}
}

const pad = 2.0 // mm inside a box

// bestStrip is the box of the best anchor.
func (c *composer) bestStrip(f Front) strip {
	k := newCard(c.width)
	k.y = 1.2
	inner := c.width - 2*pad
	k.text(pad, inner, clear, true, f.Heading)
	if f.Best == nil {
		k.text(pad, inner, lead, true, f.None)
	} else {
		b := *f.Best
		k.y += 0.4
		w := k.verdict(b.Verdict, pad, 3, 15)
		k.text(pad+w, inner-w, 15, true, b.Title)
		k.text(pad, inner, 15, true, sentence(b.Pull))
		k.y += 0.6
		k.fieldColumns(b.Rows, pad, inner, clear)
	}
	k.y += 1.2
	k.box(drawing.Box{X0: 0.6, Y0: 0.6, X1: c.width - 0.6, Y1: k.y}, drawing.Heavy)
	k.y += 2
	return k.done()
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// fieldColumns sets wide fields on lines of their own and runs of narrow ones
// in two columns of about the same height.
func (c *card) fieldColumns(fields []Field, x, width, pt float64) {
	const gap, column = 4.0, 22.0
	for i := 0; i < len(fields); {
		if fields[i].Wide {
			c.field(x, column, width, pt, fields[i])
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
			c.field(at, column, w, pt, f)
		}
		c.y = max(c.y, deepest)
		i = j
	}
}

func (c *composer) secondStrip(f Front) strip {
	k := newCard(c.width)
	k.y = 1.2
	inner := c.width - 2*pad
	if f.Second == nil {
		k.text(pad, inner, clear, true, "Second choice: "+f.SecondNone)
	} else {
		s := *f.Second
		k.text(pad, inner, small, true, "Second choice")
		w := k.verdict(s.Verdict, pad, 2, clear)
		k.text(pad+w, inner-w, clear, true, s.Title+" · "+s.Pull)
		k.fieldColumns(s.Rows, pad, inner, small)
	}
	k.y += 1
	k.box(drawing.Box{X0: 0.4, Y0: 0.4, X1: c.width - 0.4, Y1: k.y}, drawing.Plain)
	k.y += 2
	return k.done()
}

// mapAndDangers sets the map with the dangers at its right.
func (c *composer) mapAndDangers(f Front, high float64) strip {
	const gap = 4.0
	side := 68.0
	high -= 1.5
	d := f.Map.Draw(drawing.Size{W: c.width - side - gap, H: high})
	if s := left(d); s != "" {
		note := wrap(s, fine, false, d.W)
		const most = 4 // lines; every point has a page of its own
		if len(note) > most {
			note = append(note[:most-1], "and others: each has its own page.")
		}
		d = f.Map.Draw(drawing.Size{W: d.W, H: high - float64(len(note))*lineHeight(fine)})
		k := newCard(d.W)
		k.lines(0, fine, false, note)
		d.Put(k.done().Drawing, drawing.Pt{Y: d.H})
	}
	k := newCard(c.width)
	k.Put(d, drawing.Pt{})
	k.Put(c.dangers(f, side, high).Drawing, drawing.Pt{X: c.width - side})
	k.y = high + 1.5
	return k.done()
}

// dangers sets what will hurt people here, as much as fits; all of it stands
// in the part About.
func (c *composer) dangers(f Front, width, high float64) strip {
	const column, pt = 18.0, 8.0
	k := newCard(width)
	k.text(0, width, clear, true, "What will hurt you here")
	k.rule(0, width, k.y, drawing.Bold)
	k.y += 0.8
	for i, d := range f.Dangers {
		last := i == len(f.Dangers)-1
		reserve := 0.0
		if !last {
			reserve = 2 * lineHeight(pt)
		}
		if k.y+fieldHeight(column, width, pt, d)+reserve > high {
			k.text(0, width, pt, true, fmt.Sprintf("and %d more: page %s", len(f.Dangers)-i, aboutPage))
			break
		}
		k.field(0, column, width, pt, d)
		k.y += 0.4
	}
	if len(f.Dangers) == 0 {
		k.text(0, width, pt, true, "Nothing is recorded: take nothing as safe.")
	}
	return k.done()
}

// ways is how to get there and where to stage, side by side.
func (c *composer) ways(f Front) strip {
	const gap = 5.0
	k := newCard(c.width)
	w := (c.width - gap) / 2
	deepest := 0.0
	for i, t := range []struct {
		name string
		text Excerpt
	}{{"How to get there", f.Access}, {"Stage", f.Staging}} {
		x := float64(i) * (w + gap)
		k.y = 0
		k.text(x, w, clear, true, t.name)
		text := t.text.Text
		if t.text.More {
			text += moreWords
		}
		k.text(x, w, body, false, text)
		deepest = max(deepest, k.y)
	}
	k.y = deepest + 1
	return k.done()
}

func (c *composer) stateStrip(f Front) strip {
	k := newCard(c.width)
	for _, s := range f.State {
		k.field(0, 21, c.width, body, s)
	}
	k.y += 1
	return k.done()
}

func (c *composer) cautions(f Front) strip {
	k := newCard(c.width)
	k.y = 0.9
	for i, s := range f.Cautions {
		k.text(pad, c.width-2*pad, small, false, fmt.Sprintf("%d. %s", i+1, s))
	}
	k.y += 0.7
	k.box(drawing.Box{X0: 0.4, Y0: 0.4, X1: c.width - 0.4, Y1: k.y}, drawing.Plain)
	k.y += 0.6
	return k.done()
}
