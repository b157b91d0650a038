package drawing

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// Elevation is one rig of stakes seen from its left, to scale, pulled to the
// right: lean, depth, the lashing from the head of each stake to the foot of
// the one behind, the rope low on the front stake, and the foot tie.
type Elevation struct {
	Units        survey.Units
	Pattern      survey.Pattern
	Stake        survey.Stake
	RopeAngleDeg float64 // above the ground, at the anchor
}

// Draw returns the elevation at the largest round scale that fits.
func (e Elevation) Draw(size Size) Drawing {
	size = size.least()
	name := e.Pattern.String()
	d := Drawing{Size: size, Title: "Elevation of a " + name + " rig"}
	if len(e.Pattern) == 0 {
		return saying(d, "No elevation: this anchor has no stakes.")
	}
	s := e.Stake
	lean := s.LeanDeg.Value * math.Pi / 180
	long, deep := s.LengthM.Value.Metres(), s.EmbedmentM.Value.Metres()
	out := long - deep
	gap := s.SpacingM.Value.Metres()
	frame := Box{Plain, Plain, size.W - Plain, size.H - footHeight - 0.5}
	width := float64(len(e.Pattern)-1)*gap + long*math.Sin(lean) + 1.1
	height := long * math.Cos(lean)
	scale := max(scaleFor(width, frame.X1-frame.X0-8), scaleFor(height, frame.Y1-frame.Y0-23))
	k := 1000 / scale
	ground := frame.Y0 + 11 + out*math.Cos(lean)*k
	left := frame.X0 + 4 + (frame.X1-frame.X0-8-width*k)/2 + out*math.Sin(lean)*k
	foot := func(row int) Pt { return Pt{left + float64(len(e.Pattern)-1-row)*gap*k, ground} }
	// up is the place so far along a bar above the ground; below is negative.
	up := func(row int, metres float64) Pt {
		return foot(row).add(Pt{-metres * math.Sin(lean) * k, -metres * math.Cos(lean) * k})
	}
	l := newLabeller(&d, frame.grow(-0.5))

	d.line(Pen{Width: Bold}, Pt{frame.X0, ground}, Pt{frame.X1, ground})
	l.avoid(Pt{frame.X0, ground}, Pt{frame.X1, ground})
	soil := Path{Pen: Pen{Width: Thin}}
	for x := frame.X0 + 3; x < frame.X1-2; x += 4 {
		soil.Lines = append(soil.Lines, []Pt{{x, ground + 0.4}, {x - 1.5, ground + 1.9}})
	}
	d.add(soil)

	bar := Pen{Width: max(Heavy, s.DiameterMM.Value/1000*k)}
	low, high := s.RopeHeightM.Value.Metres(), s.LashHeightM.Value.Metres()
	last := len(e.Pattern) - 1
	tie, lash := Pen{Width: Bold, Dash: []float64{1.4, 0.9}}, Pen{Width: Bold}
	if last > 0 {
		a, b := up(0, low/2).add(Pt{0, -0.8}), up(last, low/2).add(Pt{0, -0.8})
		d.line(tie, a, b)
		l.avoid(a, b)
	}
	for row := range e.Pattern {
		d.line(bar, up(row, out), up(row, -deep))
		l.avoid(up(row, out), up(row, -deep))
		l.blockLine(up(row, out), up(row, -deep), bar.Width/2)
		if row < last {
			d.line(lash, up(row, high), up(row+1, low))
			l.avoid(up(row, high), up(row+1, low))
		}
	}
	rise := math.Sin(e.RopeAngleDeg * math.Pi / 180)
	from := up(0, low)
	to := Pt{frame.X1 - 3, from.Y - rise*(frame.X1-3-from.X)}
	to.Y = max(to.Y, frame.Y0+6)
	d.arrow(Pen{Width: Heavy}, from, to)
	l.blockLine(from.toward(to, 0.1), to, 0.7)

	e.name(&d, l, from, to, up)
	d.Desc = fmt.Sprintf("A %s rig from the side at scale %s, pulled to the right: stakes lean %s from upright away from the pull and stand %s in the ground along the bar, rows %s apart, each head lashed to the foot of the stake behind, one foot tie along all feet, the rope %s above the ground on the front stake.",
		name, scaleText(scale), wording.Angle(s.LeanDeg.Value), wording.Length(e.Units, s.EmbedmentM.Value), wording.Length(e.Units, s.SpacingM.Value), wording.Length(e.Units, s.RopeHeightM.Value))
	if last > 0 {
		below := up(0, -deep).Y - ground + 6
		d.dimension(l, foot(0), foot(1), -below, "row to row "+wording.Length(e.Units, s.SpacingM.Value))
	}
	l.finish()
	d.area(Pen{Width: Plain}, Empty, frame.corners()...)
	if last > 0 {
		d.footNotes(e.Units, scale, footNote{lash, "lashing: head to foot of next"}, footNote{tie, "foot tie along all feet"})
	} else {
		d.foot(e.Units, d.W, scale)
	}
	return d
}

// name labels the parts and the depth.
func (e Elevation) name(d *Drawing, l *labeller, from, to Pt, up func(int, float64) Pt) {
	s := e.Stake
	deep := s.EmbedmentM.Value.Metres()
	out := (s.LengthM.Value - s.EmbedmentM.Value).Metres()
	d.dimension(l, up(0, 0), up(0, -deep), -4, "driven "+wording.Length(e.Units, s.EmbedmentM.Value)+" along the bar")
	l.place(label{text: "rope " + wording.Length(e.Units, s.RopeHeightM.Value) + " above the ground", at: from.toward(to, 0.6), or: []Pt{from.toward(to, 0.3)}, rank: 1, clear: 1, size: Normal, width: 34, home: Pt{0, -1}})
	l.place(label{
		text: "leans " + wording.Angle(s.LeanDeg.Value) + " from upright; " + wording.Length(e.Units, geo.Length(out)) + " stands out",
		at:   up(0, out), clear: 1.5, size: Normal, width: 62, home: Pt{0.2, -1}, rank: 1,
	})
	for row, n := range e.Pattern {
		at := up(row, -deep)
		l.place(label{text: fmt.Sprintf("row %d: %s", row+1, wording.Count(n, "stake", "stakes")), at: at, clear: 1, size: Normal, width: 30, home: Pt{0, 1}, rank: 1})
	}
}

func boxOf(p, q Pt) Box {
	return Box{min(p.X, q.X), min(p.Y, q.Y), max(p.X, q.X), max(p.Y, q.Y)}
}
