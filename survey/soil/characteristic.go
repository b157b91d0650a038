package soil

import (
	"errors"
	"fmt"
	"math"

	"holdfast/survey"
)

// PullTest is one test of a rig to its strength.
type PullTest struct {
	Force survey.Force
	// Stopped marks a pull that was ended before the rig failed: Force is then
	// what was reached, and enters as if it were the strength.
	Stopped bool
}

// Characteristic is the strength that a series of tests supports: the 5 %
// fractile of the next rig of the same kind in the same ground.
type Characteristic struct {
	Value   survey.Force
	Median  survey.Force // of the fitted log-normal distribution
	Scatter float64      // standard deviation of the strength's natural logarithm
	Factor  float64      // k_n
	Tests   int
	Stopped int // how many of them were stopped before failure
}

// LeastTests is how many tests a characteristic value needs, EN 1990:2002,
// Table D1.
const LeastTests = 3

// ErrTooFewTests tells that fewer than LeastTests support no characteristic value.
var ErrTooFewTests = errors.New("fewer than three tests")

// NewCharacteristic works out the characteristic strength by EN 1990:2002,
// Annex D7.2, log-normal, coefficient of variation unknown:
// exp(m - k_n s), with m and s the mean and standard deviation of ln(force).
func NewCharacteristic(tests []PullTest) (Characteristic, error) {
	c := Characteristic{Tests: len(tests)}
	var err error
	if c.Factor, err = CharacteristicFactor(len(tests)); err != nil {
		return Characteristic{}, fmt.Errorf("rate tests: %w", err)
	}
	mean := 0.0
	for i, t := range tests {
		if !within(float64(t.Force), 1, 1e9) {
			return Characteristic{}, fmt.Errorf("rate tests: test %d: force %v: want 1 N to 1 GN", i+1, t.Force)
		}
		if t.Stopped {
			c.Stopped++
		}
		mean += math.Log(float64(t.Force)) / float64(len(tests))
	}
	for _, t := range tests {
		d := math.Log(float64(t.Force)) - mean
		c.Scatter += d * d / float64(len(tests)-1)
	}
	c.Scatter = math.Sqrt(c.Scatter)
	c.Median = survey.Force(math.Exp(mean))
	c.Value = survey.Force(math.Exp(mean - c.Factor*c.Scatter))
	return c, nil
}

// CharacteristicFactor returns k_n of EN 1990:2002, Table D1, row "V_X
// unknown": t(0.05, n-1) √(1 + 1/n) for n ≥ 3 tests.
func CharacteristicFactor(n int) (float64, error) {
	if n < LeastTests {
		return 0, fmt.Errorf("%d tests: %w", n, ErrTooFewTests)
	}
	return student95(n-1) * math.Sqrt(1+1/float64(n)), nil
}

// student95 returns the value that Student's t of v ≥ 1 degrees of freedom
// exceeds with probability 0.05.
func student95(v int) float64 {
	if v > 200 {
		// Expansion about the normal value (Abramowitz and Stegun 26.7.5).
		const z = 1.6448536269514722
		n := float64(v)
		return z + (z*z*z+z)/(4*n) + (5*math.Pow(z, 5)+16*z*z*z+3*z)/(96*n*n)
	}
	return bisect(1, 7, func(t float64) float64 { return studentWithin(t, v) - 0.90 })
}

// studentWithin returns the probability that |t| stays within x, by the finite
// series of Abramowitz and Stegun 26.7.3 and 26.7.4.
func studentWithin(x float64, v int) float64 {
	theta := math.Atan(x / math.Sqrt(float64(v)))
	sin, cos := math.Sincos(theta)
	sum, term := 0.0, 1.0
	if v%2 == 1 {
		term = cos
	}
	for k := v%2 + 2; k <= v; k += 2 {
		sum += term
		term *= cos * cos * float64(k-1) / float64(k)
	}
	if v%2 == 1 {
		return 2 / math.Pi * (theta + sin*sum)
	}
	return sin * sum
}
