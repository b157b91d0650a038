package vector_test

import "math"

func nan() float64 { return math.NaN() }

func inf() float64 { return math.Inf(1) }
