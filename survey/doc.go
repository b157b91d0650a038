// Package survey holds the nouns of the job - site, point, ground, anchor,
// pull test, layer, policy - with their validation and their GeoJSON form.
// It does no I/O and decides nothing: what a point can hold is worked out by
// its sub-packages from the values defined here.
package survey
