package soil

import "math"

// quadratic returns the positive root of a x² + b x = c, for a, c > 0, b ≥ 0.
func quadratic(a, b, c float64) float64 {
	if math.IsInf(c, 1) {
		return c
	}
	return 2 * c / (b + math.Sqrt(b*b+4*a*c))
}

// bisect returns the zero of a rising function in lo..hi, or the nearer end.
func bisect(lo, hi float64, f func(float64) float64) float64 {
	for range 60 {
		if mid := (lo + hi) / 2; f(mid) > 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}
