package preplan

import (
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/pdf"
)

// block sets one block in strips; figures is the height of its drawings where
// it has any, 0 for their own.
func (c *composer) block(b Block, width, pt, figures float64) (out []strip) {
	if b.Heading != "" {
		out = heading(c.part, b.Heading, width, pt+1)
	}
	switch {
	case b.Lead != "":
		out = append(out, paragraph(c.part, b.Lead, width, c.lead, true)...)
	case b.Text != "":
		out = append(out, paragraph(c.part, b.Text, width, pt, false)...)
	case b.Table != nil:
		out = append(out, table(c.part, *b.Table, width, min(pt, small))...)
	case b.Figures != nil:
		out = append(out, c.figures(b.Figures, width, figures)...)
	case b.Columns != nil:
		out = append(out, c.columns(b.Columns, width, pt)...)
	case b.WriteIn != nil:
		out = append(out, writeIn(c.part, *b.WriteIn, width))
	}
	if len(b.Fields) > 0 {
		list := c.part.Add(pdf.List)
		for _, f := range b.Fields {
			out = append(out, c.fieldStrips(list, f, width, pt)...)
		}
	}
	if len(b.List) > 0 {
		list := c.part.Add(pdf.List)
		for _, s := range b.List {
			out = append(out, bullet(list, "–", 3.2, s, width, pt)...)
		}
	}
	if b.Columns == nil {
		out = append(out, space(width, 0.1*pt))
	}
	return out
}

func (c *composer) fieldStrips(list *pdf.Element, f Field, width, pt float64) []strip {
	column := 2.5 * pt // mm: the longest name fits
	if fieldHeight(column, width, pt, f) < 60 {
		k := newCard(width, nil)
		k.field(list, 0, column, width, pt, f)
		return []strip{k.done()}
	}
	item := list.Add(pdf.Item)
	return append(lineStrips(item.Add(pdf.Label), 0, f.Name, width, pt, true), lineStrips(item.Add(pdf.Body), 0, f.Text, width, pt, f.Loud)...)
}

// drawn sets a drawing and under it the labels it had no room for.
func (c *composer) drawn(f Figure, size drawing.Size) []strip {
	d := f.Drawer.Draw(size)
	k := newCard(d.W, c.part)
	k.figure(d, drawing.Pt{})
	k.y = d.H
	out := []strip{k.done()}
	if s := roomless(d.Left); s != "" {
		out[0].keep = true
		out = append(out, paragraph(c.part, s, d.W, small, false)...)
	}
	return out
}

// figures sets the first drawing with the others stacked beside it where the
// width allows, else one under the other.
func (c *composer) figures(fs []Figure, width, high float64) (out []strip) {
	const gap = 3.0
	if len(fs) > 1 && fs[0].Size.W+gap+fs[1].Size.W <= width+1 {
		size := fs[0].Size
		if high > 0 {
			size.H = high
		}
		first := c.drawn(fs[0], size)
		var side []strip
		each := (size.H - gap*float64(len(fs)-2)) / float64(len(fs)-1)
		for i, f := range fs[1:] {
			if i > 0 {
				side = append(side, space(f.Size.W, gap))
			}
			side = append(side, c.drawn(f, drawing.Size{W: width - first[0].W - gap, H: each})...)
		}
		if both := beside([][]strip{first, side}, width, gap, c.room()); both != nil {
			return both
		}
		return append(first, side...)
	}
	for _, f := range fs {
		out = append(out, c.drawn(f, drawing.Size{W: min(f.Size.W, width), H: f.Size.H})...)
	}
	return out
}

func (c *composer) columns(cols []Column, width, pt float64) []strip {
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
			out = append(out, c.block(b, w, pt, 0)...)
		}
		return out
	}
	if len(filled) > 1 {
		var columns [][]strip
		for _, col := range filled {
			columns = append(columns, set(col.Blocks, (width-gap*float64(len(filled)-1))*col.Share/total))
		}
		if both := beside(columns, width, gap, 0.8*c.room()); both != nil {
			return both
		}
	}
	var out []strip
	for _, col := range filled {
		out = append(out, set(col.Blocks, width)...)
	}
	return out
}
