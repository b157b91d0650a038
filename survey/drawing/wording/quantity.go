package wording

import (
	"math"
	"strconv"

	"holdfast/geo"
	"holdfast/survey"
)

// One rule for each purpose, in sentences, tables, drawings and on the device
// alike. What is read off a tape, below 30 ft or 10 m, goes to the inch or
// the centimetre; distances beyond in whole feet, or tenths of a metre below
// 100 m. A gauge is read in decimals: the staff is divided so. Forces keep two
// digits and are rounded to the safe side.

// Force writes a holding power, rounded down to two digits (three after a
// leading 1), so that rounding never makes an anchor stronger.
func Force(u survey.Units, f survey.Force) string { return written(AppendForce, u, f) }

// Demand writes a force that must be resisted, rounded up likewise.
func Demand(u survey.Units, f survey.Force) string { return written(AppendDemand, u, f) }

// Length writes a length: tenths of an inch below one inch, half inches below
// a foot, feet and inches below 30 ft, feet below a mile; or millimetres,
// centimetres, tenths of a metre, metres and kilometres.
func Length(u survey.Units, l geo.Length) string { return written(AppendLength, u, l) }

// Need writes a length that must be there, of rope or to keep clear, rounded
// up likewise.
func Need(u survey.Units, l geo.Length) string { return written(AppendNeed, u, l) }

// Stage writes a height of the water as its gauge shows it, in tenths.
func Stage(u survey.Units, l geo.Length) string {
	if !finite(float64(l)) {
		return Unknown
	}
	m := strconv.FormatFloat(l.Metres(), 'f', 2, 64) + " m"
	if u == survey.UnitsSI {
		return m
	}
	return strconv.FormatFloat(l.Feet(), 'f', 1, 64) + " ft (" + m + ")"
}

// Thickness writes a diameter given in millimetres.
func Thickness(u survey.Units, mm float64) string {
	if !finite(mm) {
		return Unknown
	}
	si := strconv.FormatFloat(mm, 'f', 0, 64) + " mm"
	if u == survey.UnitsSI {
		return si
	}
	step := 8.0 // eighths of an inch for bars, halves for trees
	if mm > 100 {
		step = 2
	}
	return digits(math.Round(mm/25.4*step)/step) + " in (" + si + ")"
}

// Strength writes a pressure of the ground: tons of 2,000 lb on a square foot
// as the pocket instruments show, or kilopascals.
func Strength(u survey.Units, p survey.Pressure) string {
	if !finite(float64(p)) {
		return Unknown
	}
	si := strconv.FormatFloat(float64(p/survey.Kilopascal), 'f', 0, 64) + " kPa"
	if u == survey.UnitsSI {
		return si
	}
	return strconv.FormatFloat(p.Tsf(), 'f', 2, 64) + " tsf (" + si + ")"
}

func written[T any](add func([]byte, survey.Units, T) []byte, u survey.Units, v T) string {
	var scratch [40]byte
	return string(add(scratch[:0], u, v))
}

// AppendForce writes a holding power as Force does behind what is in b.
func AppendForce(b []byte, u survey.Units, f survey.Force) []byte { return appendForce(b, u, f, floor) }

// AppendDemand writes a force to be resisted as Demand does behind what is in b.
func AppendDemand(b []byte, u survey.Units, f survey.Force) []byte { return appendForce(b, u, f, ceil) }

// A value within a billionth of a step is taken to be on it, so that 4,000 lbf
// stored as newtons stays 4,000.
func floor(v float64) float64 { return math.Floor(v*(1+1e-12) + 1e-9) }
func ceil(v float64) float64  { return math.Ceil(v*(1+1e-12) - 1e-9) }

func appendForce(b []byte, u survey.Units, f survey.Force, round func(float64) float64) []byte {
	switch {
	case !finite(float64(f)):
		return append(b, Unknown...)
	case u == survey.UnitsSI:
		return append(significant(b, f.Kilonewtons(), round), " kN"...)
	}
	b = append(significant(b, f.Pounds(), round), " lbf ("...)
	return append(significant(b, f.Kilonewtons(), round), " kN)"...)
}

