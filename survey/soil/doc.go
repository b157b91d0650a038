// Package soil works out what driven stakes, and the rigs lashed from them,
// hold in a given ground: the second opinion beside the handbook value.
//
// It is pile theory on a small scale. Collapse gives the limit-equilibrium
// strength of a rig, Curve its load, movement and load sharing on springs,
// Broms the classical closed forms for one stake, CuFromPull the soil strength
// that a pull test shows, Draws the 5-95 % range of the answer, Deadman the
// handbook table for buried anchors and Characteristic the strength that a
// series of pull tests supports. Everything is a pure function.
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
