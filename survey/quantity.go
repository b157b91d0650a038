package survey

import "fmt"

// Force is a force in newtons.
type Force float64

const (
	Newton     Force = 1
	Kilonewton Force = 1000
	// PoundForce is 0.45359237 kg × 9.80665 m/s², both exact by definition.
	PoundForce Force = 4.4482216152605
)

// Newtons returns the force in newtons.
func (f Force) Newtons() float64 { return float64(f) }

// Kilonewtons returns the force in kilonewtons.
func (f Force) Kilonewtons() float64 { return float64(f / Kilonewton) }

// Pounds returns the force in pounds-force.
func (f Force) Pounds() float64 { return float64(f / PoundForce) }

func (f Force) String() string { return fmt.Sprintf("%.2f kN", f.Kilonewtons()) }

// Weight returns the weight of a mass in kilograms at standard gravity
// (9.80665 m/s², 3rd CGPM 1901).
func Weight(kg float64) Force { return Force(kg * 9.80665) }

// Pressure is a pressure or strength in pascals.
type Pressure float64

const (
	Kilopascal Pressure = 1000
	// TonPerSquareFoot is 2,000 lbf on a square foot: the unit of 29 CFR 1926
	// Subpart P and of the pocket penetrometer.
	TonPerSquareFoot Pressure = 95760.51796067168
)

// Kilopascals returns the pressure in kilopascals.
func (p Pressure) Kilopascals() float64 { return float64(p / Kilopascal) }

// Tsf returns the pressure in short tons per square foot.
func (p Pressure) Tsf() float64 { return float64(p / TonPerSquareFoot) }

func (p Pressure) String() string { return fmt.Sprintf("%.0f kPa", p.Kilopascals()) }
