package survey

import (
	"bytes"
	"encoding/json"
)

// Opt is a value that may not be known. Its zero value is "not recorded",
// which is different from a recorded 0, from "" and from false, in JSON, in
// the store and on paper. In JSON an unknown value is left out (use the
// omitzero tag) and null reads as unknown.
type Opt[T any] struct {
	value T
	known bool
}

// Known returns a recorded value.
func Known[T any](v T) Opt[T] { return Opt[T]{value: v, known: true} }

// Get returns the value and whether it is known.
func (o Opt[T]) Get() (T, bool) { return o.value, o.known }

// Known tells whether a value was recorded.
func (o Opt[T]) Known() bool { return o.known }

// hold makes the value known and returns where it is, for whoever reads it.
func (o *Opt[T]) hold() any {
	o.known = true
	return &o.value
}

// IsZero tells whether the value is unknown; encoding/json's omitzero asks it.
func (o Opt[T]) IsZero() bool { return !o.known }

// MarshalJSON writes the value, or null when unknown.
func (o Opt[T]) MarshalJSON() ([]byte, error) {
	if !o.known {
		return []byte("null"), nil
	}
	return json.Marshal(o.value)
}

// UnmarshalJSON reads a value; null is unknown.
func (o *Opt[T]) UnmarshalJSON(b []byte) error {
	if bytes.Equal(bytes.TrimSpace(b), []byte("null")) {
		*o = Opt[T]{}
		return nil
	}
	var v T
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	*o = Known(v)
	return nil
}

// Answer is a surveyor's yes or no. The empty Answer was never asked;
// AnswerUnknown was asked and could not be told. Neither is a no.
type Answer string

const (
	Yes           Answer = "yes"
	No            Answer = "no"
	AnswerUnknown Answer = "unknown"
)

// Settled tells whether the answer is a plain yes or no.
func (a Answer) Settled() bool { return a == Yes || a == No }
