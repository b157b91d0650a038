package drawing

import (
	"math"
	"slices"
	"strings"

	"holdfast/survey/drawing/lettering"
)

// labeller finds room for labels. It never lets a label overlap another or
// a symbol, nor leave the frame; where there is no room left it says so.
type labeller struct {
	d     *Drawing
	frame Box
	taken *pile           // labels and symbols: never covered
	full  []Size          // for which the frame has no room any more
	lines [][2]Pt         // covered only where nothing else is free
	wants []label         // asked for, placed by finish
	notes []Text          // what was placed
	masks []Box           // behind the notes
	links [][2]Pt         // leaders
	seen  map[string]bool // texts placed
}

func newLabeller(d *Drawing, frame Box) *labeller {
	return &labeller{d: d, frame: frame, taken: newPile(frame), seen: map[string]bool{}}
}

// block keeps labels off a box.
func (l *labeller) block(b Box) { l.taken.add(b) }

// blockLine keeps labels off a line.
func (l *labeller) blockLine(p, q Pt, half float64) {
	const step = 1.5
	n := math.Ceil(q.sub(p).length() / step)
	for i := range int(min(n, 200)) {
		l.block(boxOf(p.toward(q, float64(i)/n), p.toward(q, float64(i+1)/n)).grow(half))
	}
}

// avoid asks labels to stay off a line where they can.
func (l *labeller) avoid(pts ...Pt) {
	for i := 0; i+1 < len(pts); i++ {
		if p, q, ok := clipSegment(pts[i], pts[i+1], l.frame); ok {
			l.lines = append(l.lines, [2]Pt{p, q})
		}
	}
}

// label is text that belongs to a place.
type label struct {
	text  string
	at    Pt
	or    []Pt    // other places on the same thing that will do as well
	clear float64 // mm kept free round the place
	size  float64 // points
	bold  bool
	width float64 // mm; wrapped to it where wider; 0 is 45 mm
	once  bool    // drop it when the same text is on the drawing already
	rank  int     // lower finds its place first
	home  Pt      // direction to try first; none is all round
	firm  bool    // rather covers lines than moves away
	near  bool    // rather left out than further off than the widest ring
}

// leaderFrom is the distance in millimetres from which a label is tied to
// its place by a thin line.
const leaderFrom = 3.5

// place asks for a label. It is placed by finish, when every line and symbol
// of the drawing is known.
func (l *labeller) place(want label) { l.wants = append(l.wants, want) }

// settle finds room for a label. Where there is none the text is added to the
// drawing's Left.
func (l *labeller) settle(want label) {
	text, _ := lettering.Line(want.text)
	if text == "" || want.once && l.seen[text] {
		return
	}
	if want.width == 0 {
		want.width = 45
	}
	set, best, ok := l.choose(&want, text)
	if !ok {
		l.d.Left = append(l.d.Left, text)
		return
	}
	l.seen[text] = true
	l.taken.add(best)
	l.masks = append(l.masks, best)
	if from, to, far := leader(want, best); far {
		l.links = append(l.links, [2]Pt{from, to})
		l.lines = append(l.lines, [2]Pt{from, to})
	}
	for i, line := range set.lines {
		l.notes = append(l.notes, Text{
			At:   Pt{best.X0 + labelPad, best.Y0 + labelPad + set.em*lettering.Ascent + set.em*labelLeading*float64(i)},
			Text: line, Size: want.size, Bold: want.bold,
		})
	}
}

const (
	labelPad     = 0.4 // mm of paper kept round the letters
	labelLeading = 1.2 // ems
)

// setting is a label broken into lines.
type setting struct {
	Size
	em    float64
	lines []string
}

func set(want label, text string, width float64) setting {
	face := lettering.Regular
	if want.bold {
		face = lettering.Bold
	}
	s := setting{em: want.size * lettering.Point, lines: lettering.Wrap(face, want.size, width, text)}
	for _, line := range s.lines {
		s.W = max(s.W, lettering.Width(face, want.size, line))
	}
	s.W += 2 * labelPad
	s.H = s.em*(lettering.Ascent+lettering.Descent+labelLeading*float64(len(s.lines)-1)) + 2*labelPad
	return s
}

// dear is the cost above which a label also tries to be narrower.
const dear = 2.5

// choose picks the cheapest room near any of the places of a label, narrower
// where that helps, and fixes its place. Only where there is none may a
// leader pass under other labels.
func (l *labeller) choose(want *label, text string) (best setting, room Box, ok bool) {
	places := append([]Pt{want.at}, want.or...)
	longest := 0.0 // no word is broken to be narrower
	for _, word := range strings.Fields(text) {
		longest = max(longest, set(*want, word, math.Inf(1)).W)
	}
	for _, strict := range []bool{true, false} {
		cost := math.Inf(1)
		for _, share := range []float64{1, 0.7, 0.5} {
			s := set(*want, text, min(max(share*want.width, longest), want.width))
			for _, p := range places {
				w := *want
				w.at = p
				if b, c, found := l.search(w, s.Size, strict); found && c < cost-0.01 {
					best, room, cost, ok = s, b, c, true
					want.at = p
				}
			}
			if cost < dear {
				break
			}
		}
		if ok {
			return best, room, true
		}
	}
	return best, room, false
}

