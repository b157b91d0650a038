// Package csvfile reads and writes tables of text as streams of records:
// RFC 4180, also with semicolons and decimal commas, tabs or vertical bars.
//
// The first row names the columns. The place is in a column of well-known text
// or in two columns of numbers, with an optional third for the height in
// metres; they are known by their names or named in the options. Columns called
// lon and lat (or longitude and latitude) are degrees on WGS 84 and may also
// hold degrees, minutes and seconds. Columns called x and y, and well-known
// text without an SRID, declare no coordinate system.
package csvfile
