package answer

// What the sentences are made of, for tests.

func RatioWords(r float64) string {
	var t text
	return t.ratio(r).end()
}

func BearingWords(d float64) string {
	var t text
	return t.bearing(d).end()
}

// For answers one point under the input's own policy.
func For(in Input) (Answer, error) {
	e, err := NewEngine(in.Policy)
	if err != nil {
		return Answer{}, err
	}
	return e.For(in)
}