// leader returns the line that ties a label to its place, when it needs one.
func leader(want label, b Box) (from, to Pt, needed bool) {
	near := Pt{min(max(want.at.X, b.X0), b.X1), min(max(want.at.Y, b.Y0), b.Y1)}
	d := near.sub(want.at)
	if d.length() < max(leaderFrom, want.clear+2) {
		return from, to, false
	}
	return want.at.add(d.unit().times(min(want.clear, d.length()))), near, true
}

// search looks round the place in widening rings, then over the whole frame
// unless the label is to stay near.
func (l *labeller) search(want label, s Size, strict bool) (best Box, cost float64, ok bool) {
	cost = math.Inf(1)
	free := false
	try := func(b Box, c float64) {
		if c >= cost || !b.Within(l.frame) || l.taken.hits(b) {
			return
		}
		free = true
		if from, to, far := leader(want, b); strict && far && l.crosses(from, to) {
			return
		}
		hidden := l.covers(b)
		if want.firm {
			hidden *= 0.2
		}
		if c += hidden; c < cost {
			best, cost, ok = b, c, true
		}
	}
	for ring, r := range []float64{0.3, 1.2, 2.5, 4, 6, 9, 13, 18, 25} {
		for k := range 16 {
			deg := 90 + 22.5*float64(k)
			h := heading(deg)
			away := 0.0
			if want.home != (Pt{}) {
				u := want.home.unit()
				away = 1.5 * (1 - (u.X*h.X + u.Y*h.Y))
			} else {
				away = 0.05 * float64(k)
			}
			// The box touches the circle of radius clear+r in direction h.
			c := want.at.add(h.times(want.clear + r))
			mid := Pt{c.X + h.X*s.W/2, c.Y + h.Y*s.H/2}
			try(Box{mid.X - s.W/2, mid.Y - s.H/2, mid.X + s.W/2, mid.Y + s.H/2}, away+0.4*float64(ring)+0.15*r)
		}
		if ok && cost < 2+0.4*float64(ring) {
			return best, cost, true
		}
	}
	if ok || want.near || l.isFull(s) {
		return best, cost, ok
	}
	free = false
	const step = 2.0
	for y := l.frame.Y0; y+s.H <= l.frame.Y1; y += step {
		for x := l.frame.X0; x+s.W <= l.frame.X1; x += step {
			b := Box{x, y, x + s.W, y + s.H}
			try(b, 10+b.centre().sub(want.at).length())
		}
	}
	if !free {
		l.full = append(l.full, s)
	}
	return best, cost, ok
}

// isFull tells whether a label no greater than this one found no room in the
// whole frame. What is placed stays, so this one finds none either.
func (l *labeller) isFull(s Size) bool {
	return slices.ContainsFunc(l.full, func(f Size) bool { return s.W >= f.W && s.H >= f.H })
}

// crosses tells whether a leader would run over another label.
func (l *labeller) crosses(p, q Pt) bool {
	for _, m := range l.masks {
		if aside(p, q, m) {
			continue
		}
		if _, _, ok := clipSegment(p, q, m); ok {
			return true
		}
	}
	return false
}

// covers is how much line a label would hide, as a cost.
func (l *labeller) covers(b Box) float64 {
	c := 0.0
	for _, s := range l.lines {
		if aside(s[0], s[1], b) {
			continue
		}
		if p, q, ok := clipSegment(s[0], s[1], b); ok {
			c += 0.6 + 0.25*q.sub(p).length()
		}
	}
	return c
}

// aside tells whether a line lies wholly to one side of a box, as most do.
func aside(p, q Pt, b Box) bool {
	return p.X < b.X0 && q.X < b.X0 || p.X > b.X1 && q.X > b.X1 || p.Y < b.Y0 && q.Y < b.Y0 || p.Y > b.Y1 && q.Y > b.Y1
}

// finish places the labels by rank, then draws the leaders and the labels,
// each on a patch of paper that keeps lines out of the letters.
func (l *labeller) finish() {
	slices.SortStableFunc(l.wants, func(a, b label) int { return a.rank - b.rank })
	for _, w := range l.wants {
		l.settle(w)
	}
	for _, k := range l.links {
		l.d.line(Pen{Width: Thin}, k[0], k[1])
	}
	for _, m := range l.masks {
		l.d.area(Pen{}, Paper, m.corners()...)
	}
	for _, t := range l.notes {
		l.d.add(t)
	}
}
