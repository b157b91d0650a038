package terrain

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// End says why a fall line ends.
type End int

const (
	// EndToe: a bank was followed to its toe.
	EndToe End = iota
	// EndLow: the ground falls no further: level ground or a pit.
	EndLow
	// EndUnknown: the raster holds no height there.
	EndUnknown
	// EndOutside: the raster ends there.
	EndOutside
	// EndFar: the longest distance was reached.
	EndFar
)

func (e End) String() string {
	return [...]string{"toe of the bank", "ground falls no further", "unknown height", "edge of the raster", "longest distance"}[e]
}

// FallRule says how a fall line is followed. A zero field takes its default.
type FallRule struct {
	BankRule
	// Longest is the distance at which it is given up: 200 m.
	Longest geo.Length
	// Chord is the length past the edge over which its bearing is taken: 10 m.
	Chord geo.Length
}

// Fall is the line of steepest descent from a point.
type Fall struct {
	Path []Station // all known
	End  End
	// Bank is the bank the line runs down, if HasBank.
	Bank    Bank
	HasBank bool
	// Bearing is that of the chord from the bank's crest - from the point
	// itself where that is on the bank already - to the point of the line
	// Chord further on, or to the toe or the line's end if that is nearer. It
	// is unknown without a bank.
	Bearing    geo.Bearing
	Chord      geo.Length
	HasBearing bool
}

const (
	// level is the slope below which ground does not fall: 0.1 %.
	level = 0.001
	// stepsPerCell and longestStep set the length of a step.
	stepsPerCell = 8
	longestStep  = 1.0 // metre
	maxSteps     = 50_000
)

// FallLine follows the steepest descent on the bilinear surface from p, over
// the edge of the first bank and down to its toe. ok is false when the height
// at p is not known. On a raster of coarse cells the line shows the fall of
// the land, not of the bank.
func (s *Surface) FallLine(p orb.Point, rule FallRule) (fall Fall, ok bool, err error) {
	if rule.Longest == 0 {
		rule.Longest = 200
	}
	if rule.Chord == 0 {
		rule.Chord = 10
	}
	if !(rule.Longest > 0 && rule.Longest <= maxSection) || !(rule.Chord > 0) {
		return Fall{}, false, fmt.Errorf("follow fall line: a longest distance of %v and a chord of %v are not above zero and up to %v", rule.Longest, rule.Chord, maxSection)
	}
	u, v, err := s.centres(p)
	if err != nil {
		return Fall{}, false, fmt.Errorf("follow fall line: %w", err)
	}
	d := &descent{s: s, u: u, v: v}
	f := newFinder(rule.BankRule)
	for {
		station, err := d.station()
		if err != nil {
			return Fall{}, false, fmt.Errorf("follow fall line: %w", err)
		}
		if !station.Known {
			fall.End = d.end
			break
		}
		fall.Path = append(fall.Path, station)
		if f.add(station) {
			fall.End = EndToe
			break
		}
		if station.Distance >= rule.Longest-geo.Millimetre || len(fall.Path) >= maxSteps {
			fall.End = EndFar
			break
		}
		moved, err := d.step(rule.Longest - station.Distance)
		if err != nil {
			return Fall{}, false, fmt.Errorf("follow fall line: %w", err)
		}
		if !moved {
			fall.End = d.end
			break
		}
	}
	if len(fall.Path) == 0 {
		return fall, false, nil
	}
	fall.Bank, fall.HasBank = f.result()
	if fall.HasBank && fall.End == EndLow {
		fall.Bank.ToeKnown = true
	}
	fall.chord(rule.Chord)
	return fall, true, nil
}

