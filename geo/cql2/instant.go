package cql2

import (
	"math"
	"regexp"
	"strings"
	"time"
)

// day tells whether the instant is a date rather than a timestamp.
func (i Instant) day() bool { return len(i.Text) == len("2006-01-02") }

var literalInstant = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}:\d{2}(\.\d+)?Z)?$`)

// parseLiteral reads an instant as the grammar has it (rules fullDate and
// utcTime of OGC 21-065r2 Annex B); the date must be in the calendar.
func parseLiteral(s string) (ms float64, ok bool) {
	if !literalInstant.MatchString(s) {
		return 0, false
	}
	if _, err := time.Parse(time.DateOnly, s[:10]); err != nil {
		return 0, false
	}
	return parseInstant(s)
}

// parseInstant reads a stored date or time as SQLite's date functions do, so
// that both ways of answering a filter agree: YYYY-MM-DD, then nothing, or "T"
// or a space and hh:mm:ss, a fraction and a zone, without which it is UTC. A
// day beyond the end of its month runs on into the next. The result is in
// milliseconds since 1970-01-01T00:00:00Z.
func parseInstant(s string) (ms float64, ok bool) {
	year, ok1 := digits(s, 0, 4, 0, 9999)
	month, ok2 := digits(s, 5, 2, 1, 12)
	day, ok3 := digits(s, 8, 2, 1, 31)
	if !ok1 || !ok2 || !ok3 || s[4] != '-' || s[7] != '-' {
		return 0, false
	}
	at := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC).UnixMilli()
	if len(s) == 10 {
		return float64(at), true
	}
	hour, ok1 := digits(s, 11, 2, 0, 24)
	minute, ok2 := digits(s, 14, 2, 0, 59)
	second, ok3 := digits(s, 17, 2, 0, 59)
	if !ok1 || !ok2 || !ok3 || s[10] != 'T' && s[10] != ' ' || s[13] != ':' || s[16] != ':' {
		return 0, false
	}
	part, rest := fraction(s[19:])
	east, ok := zone(rest)
	if math.IsNaN(part) || hour == 24 && (minute > 0 || second > 0 || part > 0) { // NaN: more digits than a double can hold
		return 0, false
	}
	at += int64(hour*60+minute-east)*60_000 + int64((float64(second)+part)*1000+0.5)
	return float64(at), ok && at < endOfTime
}

// endOfTime is the first millisecond after the year 9999, where SQLite ends.
var endOfTime = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

// digits reads n digits of s from i as a number from least to most.
func digits(s string, i, n, least, most int) (int, bool) {
	if len(s) < i+n {
		return 0, false
	}
	v := 0
	for _, c := range []byte(s[i : i+n]) {
		if c < '0' || c > '9' {
			return 0, false
		}
		v = v*10 + int(c-'0')
	}
	return v, v >= least && v <= most
}

// fraction reads a fraction of a second, at most 0.999 as in SQLite, and
// returns what follows it.
func fraction(s string) (float64, string) {
	if _, ok := digits(s, 1, 1, 0, 9); !ok || s[0] != '.' {
		return 0, s
	}
	v, scale, i := 0.0, 1.0, 1
	for ; i < len(s) && s[i] >= '0' && s[i] <= '9'; i++ {
		v = float64(v*10) + float64(s[i]) - '0'
		scale *= 10
	}
	return min(v/scale, 0.999), s[i:]
}

// zone reads a zone as minutes east of UTC.
func zone(s string) (minutes int, ok bool) {
	s = strings.Trim(s, " \t\n\v\f\r")
	switch {
	case s == "", s == "Z", s == "z":
		return 0, true
	case len(s) != 6 || s[3] != ':' || s[0] != '+' && s[0] != '-':
		return 0, false
	}
	h, ok1 := digits(s, 1, 2, 0, 14)
	m, ok2 := digits(s, 4, 2, 0, 59)
	if s[0] == '-' {
		return -(h*60 + m), ok1 && ok2
	}
	return h*60 + m, ok1 && ok2
}

const millisecondsPerDay = 24 * 60 * 60 * 1000

// toDay returns the day of an instant in UTC, counted from 1970-01-01.
func toDay(ms float64) float64 { return math.Floor(ms / millisecondsPerDay) }
