// Package wording writes quantities for people: US customary units with SI
// beside them, or SI, never a bare number, and no more digits than the figure
// can bear. What was not recorded says so.
package wording

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"holdfast/geo"
	"holdfast/survey"
)

// What is printed where there is no value.
const (
	NotRecorded = "not recorded"
	Unknown     = "unknown"
)

// Force writes a holding power, rounded down to two digits (three after a
// leading 1), so that rounding never makes an anchor stronger.
func Force(u survey.Units, f survey.Force) string { return force(u, f, Down) }

// Demand writes a force that must be resisted, rounded up likewise.
func Demand(u survey.Units, f survey.Force) string { return force(u, f, up) }

func force(u survey.Units, f survey.Force, round func(float64, int) float64) string {
	if !finite(float64(f)) {
		return Unknown
	}
	write := func(v float64) string { return digits(round(v, 2+leadingOne(v))) }
	kn := write(f.Kilonewtons()) + " kN"
	if u == survey.UnitsSI {
		return kn
	}
	return write(f.Pounds()) + " lbf (" + kn + ")"
}

// leadingOne is 1 where two digits would be coarse: 17.7 rather than 17.
func leadingOne(v float64) int {
	if v := math.Abs(v); v != 0 && v/math.Pow10(exponent(v)) < 2 {
		return 1
	}
	return 0
}

// Ratio writes a ratio of holding power to force, rounded down to two digits.
func Ratio(r float64) string {
	var scratch [32]byte
	return string(AppendRatio(scratch[:0], r))
}

// AppendRatio writes a ratio as Ratio does behind what is in b.
func AppendRatio(b []byte, r float64) []byte {
	if !finite(r) {
		return append(b, Unknown...)
	}
	if r >= 1 && r < 99 { // nearly every ratio there is: whole tenths or units, without logarithms
		tenths := uint64(math.Floor(r*(1+1e-12)*10 + 1e-9))
		if r*(1+1e-12)+1e-9 >= 10 {
			tenths = uint64(math.Floor(r*(1+1e-12)+1e-9)) * 10
		}
		b = strconv.AppendUint(b, tenths/10, 10)
		if tenths%10 != 0 {
			b = append(b, '.', '0'+byte(tenths%10))
		}
		return append(b, ":1"...)
	}
	r = Down(r, 2)
	decimals := 0
	if r != 0 {
		decimals = max(0, 1-exponent(r))
	}
	from := len(b)
	b = strconv.AppendFloat(b, r, 'f', decimals, 64)
	if decimals > 0 { // no needless zeros
		b = b[:from+len(bytes.TrimRight(bytes.TrimRight(b[from:], "0"), "."))]
	}
	return append(b, ":1"...)
}

// Length writes a length: tenths of an inch below one inch, half inches below
// a foot, feet and inches below 20 ft, feet below a mile.
func Length(u survey.Units, l geo.Length) string {
	if !finite(float64(l)) {
		return Unknown
	}
	if u == survey.UnitsSI {
		return metric(l)
	}
	return customary(l) + " (" + metric(l) + ")"
}

func metric(l geo.Length) string {
	switch m := l.Metres(); {
	case math.Abs(m) < 0.1:
		return strconv.FormatFloat(m*1000, 'f', 0, 64) + " mm"
	case math.Abs(m) < 9.95:
		return strconv.FormatFloat(m, 'f', 2, 64) + " m"
	case math.Abs(m) < 99.95:
		return strconv.FormatFloat(m, 'f', 1, 64) + " m"
	case math.Abs(m) < 1000:
		return strconv.FormatFloat(m, 'f', 0, 64) + " m"
	default:
		return digits(nearest(m/1000, 3)) + " km"
	}
}

