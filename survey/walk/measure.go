package walk

import (
	"math"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/magnetic"
	"holdfast/geo/tangent"
	"holdfast/survey"
)

// mostReadings bounds how many fixes or headings one measurement may have.
const mostReadings = 10_000

// Fix is one position of the receiver with the accuracy it states.
type Fix struct {
	Lon       float64 `json:"lon"`
	Lat       float64 `json:"lat"`
	AccuracyM float64 `json:"accuracy_m"` // radius; of what confidence, receivers do not say
}

// Fixes are the positions received while standing at one place.
type Fixes struct {
	Fixes []Fix `json:"fixes"`
}

// Mean is the place that fixes give together.
type Mean struct {
	Lon       float64 `json:"lon"`
	Lat       float64 `json:"lat"`
	AccuracyM float64 `json:"accuracy_m"` // to be recorded with it
	SpreadM   float64 `json:"spread_m"`   // root mean square distance of the fixes from it
	Count     int     `json:"count"`
}

// average weighs fixes by the inverse square of their stated accuracy. The mean
// is stated to be no better than the best single fix, nor than their spread:
// what fixes of one visit have in common, such as reflections off a bank, does
// not average out.
func average(q Fixes) (Mean, error) {
	if n := len(q.Fixes); n == 0 || n > mostReadings {
		return Mean{}, survey.Invalid("", "%d fixes cannot be averaged: 1 to %d can", n, mostReadings)
	}
	best := math.Inf(1)
	for _, f := range q.Fixes {
		if !(math.Abs(f.Lon) <= 180 && math.Abs(f.Lat) <= 90 && f.AccuracyM >= 0 && f.AccuracyM <= 1e6) {
			return Mean{}, survey.Invalid("", "longitude %g, latitude %g, accuracy %g m is no fix", f.Lon, f.Lat, f.AccuracyM)
		}
		best = min(best, f.AccuracyM)
	}
	plane := tangent.At(orb.Point{q.Fixes[0].Lon, q.Fixes[0].Lat})
	at := make([]tangent.XY, len(q.Fixes))
	var sum tangent.XY
	var weights float64
	for i, f := range q.Fixes {
		xy, ok := plane.Project(orb.Point{f.Lon, f.Lat})
		if !ok {
			return Mean{}, survey.Invalid("", "the fixes are not of one place: %g, %g is far from the first", f.Lon, f.Lat)
		}
		at[i] = xy
		accuracy := max(f.AccuracyM, 0.01) // a receiver that states 0 does not know better than this
		w := 1 / (accuracy * accuracy)
		sum.X, sum.Y, weights = sum.X+w*xy.X, sum.Y+w*xy.Y, weights+w
	}
	mean := tangent.XY{X: sum.X / weights, Y: sum.Y / weights}
	var squares float64
	for _, xy := range at {
		d := mean.To(xy).Metres()
		squares += d * d
	}
	p := plane.Position(mean)
	spread := math.Sqrt(squares / float64(len(at)))
	return Mean{Lon: p.Lon(), Lat: p.Lat(), AccuracyM: max(best, spread), SpreadM: spread, Count: len(at)}, nil
}

// Headings are compass readings of one direction.
type Headings struct {
	Lon      float64   `json:"lon"`
	Lat      float64   `json:"lat"`
	At       time.Time `json:"at"`
	Magnetic []float64 `json:"magnetic"` // degrees, 0..360
}

// Heading is the direction that readings give together.
type Heading struct {
	Bearing
	SpreadDeg float64 `json:"spread_deg"` // greatest distance of a reading from the mean
	Count     int     `json:"count"`
}

// headings takes the mean direction of the readings (the argument of the sum of
// their unit vectors: Mardia and Jupp, Directional Statistics, 2000, section
// 2.2) and turns it to true north. Readings that cancel out have no mean.
func headings(q Headings) (Heading, error) {
	if n := len(q.Magnetic); n == 0 || n > mostReadings {
		return Heading{}, survey.Invalid("", "%d headings have no mean: 1 to %d have", n, mostReadings)
	}
	var s, c float64
	for _, deg := range q.Magnetic {
		sin, cos := math.Sincos(deg * math.Pi / 180)
		s, c = s+sin, c+cos
	}
	if r := math.Hypot(s, c) / float64(len(q.Magnetic)); !(r > 0.5) {
		return Heading{}, survey.Invalid("", "the compass readings point all round: keep away from steel and try again")
	}
	mean := geo.NewBearing(math.Atan2(s, c) * 180 / math.Pi)
	b, err := turnBearing(Bearing{Lon: q.Lon, Lat: q.Lat, At: q.At, Magnetic: survey.Known(mean.Degrees())})
	h := Heading{Bearing: b, Count: len(q.Magnetic)}
	for _, deg := range q.Magnetic {
		h.SpreadDeg = max(h.SpreadDeg, math.Abs(mean.Off(geo.NewBearing(deg)).Degrees()))
	}
	return h, err
}

// Bearing is a bearing at a place and date: true or magnetic is given, the
// other is found.
type Bearing struct {
	Lon         float64             `json:"lon"`
	Lat         float64             `json:"lat"`
	At          time.Time           `json:"at"`
	True        survey.Opt[float64] `json:"true,omitzero"`     // degrees, 0..360
	Magnetic    survey.Opt[float64] `json:"magnetic,omitzero"` // degrees, 0..360
	Declination float64             `json:"declination_deg"`   // east positive
	Error       float64             `json:"declination_error_deg"`
	Doubt       string              `json:"doubt,omitempty"`
}

func turnBearing(q Bearing) (Bearing, error) {
	f, err := magnetic.Default().At(orb.Point{q.Lon, q.Lat}, 0, q.At)
	if err != nil {
		return q, survey.Invalid("", "the declination cannot be worked out: %s", err)
	}
	q.Declination, q.Error, q.Doubt = f.D.Degrees(), f.DeclinationError.Degrees(), f.Doubt
	if !f.Valid {
		return q, survey.Invalid("", "a compass bearing cannot be turned here: %s", f.Doubt)
	}
	if v, ok := q.Magnetic.Get(); ok {
		q.True = survey.Known(f.True(v).Degrees())
	} else if v, ok := q.True.Get(); ok {
		q.Magnetic = survey.Known(f.Magnetic(geo.NewBearing(v)))
	}
	return q, nil
}
