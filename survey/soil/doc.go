// Package soil works out what driven stakes, and the rigs lashed from them,
// hold in a given ground: the second opinion beside the handbook value.
//
// It is pile theory on a small scale:
//
//	NewCollapse       strength of a rig by limit equilibrium, and its reason
//	Draws.Range       the 5-95 % range of that strength
//	NewLoadCurve      load, movement and load sharing on springs
//	CuFromPull        the soil strength that a pull test shows
//	NewCharacteristic    the strength that a series of pull tests supports
//	DeadmanPressure   the handbook table for buried anchors
//
// Every figure is an ultimate one, without a safety factor. Everything is a
// pure function, safe for use by several goroutines.
//
// Sign and direction: a displacement or force is positive along the pull;
// a depth is positive downwards along the stake. Row 0 of a rig is the front
// row, the one the rope is tied to; gap 0 is the lashing behind it. Inside,
// plain float64 are in newtons, metres, pascals.
//
// Validated on published pile cases, not on stakes: expect the real strength
// between half and twice the figure. Not modelled: creep, stability of the
// whole bank, roots, large bending, a pull off the line of the rig, shocks.
package soil
