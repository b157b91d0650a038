package server

import (
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/paulmach/orb"

	"holdfast/survey"
	"holdfast/survey/atlas"
)

// bbox reads a box in degrees: four numbers (west, south, east, north) or six
// (with heights, which do not choose anything here). West may lie east of
// East: then the box crosses the 180° meridian (17-069r4, 7.15.3). No bbox
// gives nil.
func bbox(q url.Values) (*orb.Bound, error) {
	v, err := boxNumbers(q)
	if v == nil || err != nil {
		return nil, err
	}
	return boundOf(*v)
}

// boxNumbers reads the two corners of a box, without their heights.
func boxNumbers(q url.Values) (*[4]float64, error) {
	text := q.Get("bbox")
	if !q.Has("bbox") {
		return nil, nil
	}
	parts := strings.Split(text, ",")
	if len(parts) != 4 && len(parts) != 6 {
		return nil, badParameter("bbox", sayBoxNumbers, len(parts))
	}
	v := make([]float64, len(parts))
	for i, p := range parts {
		f, err := strconv.ParseFloat(strings.TrimSpace(p), 64)
		if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
			return nil, badParameter("bbox", sayNoNumber, p)
		}
		v[i] = f
	}
	if len(v) == 6 && v[2] > v[5] {
		return nil, badParameter("bbox", sayBoxHeights, v[2], v[5])
	}
	return &[4]float64{v[0], v[1], v[len(v)/2], v[len(v)/2+1]}, nil
}

// boundOf makes a box of degrees of west, south, east, north.
func boundOf(v [4]float64) (*orb.Bound, error) {
	west, south, east, north := v[0], v[1], v[2], v[3]
	switch {
	case south > north:
		return nil, badParameter("bbox", sayBoxTurned, south, north)
	case south < -90 || north > 90:
		return nil, badParameter("bbox", sayBoxLatitudes)
	case west < -180 || west > 180 || east < -180 || east > 180:
		return nil, badParameter("bbox", sayBoxLongitudes)
	}
	return &orb.Bound{Min: orb.Point{west, south}, Max: orb.Point{east, north}}, nil
}

const (
	limitUsual = 100
	limitMost  = 1000
)

// limit reads how many items a page may have; more than the most is the most
// (17-069r4, /req/core/fc-limit-response-1).
func limit(q url.Values) (int, error) {
	if !q.Has("limit") {
		return limitUsual, nil
	}
	text := q.Get("limit")
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil && len(text) > 18 && strings.Trim(text, "0123456789") == "" {
		return limitMost, nil
	}
	if err != nil || n == 0 {
		return 0, badParameter("limit", sayNoWholeNumber, text)
	}
	return int(min(n, limitMost)), nil
}

// span is a time interval; an open end is the zero time.
type span struct{ from, to time.Time }

func (s span) holds(t time.Time) bool {
	return (s.from.IsZero() || !t.Before(s.from)) && (s.to.IsZero() || !t.After(s.to))
}

// datetime reads an instant or an interval, either end of which may be open
// (17-069r4, 7.15.4). No datetime gives nil.
func datetime(q url.Values) (*span, error) {
	if !q.Has("datetime") {
		return nil, nil
	}
	text := q.Get("datetime")
	parts := strings.Split(text, "/")
	if len(parts) > 2 {
		return nil, badParameter("datetime", sayTwoEnds, text)
	}
	var ends [2]time.Time
	for i, p := range parts {
		if len(parts) == 2 && (p == "" || p == "..") {
			continue
		}
		from, to, err := moments(p)
		if err != nil {
			return nil, badParameter("datetime", sayNoMoment, p)
		}
		if ends[i] = from; i == len(parts)-1 {
			ends[1] = to
		}
	}
	if parts[0] != "" && len(parts) == 2 && !ends[0].IsZero() && !ends[1].IsZero() && ends[1].Before(ends[0]) {
		return nil, badParameter("datetime", sayEndsBefore, text)
	}
	return &span{ends[0], ends[1]}, nil
}

// moments reads a date and time, or a date, which lasts a day.
func moments(text string) (from, to time.Time, err error) {
	from, err = instant(text)
	if len(text) == len(time.DateOnly) {
		return from, from.AddDate(0, 0, 1).Add(-time.Millisecond), err
	}
	return from, from, err
}

// instant reads a date or a date and time.
func instant(text string) (time.Time, error) {
	if t, err := time.Parse(time.DateOnly, text); err == nil {
		return t, nil
	}
	return time.Parse(time.RFC3339, text)
}

// ask reads which load and ratio an answer is asked for, and how wet the
// ground is tonight.
func ask(q url.Values) (atlas.Ask, error) {
	a := atlas.Ask{Load: strings.TrimSpace(q.Get("load")), Tonight: survey.Moisture(q.Get("tonight"))}
	if a.Tonight != "" && !slices.Contains(survey.Moistures, a.Tonight) {
		return a, badParameter("tonight", sayNoneOf, a.Tonight, survey.Moistures)
	}
	text := strings.TrimSpace(q.Get("required"))
	if text == "" {
		return a, nil
	}
	v, err := survey.ParseTyped(text) // typed into a form as well
	if err != nil {
		return a, badParameter("required", sayRatioRange, err)
	}
	if !(v >= 1 && v <= 100) {
		return a, badParameter("required", sayNoRatio, text)
	}
	a.Required = survey.Known(v)
	return a, nil
}
