package drawing

import (
	"slices"

	"codeberg.org/go-pdf/fpdf"

	"holdfast/survey/drawing/lettering"
)

// PDF draws on the current page of a document in millimetres, with the top
// left corner at a place. The document must hold both faces of
// lettering.Family, plain and "B".
func (d Drawing) PDF(pdf *fpdf.Fpdf, at Pt) {
	p := printer{pdf: pdf, at: at}
	pdf.SetLineCapStyle("round")
	pdf.SetLineJoinStyle("round")
	pdf.SetDrawColor(0, 0, 0)
	for _, m := range d.Marks {
		switch m := m.(type) {
		case Path:
			p.path(m)
		case Circle:
			if style := p.paint(m.Pen, m.Fill); style != "" {
				pdf.Circle(m.At.X+at.X, m.At.Y+at.Y, m.R, style)
			}
		case Text:
			p.text(m)
		}
	}
	p.dash(nil)
	pdf.SetDrawColor(0, 0, 0)
}

// printer remembers the state of the page, so that it is written only where
// it changes.
type printer struct {
	pdf    *fpdf.Fpdf
	at     Pt
	pen    Pen
	fill   Fill
	letter struct {
		size float64
		bold bool
	}
}

func (p *printer) path(m Path) {
	style := p.paint(m.Pen, m.Fill)
	if style == "" {
		return
	}
	drawn := false
	for _, line := range m.Lines {
		if len(line) < 2 {
			continue
		}
		drawn = true
		p.pdf.MoveTo(line[0].X+p.at.X, line[0].Y+p.at.Y)
		for _, q := range line[1:] {
			p.pdf.LineTo(q.X+p.at.X, q.Y+p.at.Y)
		}
		if m.Closed {
			p.pdf.ClosePath()
		}
	}
	if drawn {
		p.pdf.DrawPath(style)
	}
}

// paint sets pen and fill and returns the painting style; "" draws nothing.
func (p *printer) paint(pen Pen, fill Fill) string {
	style := ""
	if fill != Empty {
		style = "F"
		p.fillWith(fill)
	}
	if pen.Width > 0 {
		style += "D"
		if pen.Width != p.pen.Width {
			p.pdf.SetLineWidth(pen.Width)
			p.pen.Width = pen.Width
		}
		p.dash(pen.Dash)
		if pen.Paper != p.pen.Paper {
			p.pen.Paper = pen.Paper
			grey := map[bool]int{true: 255, false: 0}[pen.Paper]
			p.pdf.SetDrawColor(grey, grey, grey)
		}
	}
	return style
}

func (p *printer) dash(dash []float64) {
	if slices.Equal(dash, p.pen.Dash) {
		return
	}
	p.pen.Dash = dash
	p.pdf.SetLineCapStyle(map[bool]string{true: "butt", false: "round"}[len(dash) > 0])
	p.pdf.SetDashPattern(dash, 0)
}

func (p *printer) fillWith(f Fill) {
	if f == p.fill {
		return
	}
	p.fill = f
	if f == Paper {
		p.pdf.SetFillColor(255, 255, 255)
	} else {
		p.pdf.SetFillColor(0, 0, 0)
	}
}

func (p *printer) text(t Text) {
	if t.Text == "" {
		return
	}
	if t.Size != p.letter.size || t.Bold != p.letter.bold {
		p.pdf.SetFont(lettering.Family, map[bool]string{true: "B"}[t.Bold], t.Size)
		p.letter.size, p.letter.bold = t.Size, t.Bold
	}
	if t.Fill == Paper {
		p.pdf.SetTextColor(255, 255, 255)
	}
	at := t.At.add(p.at)
	dx := 0.0
	switch t.Align {
	case Middle:
		dx = -t.Width() / 2
	case End:
		dx = -t.Width()
	}
	if t.Turned {
		p.pdf.TransformBegin()
		p.pdf.TransformRotate(90, at.X, at.Y)
		p.pdf.Text(at.X+dx, at.Y, lettering.Visual(t.Text))
		p.pdf.TransformEnd()
	} else {
		p.pdf.Text(at.X+dx, at.Y, lettering.Visual(t.Text))
	}
	if t.Fill == Paper {
		p.pdf.SetTextColor(0, 0, 0)
	}
}
