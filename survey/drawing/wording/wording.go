// Package wording writes quantities for people: US customary units with SI
// beside them, or SI, never a bare number, and no more digits than the figure
// can bear. What was not recorded says so.
package wording

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"holdfast/geo"
	"holdfast/survey"
)

// What is printed where there is no value.
const (
	NotRecorded = "not recorded"
	Unknown     = "unknown"
)

// Bearing writes a direction with three digits before the degree sign, as in
// 041°; the north it counts from is written beside it by the caller.
func Bearing(deg float64) string {
	if !finite(deg) {
		return Unknown
	}
	d := int(math.Round(float64(geo.NewBearing(deg)))) % 360
	return fmt.Sprintf("%03d°", d)
}

// Angle writes a whole number of degrees.
func Angle(deg float64) string {
	if !finite(deg) {
		return Unknown
	}
	return strconv.FormatFloat(deg, 'f', 0, 64) + "°"
}

// Declination writes an angle from true north with its side, as in 7.1° west.
func Declination(deg float64) string {
	if !finite(deg) {
		return Unknown
	}
	tenth := math.Round(math.Abs(deg)*10) / 10
	switch {
	case tenth == 0:
		return "0.0°"
	case deg < 0:
		return fmt.Sprintf("%.1f° west", tenth)
	default:
		return fmt.Sprintf("%.1f° east", tenth)
	}
}

// Grade writes an evidence grade. Without a test at the very point a figure
// is an estimate and says so.
func Grade(e survey.Evidence) string {
	switch e {
	case survey.TestedHere:
		return "tested here"
	case "":
		return "evidence " + NotRecorded
	default:
		return "estimate: " + string(e)
	}
}

// Date writes a day without doubt about which number is the month.
func Date(t time.Time) string { return t.Format("2 Jan 2006") }

// Moment writes a day and time with its zone.
func Moment(t time.Time) string { return t.Format("2 Jan 2006 15:04 MST") }

// Count writes a number with the right form of its noun: 1 stake, 2 stakes.
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return digits(float64(n)) + " " + many
}

// Opt writes an optional value, or that it was not recorded.
func Opt[T any](o survey.Opt[T], write func(T) string) string {
	v, ok := o.Get()
	if !ok {
		return NotRecorded
	}
	return write(v)
}

// Or returns the text, or that it was not recorded.
func Or(s string) string {
	if strings.TrimSpace(s) == "" {
		return NotRecorded
	}
	return s
}
