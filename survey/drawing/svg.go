package drawing

import (
	"bufio"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"holdfast/survey/drawing/lettering"
)

// Stylesheet is the rule a page needs so that drawings follow its own colours
// by day and by night: ink is the colour of the text around the drawing and
// paper the page behind it.
const Stylesheet = ".drawing{max-width:100%;height:auto}.drawing .paper{fill:var(--paper,Canvas)}.drawing .paper-line{stroke:var(--paper,Canvas)}"

// SVG writes the drawing as one svg element, complete with title and
// description. It holds no style and no script: ink is currentColor, paper is
// white unless Stylesheet or a rule like it says otherwise. The id must be
// unique on the page; the ids of title and description are made from it.
func (d Drawing) SVG(w io.Writer, id string) error {
	b := bufio.NewWriter(w)
	n := func(v float64) string { return number(v) }
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" class="drawing" role="img" aria-labelledby="%[1]s-title %[1]s-desc" width="%[2]smm" height="%[3]smm" viewBox="0 0 %[2]s %[3]s" fill="none" stroke-linecap="round" stroke-linejoin="round" font-family="%[4]s">`,
		escape(id), n(d.W), n(d.H), "'DejaVu Sans',Verdana,sans-serif")
	fmt.Fprintf(b, `<title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`, escape(id), escape(d.Title), escape(id), escape(d.Desc))
	for _, m := range d.Marks {
		switch m := m.(type) {
		case Path:
			b.WriteString("<path")
			paint(b, m.Pen, m.Fill)
			b.WriteString(` d="`)
			for _, line := range m.Lines {
				for i, p := range line {
					b.WriteByte("ML"[min(i, 1)])
					b.WriteString(n(p.X) + " " + n(p.Y))
				}
				if m.Closed {
					b.WriteByte('Z')
				}
			}
			b.WriteString(`"/>`)
		case Circle:
			b.WriteString("<circle")
			paint(b, m.Pen, m.Fill)
			fmt.Fprintf(b, ` cx="%s" cy="%s" r="%s"/>`, n(m.At.X), n(m.At.Y), n(m.R))
		case Text:
			writeText(b, m)
		}
	}
	b.WriteString("</svg>")
	if err := b.Flush(); err != nil {
		return fmt.Errorf("write drawing: %w", err)
	}
	return nil
}

// paint writes how an outline and its inside are drawn.
func paint(b *bufio.Writer, pen Pen, fill Fill) {
	if pen.Width > 0 {
		ink := `"currentColor"`
		if pen.Paper {
			ink = `"white" class="paper-line"`
		}
		fmt.Fprintf(b, ` stroke=%s stroke-width="%s"`, ink, number(pen.Width))
		if len(pen.Dash) > 0 {
			dash := make([]string, len(pen.Dash))
			for i, v := range pen.Dash {
				dash[i] = number(v)
			}
			fmt.Fprintf(b, ` stroke-dasharray="%s" stroke-linecap="butt"`, strings.Join(dash, " "))
		}
	}
	switch fill {
	case Ink:
		b.WriteString(` fill="currentColor"`)
	case Paper:
		b.WriteString(` fill="white" class="paper"`)
	}
}

// writeText states the length that the layout reckoned with, so that a page
// without our font keeps labels apart too.
func writeText(b *bufio.Writer, t Text) {
	if t.Text == "" {
		return
	}
	fmt.Fprintf(b, `<text x="%s" y="%s" font-size="%s" textLength="%s" lengthAdjust="spacingAndGlyphs"`,
		number(t.At.X), number(t.At.Y), number(t.Size*lettering.Point), number(t.Width()))
	if t.Bold {
		b.WriteString(` font-weight="bold"`)
	}
	if a := [...]string{"", "middle", "end"}[t.Align]; a != "" {
		fmt.Fprintf(b, ` text-anchor="%s"`, a)
	}
	if t.Turned {
		fmt.Fprintf(b, ` transform="rotate(-90 %s %s)"`, number(t.At.X), number(t.At.Y))
	}
	if t.Fill == Paper {
		b.WriteString(` fill="white" class="paper"`)
	} else {
		b.WriteString(` fill="currentColor"`)
	}
	b.WriteString(">" + escape(t.Text) + "</text>")
}

// number writes millimetres to a hundredth.
func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	v = math.Round(v*100) / 100
	if v == 0 {
		return "0" // never -0
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// escape writes text for XML; characters XML cannot hold become U+FFFD.
func escape(s string) string {
	var b strings.Builder
	xml.EscapeText(&b, []byte(s)) // a strings.Builder never fails
	return b.String()
}
