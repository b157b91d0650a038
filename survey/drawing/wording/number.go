package wording

import (
	"bytes"
	"math"
	"strconv"
	"strings"
)

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

// Down rounds towards zero to n significant digits. A value within a billionth of a step is taken to be on it, so that
// 4,000 lbf stored as newtons stays 4,000.
func Down(v float64, n int) float64 {
	return step(v, n, func(x float64) float64 { return math.Floor(x + 1e-9) })
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
