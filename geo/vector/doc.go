// Package vector holds what all vector formats have in common: records with a
// geometry in three dimensions and typed properties, layers, sources that
// yield records and writers that take them. The formats are the packages below
// it; package file opens and creates any of them.
//
// A reader says what it made of each record: taken as it was, repaired with a
// note, or refused with an error. Nothing is dropped silently. Coordinates come
// out as in the file, x before y; [ToWGS84] carries them to longitude and
// latitude. A writer says in its Losses what its format could not carry.
package vector
