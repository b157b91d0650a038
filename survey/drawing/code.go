package drawing

import "rsc.io/qr"

// CodeMarks draws a QR code (ISO/IEC 18004, error correction M) as vectors:
// dark modules of one row that touch become one rectangle. The quiet zone of
// four modules is inside the box. A text longer than a code holds gives none.
func CodeMarks(text string, b Box) []Mark {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return nil
	}
	module := (b.X1 - b.X0) / float64(code.Size+8)
	p := Path{Closed: true, Fill: Ink}
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
			p.Lines = append(p.Lines, []Pt{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}})
		}
	}
	return []Mark{p}
}
