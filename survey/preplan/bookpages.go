package preplan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/pdf"
	"holdfast/survey/drawing/wording"
)

// newPages is a composer for pages of the book that belong to no site.
func (b *Book) newPages(title string) *composer {
	s := Sheet{Title: b.title(), Running: b.title(), Paper: b.Paper, PrintedAt: b.PrintedAt, Foot: []string{
		fmt.Sprintf("atlas revision %d · policy %s · printed %s", b.AtlasRevision, clip(cmp.Or(b.Policy.Version, wording.NotRecorded), 60), wording.Moment(b.PrintedAt)),
		"the age of each survey stands on its sheet",
	}}
	c := &composer{layout: layout{sheet: s, size: b.Paper.Size(), section: pdf.NewSection()}, title: title, lead: lead, unnumbered: true}
	c.width = c.size.W - 2*margin
	c.foot = c.setFoot()
	c.bottom = c.size.H - below - c.foot.H - lineHeight(fine) - 0.5
	c.part = c.section.Add(pdf.Section)
	return c
}

// opening is cover and contents; it has as many pages before the sheets are
// counted as after.
func (b *Book) opening() layout {
	c := b.newPages("contents")
	c.open()
	k := newCard(c.width, c.part)
	k.y = 6
	k.says(pdf.Heading1, 0, c.width, 22, true, b.title())
	k.y += 2
	k.says(pdf.Paragraph, 0, c.width, lead, false, "One sheet a site, one leaf a point. Contents by code on the next pages, index by grid square at the end.")
	k.rule(0, c.width, k.y+1, drawing.Bold)
	k.y += 4
	list := c.part.Add(pdf.List)
	for _, f := range b.figures() {
		k.field(list, 0, 45, c.width, 10, f)
		k.y += 0.8
	}
	k.y += 4
	top := k.y
	k.y += 2
	for i, s := range answer.Cautions {
		k.says(pdf.Paragraph, pad, c.width-2*pad, lead, true, fmt.Sprintf("%d. %s", i+1, s))
		k.y += 1
	}
	k.box(drawing.Box{X0: 0.6, Y0: top, X1: c.width - 0.6, Y1: k.y + 1}, drawing.Heavy)
	k.y += 3
	c.place(k.done())
	c.begin()
	c.flow(b.contents(c))
	if len(c.pages)%2 == 1 {
		c.notes()
	}
	c.finish()
	return c.layout
}

// figures is what the book holds, in numbers. They are as wide before the
// sheets are counted as after.
func (b *Book) figures() []Field {
	stale, unsigned := 0, 0
	for _, e := range b.entries {
		if strings.Contains(e.state, "stale") {
			stale++
		}
		if strings.Contains(e.state, "sign") {
			unsigned++
		}
	}
	var by []string
	for _, v := range answer.Verdicts {
		by = append(by, fmt.Sprintf("%d %s", b.counts[v], strings.ToLower(drawing.VerdictWord(v))))
	}
	rule := func(name, value string) Field { return Field{Name: name, Text: value} }
	return []Field{
		rule("Sites", fmt.Sprint(len(b.Sites))),
		rule("Points", fmt.Sprint(b.points)),
		rule("Best anchor, points", strings.Join(by, ", ")),
		{Name: "Stale or undated", Text: wording.Count(stale, "site", "sites"), Loud: stale > 0},
		{Name: "Sign-off missing", Text: wording.Count(unsigned, "site", "sites"), Loud: unsigned > 0},
		rule("Policy", clip(cmp.Or(b.Policy.Version, wording.NotRecorded), 60)+", "+clip(cmp.Or(b.Policy.Department, "department "+wording.NotRecorded), 120)),
		rule("Required ratio", wording.Ratio(b.Policy.RequiredRatio.Value)),
		rule("Atlas revision", fmt.Sprint(b.AtlasRevision)),
		rule("Printed", wording.Moment(b.PrintedAt)),
	}
}

// contents lists the sites. Only the name of a site takes more than one line.
func (b *Book) contents(c *composer) []strip {
	t := Table{Columns: []string{"code", "site", "holds", "short", "no", "unknown", "state", "page"}, Widths: []float64{24, 72, 11, 11, 9, 16, 32, 15}}
	var to []pdf.Page
	for i, s := range b.Sites {
		e := b.entries[i]
		to = append(to, e.at)
		n := func(v answer.Verdict) string { return fmt.Sprint(e.verdicts[v]) }
		t.Rows = append(t.Rows, Row{Cells: []string{
			clip(cmp.Or(s.Code, "no code"), 24), siteName(s), n(answer.Holds), n(answer.Short), n(answer.No), n(answer.Unknown), strings.ReplaceAll(e.state, ", ", " · "), fmt.Sprint(e.page),
		}})
	}
	out := heading(c.part, "Contents: points by verdict, state, page of the book", c.width, clear)
	return append(out, linkedTable(c.part, t, c.width, small, to)...)
}

// back is the index by grid square.
func (b *Book) back() layout {
	c := b.newPages("index")
	c.open()
	k := newCard(c.width, c.part)
	k.says(pdf.Heading2, 0, c.width, 15, true, "Index by grid square")
	k.says(pdf.Paragraph, 0, c.width, body, false, "US National Grid. Squares of 1 km, named by their south-west corner; under each its points with their square of 100 m and the page of the book.")
	k.y += 1
	c.place(k.done())
	slices.SortStableFunc(b.index, func(x, y indexEntry) int {
		return cmp.Or(cmp.Compare(x.square, y.square), cmp.Compare(x.within, y.within), cmp.Compare(x.page, y.page))
	})
	const columns, gap = 3, 5.0
	w := (c.width - gap*(columns-1)) / columns
	var lines []strip
	square := ""
	list := c.part.Add(pdf.List)
	for _, e := range b.index {
		if e.square != square {
			square = e.square
			k := newCard(w, c.part)
			k.y = 1
			k.says(pdf.Heading3, 0, w, body, true, square)
			k.rule(0, w, k.y, drawing.Thin)
			k.y += 0.4
			head := k.done()
			head.keep = true
			lines = append(lines, head)
			list = c.part.Add(pdf.List)
		}
		k := newCard(w, nil)
		k.of = list.Add(pdf.Item).Add(pdf.Body)
		const number = 13.0 // mm for the page
		k.text(0, w-number, small, false, strings.TrimSpace(e.within+" "+e.name))
		under := k.y
		k.y = 0
		page := fmt.Sprint(e.page)
		k.link(e.at, w-lettering.Width(lettering.Regular, small, page), number, small, []string{page})
		k.y = max(k.y, under)
		lines = append(lines, k.done())
	}
	c.columned(lines, columns, w, gap)
	c.finish()
	return c.layout
}

// columned flows lines down one column after the other.
func (c *composer) columned(lines []strip, columns int, width, gap float64) {
	for len(lines) > 0 {
		top := c.y
		page := strip{Size: drawing.Size{W: c.width}}
		for k := 0; k < columns && len(lines) > 0; k++ {
			y := 0.0
			for len(lines) > 0 {
				need := lines[0].H
				if lines[0].keep && len(lines) > 1 {
					need += lines[1].H
				}
				if top+y+need > c.bottom && y > 0 {
					break
				}
				page.put(lines[0], drawing.Pt{X: float64(k) * (width + gap), Y: y})
				y += lines[0].H
				lines = lines[1:]
			}
			page.H = max(page.H, y)
		}
		c.place(page)
		if len(lines) > 0 {
			c.begin()
		}
	}
}
