package soil

import (
	"errors"
	"fmt"
	"math"

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

// ErrNotReached tells that a rig does not take the pull within MaxTravel.
var ErrNotReached = errors.New("pull not reached")

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

// NewState returns the rig under the given pull: what it moves and how the
// rows share. The error wraps ErrNotReached when the pull is more than the
// springs bear within MaxTravel.
func NewState(r Rig, s Springs, pull survey.Force) (State, error) {
	b, err := newBeams(&r, &s)
	if err == nil && !within(float64(pull), 1, 1e9) {
		err = fmt.Errorf("pull %v: want 1 N to 1 GN", pull)
	}
	if err != nil {
		return State{}, fmt.Errorf("load rig: %w", err)
	}
	var lo, hi State
	for u := 0.0005; ; u *= 2 {
		u = min(u, float64(MaxTravel))
		if err := b.move(u); err != nil {
			return State{}, fmt.Errorf("load rig: %w", err)
		}
		if hi = b.state(); hi.Pull >= pull {
			break
		}
		if u == float64(MaxTravel) {
			return State{}, fmt.Errorf("load rig: %v of %v at %v: %w", hi.Pull, pull, MaxTravel, ErrNotReached)
		}
		lo = hi
	}
	// The curve rises and bends over, so the chord's foot undershoots slightly;
	// halving in between keeps the bracket shrinking from both sides.
	for i := range 60 {
		u := (lo.Travel + hi.Travel) / 2
		if i%2 == 0 {
			u = lo.Travel + (hi.Travel-lo.Travel)*geo.Length((pull-lo.Pull)/(hi.Pull-lo.Pull))
		}
		if err := b.move(float64(u)); err != nil {
			return State{}, fmt.Errorf("load rig: %w", err)
		}
		at := b.state()
		if math.Abs(float64(at.Pull/pull-1)) < 1e-6 {
			return at, nil
		}
		if at.Pull < pull {
			lo = at
		} else {
			hi = at
		}
	}
	return hi, nil
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