// significant writes a number to two digits, three after a leading 1 where two
// would be coarse: 17.7 rather than 17.
func significant(b []byte, v float64, round func(float64) float64) []byte {
	if v < 0 {
		return significant(append(b, '-'), -v, round)
	}
	if v < 1e-3 || v > 1e15 { // less is nothing, more is no force
		return append(b, digits(math.Round(v))...)
	}
	e := exponent(v)
	decimals := 1 - e
	if v/math.Pow10(e) < 2 {
		decimals++
	}
	if decimals < 0 {
		step := math.Pow10(-decimals)
		return decimal(b, uint64(round(v/step))*uint64(step), 0)
	}
	return decimal(b, uint64(round(v*math.Pow10(decimals))), decimals)
}

// AppendLength writes a length as Length does behind what is in b.
func AppendLength(b []byte, u survey.Units, l geo.Length) []byte {
	return appendLength(b, u, l, math.Round)
}

// AppendNeed writes a length as Need does behind what is in b.
func AppendNeed(b []byte, u survey.Units, l geo.Length) []byte { return appendLength(b, u, l, ceil) }

func appendLength(b []byte, u survey.Units, l geo.Length, round func(float64) float64) []byte {
	switch {
	case !finite(float64(l)):
		return append(b, Unknown...)
	case l < 0:
		return appendLength(append(b, '-'), u, -l, round)
	case u == survey.UnitsSI:
		return metric(b, l.Metres(), round)
	}
	b = append(customary(b, l.Inches(), round), " ("...)
	return append(metric(b, l.Metres(), round), ')')
}

func metric(b []byte, m float64, round func(float64) float64) []byte {
	steps := func(each float64) uint64 { return uint64(round(m * each)) }
	switch {
	case steps(1000) < 100:
		return append(decimal(b, steps(1000), 0), " mm"...)
	case steps(100) < 1000:
		return append(fixed(b, steps(100), 2), " m"...)
	case steps(10) < 1000:
		return append(fixed(b, steps(10), 1), " m"...)
	case steps(1) < 1000:
		return append(decimal(b, steps(1), 0), " m"...)
	default:
		return append(append(b, digits(nearest(m/1000, 3))...), " km"...)
	}
}

func customary(b []byte, in float64, round func(float64) float64) []byte {
	steps := func(each float64) uint64 { return uint64(round(in * each)) }
	switch {
	case steps(10) < 10:
		return append(decimal(b, steps(10), 1), " in"...)
	case steps(2) < 24:
		return append(decimal(b, steps(2)*5, 1), " in"...)
	case steps(1) < 30*12:
		b = append(strconv.AppendUint(b, steps(1)/12, 10), " ft"...)
		if odd := steps(1) % 12; odd != 0 {
			b = append(strconv.AppendUint(append(b, ' '), odd, 10), " in"...)
		}
		return b
	case steps(1.0/12) < 5280:
		return append(decimal(b, steps(1.0/12), 0), " ft"...)
	default:
		return append(append(b, digits(nearest(in/12/5280, 3))...), " mi"...)
	}
}

// decimal writes a number of tenths, hundredths, ... with thousands commas and
// no needless zeros.
func decimal(b []byte, v uint64, decimals int) []byte {
	for decimals > 0 && v%10 == 0 {
		v, decimals = v/10, decimals-1
	}
	return fixed(b, v, decimals)
}

// fixed is decimal with every decimal written.
func fixed(b []byte, v uint64, decimals int) []byte {
	one := uint64(1)
	for range decimals {
		one *= 10
	}
	b = thousands(b, v/one)
	if decimals > 0 {
		b = append(b, '.')
		for v %= one; one > 1; v %= one {
			one /= 10
			b = append(b, '0'+byte(v/one))
		}
	}
	return b
}

func thousands(b []byte, v uint64) []byte {
	if v < 1000 {
		return strconv.AppendUint(b, v, 10)
	}
	b = append(thousands(b, v/1000), ',')
	rest := v % 1000
	return append(b, '0'+byte(rest/100), '0'+byte(rest/10%10), '0'+byte(rest%10))
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
