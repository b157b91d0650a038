package geo

import (
	"fmt"
	"math"
)

// Angle is a plane angle in radians. It carries no direction convention;
// a compass direction is a Bearing.
type Angle float64

// Degree is one degree of arc.
const Degree Angle = math.Pi / 180

// Degrees returns the angle of d degrees.
func Degrees(d float64) Angle { return Angle(d) * Degree }

// Degrees returns the angle in degrees.
func (a Angle) Degrees() float64 { return float64(a) * 180 / math.Pi }

// Radians returns the angle in radians.
func (a Angle) Radians() float64 { return float64(a) }

func (a Angle) String() string { return fmt.Sprintf("%.1f°", a.Degrees()) }

// Length is a length in metres.
type Length float64

const (
	Metre      Length = 1
	Millimetre Length = 0.001
	Kilometre  Length = 1000
	// Inch and Foot are the international inch and foot, exact since 1959.
	Inch Length = 0.0254
	Foot Length = 0.3048
)

// Metres returns the length in metres.
func (l Length) Metres() float64 { return float64(l) }

// Feet returns the length in international feet.
func (l Length) Feet() float64 { return float64(l / Foot) }

// Inches returns the length in international inches.
func (l Length) Inches() float64 { return float64(l / Inch) }

// Millimetres returns the length in millimetres.
func (l Length) Millimetres() float64 { return float64(l / Millimetre) }

func (l Length) String() string { return fmt.Sprintf("%.2f m", float64(l)) }

// Bearing is a direction over the ground in degrees clockwise from true
// north, 0 ≤ b < 360. It is the only direction type of the project: magnetic
// and grid directions are turned into it where they enter and out of it where
// they are shown. "No direction", as between coincident points, is never a
// Bearing; functions that can meet it return an ok flag beside it.
type Bearing float64

// NewBearing brings any finite number of degrees into 0 ≤ b < 360.
// A NaN or infinite input gives NaN: validate before.
func NewBearing(deg float64) Bearing {
	deg = math.Mod(deg, 360)
	if deg < 0 {
		deg += 360
	}
	if deg >= 360 { // a tiny negative rounds up to exactly 360
		deg = 0
	}
	return Bearing(deg)
}

// Degrees returns the bearing in degrees clockwise from true north.
func (b Bearing) Degrees() float64 { return float64(b) }

// Radians returns the bearing in radians clockwise from true north.
func (b Bearing) Radians() float64 { return float64(b) * math.Pi / 180 }

// Back returns the opposite direction.
func (b Bearing) Back() Bearing { return NewBearing(float64(b) + 180) }

// Turn returns the bearing turned clockwise by a.
func (b Bearing) Turn(a Angle) Bearing { return NewBearing(float64(b) + a.Degrees()) }

// Off returns the signed angle from b to c, clockwise positive,
// -180° < a ≤ 180°.
func (b Bearing) Off(c Bearing) Angle {
	d := math.Mod(float64(c)-float64(b), 360)
	if d > 180 {
		d -= 360
	}
	if d <= -180 {
		d += 360
	}
	return Degrees(d)
}

func (b Bearing) String() string { return fmt.Sprintf("%05.1f°", float64(b)) }
