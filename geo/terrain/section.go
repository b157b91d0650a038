package terrain

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Station is a point of a section or a fall line. Height means nothing where
// Known is false.
type Station struct {
	Point    orb.Point
	Distance geo.Length // along the ground in plan, from the first station
	Height   geo.Length
	Known    bool
}

const (
	maxStations = 100_000
	maxSection  = 10 * geo.Kilometre
)

// Section returns the heights along a straight line from p on a bearing, one
// station every step and the last at length, at most 10 km.
func (s *Surface) Section(p orb.Point, b geo.Bearing, length, step geo.Length) ([]Station, error) {
	if !(length > 0 && length <= maxSection) {
		return nil, fmt.Errorf("take section: a length of %v is not above zero and up to %v", length, maxSection)
	}
	if !(step > 0) || length/step > maxStations {
		return nil, fmt.Errorf("take section: a step of %v gives no or more than %d stations", step, maxStations)
	}
	if math.IsNaN(b.Degrees()) {
		return nil, fmt.Errorf("take section: the bearing is not a number")
	}
	n := int(math.Ceil(float64(length/step) - 1e-9))
	stations := make([]Station, 0, n+1)
	sin, cos := math.Sincos(b.Radians())
	for i := range n + 1 {
		d := min(geo.Length(i)*step, length)
		at := moved(p, d.Metres(), sin, cos)
		h, ok, err := s.Height(at)
		if err != nil {
			return nil, fmt.Errorf("take section: %w", err)
		}
		stations = append(stations, Station{at, d, h, ok})
	}
	return stations, nil
}

// BankRule says what counts as a bank along a line. A zero field takes its
// default; the defaults are common practice without a source.
type BankRule struct {
	// Steep is the slope from which ground belongs to a bank: 15°.
	Steep geo.Angle
	// Bench is the length of flatter ground that ends a bank: 3 m. A shorter
	// stretch is a step in the bank.
	Bench geo.Length
	// Drop is the least height of a bank: 1 m.
	Drop geo.Length
}

func (r BankRule) withDefaults() BankRule {
	if r.Steep == 0 {
		r.Steep = geo.Degrees(15)
	}
	if r.Bench == 0 {
		r.Bench = 3
	}
	if r.Drop == 0 {
		r.Drop = 1
	}
	return r
}

// Bank is the first bank that falls along a line: its crest, where the ground
// turns steep, and its toe, where it is steep no longer. A crest or toe that
// is not known lies beyond the station given: the line begins or ends on the
// bank, or heights are unknown there.
type Bank struct {
	Crest, Toe           Station
	CrestKnown, ToeKnown bool
}

// Height returns how far the toe lies below the crest.
func (b Bank) Height() geo.Length { return b.Crest.Height - b.Toe.Height }

// CrestToe finds the first bank that falls along a section. The bank begins
// at the first station from which the ground to the next one falls at least
// as steeply as the rule's Steep, goes on over flatter stretches shorter than
// Bench, and ends at the last steep station; it counts if it is at least Drop
// high. An unknown height ends a bank. ok is false when there is none. The
// crest and toe are as exact as the stations are close, and no closer than
// the raster's cells.
func CrestToe(section []Station, rule BankRule) (bank Bank, ok bool) {
	f := newFinder(rule)
	for _, s := range section {
		if f.add(s) {
			break
		}
	}
	return f.result()
}

// finder follows a line and finds its first bank.
type finder struct {
	BankRule
	fall   float64 // the tangent of Steep
	last   Station
	any    bool // last is known
	level  bool // the ground before last is not steep
	active bool
	bank   Bank
}

func newFinder(rule BankRule) *finder {
	rule = rule.withDefaults()
	return &finder{BankRule: rule, fall: math.Tan(rule.Steep.Radians())}
}

// add takes the next station and says whether the bank is complete.
func (f *finder) add(s Station) (done bool) {
	if !s.Known {
		if f.high() {
			return true
		}
		f.active, f.any, f.level = false, false, false
		return false
	}
	if !f.any {
		f.last, f.any = s, true
		return false
	}
	if fall, run := f.last.Height-s.Height, s.Distance-f.last.Distance; fall.Metres() >= f.fall*run.Metres() {
		if !f.active {
			f.active, f.bank = true, Bank{Crest: f.last, CrestKnown: f.level}
		}
		f.bank.Toe = s
	} else if f.level = true; f.active && s.Distance-f.bank.Toe.Distance >= f.Bench {
		if f.high() {
			f.bank.ToeKnown = true
			return true
		}
		f.active = false
	}
	f.last = s
	return false
}

func (f *finder) high() bool { return f.active && f.bank.Height() >= f.Drop }

func (f *finder) result() (Bank, bool) {
	if !f.high() {
		return Bank{}, false
	}
	return f.bank, true
}
