package survey

import (
	"fmt"
	"math"
	"strings"

	"holdfast/geo"
)

// checker gathers problems while a value is looked over.
type checker struct {
	problems []Problem
}

func (c *checker) err() error {
	if len(c.problems) == 0 {
		return nil
	}
	return &InvalidError{Problems: c.problems}
}

func (c *checker) add(pointer, format string, args ...any) {
	c.problems = append(c.problems, Problem{Pointer: pointer, Message: fmt.Sprintf(format, args...)})
}

// oneOf requires an enumerated word; the empty word is "not recorded" and passes.
func oneOf[T ~string](c *checker, pointer string, v T, allowed []T) {
	if v == "" {
		return
	}
	words := make([]string, len(allowed))
	for i, a := range allowed {
		if v == a {
			return
		}
		words[i] = string(a)
	}
	c.add(pointer, "%q is not one of: %s", v, strings.Join(words, ", "))
}

func (c *checker) answer(pointer string, a Answer) {
	oneOf(c, pointer, a, []Answer{Yes, No, AnswerUnknown})
}

// within requires a known value to be finite and inside lo..hi.
func within[T ~float64](c *checker, pointer string, o Opt[T], lo, hi float64, unit string) {
	v, ok := o.Get()
	if !ok {
		return
	}
	f := float64(v)
	if math.IsNaN(f) || math.IsInf(f, 0) || f < lo || f > hi {
		c.problems = append(c.problems, Problem{Pointer: pointer, Message: fmt.Sprintf("%g is outside %g to %g %s", f, lo, hi, unit), Within: &[2]float64{lo, hi}})
	}
}

func (c *checker) bearing(pointer string, o Opt[geo.Bearing]) {
	within(c, pointer, o, 0, 360, "degrees clockwise from true north")
}

// text bounds free text so that one field cannot fill the atlas.
func (c *checker) text(pointer, s string, longest int) {
	if n := len([]rune(s)); n > longest {
		c.add(pointer, "is %d characters long; at most %d fit", n, longest)
	}
}