// chord takes the bearing past the edge.
func (f *Fall) chord(length geo.Length) {
	if !f.HasBank {
		return
	}
	from := f.Bank.Crest
	until := min(from.Distance+length, f.Bank.Toe.Distance)
	for i, to := range f.Path {
		if to.Distance < until || i == 0 {
			continue
		}
		before := f.Path[i-1]
		t := 1.0
		if to.Distance > before.Distance {
			t = float64((until - before.Distance) / (to.Distance - before.Distance))
		}
		e1, n1 := offset(from.Point, before.Point)
		e2, n2 := offset(from.Point, to.Point)
		east, north := mix(e1, e2, t), mix(n1, n2, t)
		if f.Chord = geo.Length(math.Hypot(east, north)); f.Chord > 0 {
			f.Bearing, f.HasBearing = geo.NewBearing(math.Atan2(east, north)*180/math.Pi), true
		}
		return
	}
}

// descent is a walk down the surface.
type descent struct {
	s        *Surface
	u, v     float64 // from the first centre
	distance float64
	end      End // why there is no way on

	patch patch
	scale matrix
	have  bool // patch and scale are of the last position
}

// at brings the patch and the scale to a position and returns the height
// there and the gradient in metres per metre; ok is false, and end set, where
// they are not known.
func (d *descent) at(u, v float64) (z, east, north float64, ok bool, err error) {
	if !d.s.within(u, v) {
		d.end = EndOutside
		return 0, 0, 0, false, nil
	}
	if !d.have || u < float64(d.patch.col) || v < float64(d.patch.row) || u > float64(d.patch.col+1) || v > float64(d.patch.row+1) {
		if d.patch, _, _, err = d.s.patch(u, v); err != nil {
			return 0, 0, 0, false, err
		}
		if d.scale, err = d.s.scale(float64(d.patch.col)+0.5, float64(d.patch.row)+0.5); err != nil {
			d.scale = unscaled
		}
		d.have = true
	}
	fu, fv := u-float64(d.patch.col), v-float64(d.patch.row)
	h := &d.patch.z
	z = d.patch.at(fu, fv)
	perCol := (h[0][1]-h[0][0])*(1-fv) + (h[1][1]-h[1][0])*fv
	perRow := (h[1][0]-h[0][0])*(1-fu) + (h[1][1]-h[0][1])*fu
	east, north = d.scale.gradient(perCol, perRow)
	if math.IsNaN(z + east + north) {
		d.end = EndUnknown
		return 0, 0, 0, false, nil
	}
	return z, east, north, true, nil
}

// station returns the place reached.
func (d *descent) station() (Station, error) {
	z, _, _, ok, err := d.at(d.u, d.v)
	if err != nil || !ok {
		return Station{}, err
	}
	p, err := d.s.point(d.u, d.v)
	return Station{p, geo.Length(d.distance), geo.Length(z), true}, err
}

// step goes on by Heun's method: in the mean of the directions of descent here
// and a step further, which follows a valley instead of crossing it to and
// fro. A step that does not lead down is tried shorter; false means that
// there is no way on.
func (d *descent) step(longest geo.Length) (bool, error) {
	z, east, north, ok, err := d.at(d.u, d.v)
	if err != nil || !ok {
		return false, err
	}
	steep := math.Hypot(east, north)
	if steep < level {
		d.end = EndLow
		return false, nil
	}
	e1, n1 := -east/steep, -north/steep
	scale := d.scale
	length := min(scale.cellSize()/stepsPerCell, longestStep, longest.Metres())
	for range 5 {
		cols, rows := scale.cells(length*e1, length*n1)
		_, east, north, ok, err := d.at(d.u+cols, d.v+rows)
		if err != nil || !ok {
			return false, err
		}
		e, n := e1, n1
		if steep := math.Hypot(east, north); steep > 0 {
			e, n = (e1-east/steep)/2, (n1-north/steep)/2
		}
		cols, rows = scale.cells(length*e, length*n)
		next, _, _, ok, err := d.at(d.u+cols, d.v+rows)
		if err != nil || !ok {
			return false, err
		}
		if next < z {
			d.u, d.v = d.u+cols, d.v+rows
			d.distance += length * math.Hypot(e, n)
			return true, nil
		}
		length /= 2
	}
	d.end = EndLow
	return false, nil
}
