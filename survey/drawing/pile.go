package drawing

// pile keeps boxes by the squares of the frame they touch, so that room is
// found without asking every box.
type pile struct {
	frame      Box
	cols, rows int
	boxes      [][]Box // of each square
}

const pileSide = 6.0 // mm of a square

func newPile(frame Box) *pile {
	p := &pile{frame: frame, cols: max(1, int((frame.X1-frame.X0)/pileSide)+1), rows: max(1, int((frame.Y1-frame.Y0)/pileSide)+1)}
	p.boxes = make([][]Box, p.cols*p.rows)
	return p
}

// span is the squares a box touches; what lies outside the frame counts to the
// squares at its edge.
func (p *pile) span(b Box) (c0, c1, r0, r1 int) {
	at := func(v, from float64, n int) int {
		if v > from { // not so for a NaN either
			return int(min((v-from)/pileSide, float64(n-1)))
		}
		return 0
	}
	return at(b.X0, p.frame.X0, p.cols), at(b.X1, p.frame.X0, p.cols), at(b.Y0, p.frame.Y0, p.rows), at(b.Y1, p.frame.Y0, p.rows)
}

func (p *pile) add(b Box) {
	c0, c1, r0, r1 := p.span(b)
	for r := r0; r <= r1; r++ {
		for c := c0; c <= c1; c++ {
			p.boxes[r*p.cols+c] = append(p.boxes[r*p.cols+c], b)
		}
	}
}

// hits tells whether a box overlaps one of the pile.
func (p *pile) hits(b Box) bool {
	c0, c1, r0, r1 := p.span(b)
	for r := r0; r <= r1; r++ {
		for c := c0; c <= c1; c++ {
			for _, t := range p.boxes[r*p.cols+c] {
				if b.Overlaps(t) {
					return true
				}
			}
		}
	}
	return false
}
