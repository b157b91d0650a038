package soil

import (
	"fmt"

	"holdfast/geo"
	"holdfast/survey"
)

// State is a rig on springs with its rope drawn out by Travel. Arrays run from
// the front; entries past Rows are 0.
type State struct {
	Travel geo.Length // of the rope along itself
	Pull   survey.Force
	Rows   int
	Ties   [MaxRows - 1]survey.Force
	Heads  [MaxRows]geo.Length // movement of each row's head
	// Most and Least are the greatest moments on each bar of a row: bent
	// forwards in the ground, and backwards over the rope.
	Most, Least [MaxRows]Moment
	Shares      [MaxRows]float64 // of the pull, by the soil before each row; they sum to 1
}

// LoadCurve is how a rig takes up load.
type LoadCurve struct {
	Steps []State
	// FirstYield is the pull at which the outermost fibre of a bar first
	// yields; Yielded is false, and FirstYield 0, if none does on the curve.
	FirstYield survey.Force
	Yielded    bool
}

// MaxTravel is the greatest rope travel answered for. The springs know only
// small movements: beyond about 50 mm read them for the plateau alone.
const MaxTravel geo.Length = 0.5

// UsualTravel returns the fifteen steps of a load curve, 1 mm to 150 mm.
func UsualTravel() []geo.Length {
	return []geo.Length{.001, .002, .003, .004, .006, .008, .010, .015, .020, .025, .030, .040, .050, .100, .150}
}

// NewLoadCurve follows a rig through the given travels of the rope, which must
// rise. Bars are beams of the rig's steel, soil the springs, lashings pull but
// do not push. A rope steeper than the lean is taken by its part across the
// stake alone; Collapse says what that costs.
func NewLoadCurve(r Rig, s Springs, travel []geo.Length) (LoadCurve, error) {
	b, err := newBeams(&r, &s)
	if err != nil {
		return LoadCurve{}, fmt.Errorf("follow rig: %w", err)
	}
	if len(travel) > 1000 {
		return LoadCurve{}, fmt.Errorf("follow rig: %d steps: want 1,000 at most", len(travel))
	}
	out := LoadCurve{Steps: make([]State, 0, len(travel))}
	for i, u := range travel {
		if !within(float64(u), 0, float64(MaxTravel)) || i > 0 && u <= travel[i-1] {
			return LoadCurve{}, fmt.Errorf("follow rig: travel %v at step %d: want rising, 0 m to %v", u, i+1, MaxTravel)
		}
		if err := b.move(float64(u)); err != nil {
			return LoadCurve{}, fmt.Errorf("follow rig to %v: %w", u, err)
		}
		out.Steps = append(out.Steps, b.state())
	}
	out.FirstYield, out.Yielded = firstYield(out.Steps, r.Bar.YieldMoment())
	return out, nil
}

func firstYield(steps []State, my Moment) (survey.Force, bool) {
	var last State
	bent := Moment(0)
	for _, s := range steps {
		m := Moment(0)
		for i := range s.Rows {
			m = max(m, s.Most[i], -s.Least[i])
		}
		if m >= my {
			f := survey.Force((my - bent) / (m - bent))
			return last.Pull + f*(s.Pull-last.Pull), true
		}
		last, bent = s, m
	}
	return 0, false
}