func customary(l geo.Length) string {
	switch in := l.Inches(); {
	case in < 0:
		return "-" + customary(-l)
	case in < 1:
		return digits(math.Round(in*10)/10) + " in"
	case in < 11.75:
		return digits(math.Round(in*2)/2) + " in"
	case in < 239.5:
		whole := int(math.Round(in))
		if whole%12 == 0 {
			return strconv.Itoa(whole/12) + " ft"
		}
		return fmt.Sprintf("%d ft %d in", whole/12, whole%12)
	case l.Feet() < 5280:
		return digits(math.Round(l.Feet())) + " ft"
	default:
		return digits(nearest(l.Feet()/5280, 3)) + " mi"
	}
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

// Bearing writes a direction with three digits before the degree sign, as in
// 041°; the north it counts from is written beside it by the caller.
func Bearing(deg float64) string {
	if !finite(deg) {
		return Unknown
	}
	d := int(math.Round(float64(geo.NewBearing(deg)))) % 360
	return fmt.Sprintf("%03d°", d)
}

// Angle writes a whole number of degrees.
func Angle(deg float64) string {
	if !finite(deg) {
		return Unknown
	}
	return strconv.FormatFloat(deg, 'f', 0, 64) + "°"
}

// Declination writes an angle from true north with its side, as in 7.1° west.
func Declination(deg float64) string {
	if !finite(deg) {
		return Unknown
	}
	tenth := math.Round(math.Abs(deg)*10) / 10
	switch {
	case tenth == 0:
		return "0.0°"
	case deg < 0:
		return fmt.Sprintf("%.1f° west", tenth)
	default:
		return fmt.Sprintf("%.1f° east", tenth)
	}
}

// Grade writes an evidence grade. Without a test at the very point a figure
// is an estimate and says so.
func Grade(e survey.Evidence) string {
	switch e {
	case survey.TestedHere:
		return "tested here"
	case "":
		return "evidence " + NotRecorded
	default:
		return "estimate: " + string(e)
	}
}

// Date writes a day without doubt about which number is the month.
func Date(t time.Time) string { return t.Format("2 Jan 2006") }

// Moment writes a day and time with its zone.
func Moment(t time.Time) string { return t.Format("2 Jan 2006 15:04 MST") }

// Count writes a number with the right form of its noun: 1 stake, 2 stakes.
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return digits(float64(n)) + " " + many
}

// Opt writes an optional value, or that it was not recorded.
func Opt[T any](o survey.Opt[T], write func(T) string) string {
	v, ok := o.Get()
	if !ok {
		return NotRecorded
	}
	return write(v)
}

// Or returns the text, or that it was not recorded.
func Or(s string) string {
	if strings.TrimSpace(s) == "" {
		return NotRecorded
	}
	return s
}

// Down rounds towards zero to n significant digits. A value within a billionth of a step is taken to be on it, so that
// 4,000 lbf stored as newtons stays 4,000.
func Down(v float64, n int) float64 {
	return step(v, n, func(x float64) float64 { return math.Floor(x + 1e-9) })
}

func up(v float64, n int) float64 {
	return step(v, n, func(x float64) float64 { return math.Ceil(x - 1e-9) })
}

func nearest(v float64, n int) float64 { return step(v, n, math.Round) }

func step(v float64, n int, round func(float64) float64) float64 {
	if v == 0 || !finite(v) {
		return v
	}
	k := exponent(v) - n + 1
	x := math.Abs(v) * math.Pow10(-k)
	r := round(x*(1+1e-12)) * math.Pow10(k)
	return math.Copysign(r, v)
}

// exponent is the power of ten of the leading digit of v, which is not 0.
func exponent(v float64) int { return int(math.Floor(math.Log10(math.Abs(v)) + 1e-12)) }

// digits writes a number with thousands commas and no needless zeros.
func digits(v float64) string {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if i := strings.IndexByte(s, '.'); i >= 0 && len(s)-i > 5 { // binary noise of the rounding
		s = strings.TrimRight(strings.TrimRight(strconv.FormatFloat(v, 'f', 4, 64), "0"), ".")
	}
	whole, frac, dot := strings.Cut(s, ".")
	neg := strings.HasPrefix(whole, "-")
	whole = strings.TrimPrefix(whole, "-")
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if neg {
		whole = "-" + whole
	}
	if dot {
		return whole + "." + frac
	}
	return whole
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
