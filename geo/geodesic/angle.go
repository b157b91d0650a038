package geodesic

import "math"

const degree = math.Pi / 180

// twoSum returns the rounded sum of x and y and its rounding error, so that
// hi+lo is exact (Knuth, The Art of Computer Programming 2, 4.2.2, theorem B).
func twoSum(x, y float64) (hi, lo float64) {
	hi = x + y
	t := hi - x
	return hi, (x - (hi - t)) + (y - t)
}

// normalize brings an angle in degrees into [-180, 180], exactly.
func normalize(x float64) float64 {
	if x >= -180 && x <= 180 {
		return x
	}
	return math.Remainder(x, 360)
}

// angDiff returns to - from in degrees, in [-180, 180], with its rounding
// error. The sign at half a turn tells on which side of it the exact
// difference lies; at exactly half a turn the way is east if to > from.
func angDiff(from, to float64) (d, e float64) {
	d, e = twoSum(-normalize(from), normalize(to))
	if d > 180 {
		d, e = twoSum(d-360, e)
	} else if d < -180 {
		d, e = twoSum(d+360, e)
	}
	if d == 180 || d == -180 {
		side := -e
		if e == 0 {
			side = to - from
		}
		d = math.Copysign(180, side)
	}
	return d, e
}

// coarsen rounds angles below 1/16 degree to a multiple of 2^-57 degree
// (less than a picometre), which keeps products of them from underflowing.
func coarsen(x float64) float64 {
	const z = 1.0 / 16
	y := math.Abs(x)
	if !(y < z) {
		return x
	}
	return math.Copysign(z-(z-y), x)
}

// sincosd returns the sine and cosine of x+e degrees, where e is a rounding
// error of x. Multiples of 90° give exact zeros and ones, and the two values
// are exact mirror images about 45°.
func sincosd(x, e float64) (s, c float64) {
	if !(math.Abs(x) < 1e6) {
		x = math.Mod(x, 360)
	}
	q := 0
	if x > 45 {
		q = int(x*(1.0/90) + 0.5)
	} else if x < -45 {
		q = int(x*(1.0/90) - 0.5)
	}
	s, c = math.Sincos(((x - 90*float64(q)) + e) * degree)
	switch q & 3 {
	case 1:
		s, c = c, -s
	case 2:
		s, c = -s, -c
	case 3:
		s, c = -c, s
	}
	return s, c
}

// atan2d returns the angle of (x, y) in degrees, in [-180, 180], exact at the
// multiples of 90°.
func atan2d(y, x float64) float64 {
	ax, ay := math.Abs(x), math.Abs(y)
	var d float64
	switch {
	case ay <= ax && ax > 0:
		d = math.Atan(ay/ax) / degree
		if math.Signbit(x) {
			d = 180 - d
		}
	case ay > ax:
		d = math.Atan(ax/ay) / degree
		if math.Signbit(x) {
			d = -d
		}
		d = 90 - d
	default: // both zero, or a NaN
		d = math.Atan2(ay, ax)
	}
	return math.Copysign(d, y)
}

// norm scales s and c so that s² + c² = 1.
func norm(s, c float64) (float64, float64) {
	h := math.Sqrt(s*s + c*c)
	return s / h, c / h
}
