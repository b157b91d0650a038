// Package cql2 reads filters in the Common Query Language (CQL2, OGC
// 21-065r2), as text or as JSON, and answers them twice: feature by feature
// in Go, and as a parameterised condition for SQLite.
//
// The language is that of the conformance classes Basic CQL2, Advanced
// Comparison Operators, Case-insensitive Comparison, Accent-insensitive
// Comparison, Basic Spatial Functions, Basic Spatial Functions with additional
// Spatial Literals, Spatial Functions, Temporal Functions, Array Functions,
// Property-Property Comparisons, Arithmetic Expressions, CQL2 Text and CQL2
// JSON. There are no functions beyond the standard's own.
//
// Where the standard leaves a choice, this package chooses:
//
//   - A value that is missing, null or not of its queryable's type is unknown,
//     and so is what is computed from it. Only features for which the whole
//     filter is true are selected.
//   - Nothing is cast: comparing a string with a number is an error. Only a
//     date and a timestamp may meet; both are then compared as days in UTC.
//   - Strings compare code point by code point, as they are written.
//   - Numbers are IEEE doubles; division by zero is unknown. "div" drops the
//     fraction and % takes the sign of the dividend, as in Go.
//   - Instants compare to the millisecond. A timestamp without a zone is UTC.
//   - Geometry is planar in the coordinates given; heights are left out.
package cql2
