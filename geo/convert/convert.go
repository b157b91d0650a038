// Package convert writes one position in every notation the project knows,
// with what a map reader needs beside it: grid convergence, point scale and
// the magnetic declination of a date.
package convert

import (
	"fmt"
	"time"

	"holdfast/geo"
	"holdfast/geo/grid"
	"holdfast/geo/magnetic"
	"holdfast/geo/position"
)

// Result is a position in every notation. Numbers are in the units their
// names carry.
type Result struct {
	Input          string    `json:"input"`
	ReadAs         string    `json:"read_as"`
	Lon            float64   `json:"lon"`
	Lat            float64   `json:"lat"`
	ElevationM     *float64  `json:"elevation_m,omitempty"`
	PrecisionM     float64   `json:"precision_m"` // how finely the input was written
	Decimal        string    `json:"decimal"`
	DM             string    `json:"degrees_minutes"`
	DMS            string    `json:"degrees_minutes_seconds"`
	UTM            string    `json:"utm"` // UPS near the poles
	USNG           string    `json:"usng"`
	MGRS           string    `json:"mgrs"`
	Geo            string    `json:"geo_uri"`
	PlusCode       string    `json:"open_location_code"`
	ConvergenceDeg float64   `json:"convergence_deg"` // grid north, east of true north positive
	Scale          float64   `json:"point_scale"`
	At             time.Time `json:"at"`
	DeclinationDeg float64   `json:"declination_deg"` // magnetic north, east of true north positive
	DeclinationErr float64   `json:"declination_error_deg"`
	DeclinationOK  bool      `json:"declination_valid"`
	ChangeDegYear  float64   `json:"declination_change_deg_per_year"`
	Model          string    `json:"magnetic_model"`
	Doubt          string    `json:"doubt,omitempty"`
}

// Converter writes positions with the declination of one date.
type Converter struct {
	at    time.Time
	model *magnetic.Model
	epoch *magnetic.Epoch
}

// On returns a converter for the date of at by a magnetic model.
func On(at time.Time, m *magnetic.Model) Converter {
	return Converter{at: at.UTC(), model: m, epoch: m.On(at)}
}

// Line reads one position in any notation and writes it in all of them.
func (c Converter) Line(input string) (Result, error) {
	p, err := position.Parse(input)
	if err != nil {
		return Result{}, err
	}
	r := Result{Input: input, ReadAs: string(p.Notation), Lon: p.Point.Lon(), Lat: p.Point.Lat(), PrecisionM: p.Precision.Metres(), At: c.at, Model: c.model.Name()}
	if p.Elevation != nil {
		z := p.Elevation.Metres()
		r.ElevationM = &z
	}
	r.Decimal, r.DM, r.DMS = position.Decimal(p.Point, 6), position.DM(p.Point, 4), position.DMS(p.Point, 2)
	r.Geo = position.GeoURI(p.Point, p.Elevation, 6)
	if r.PlusCode, err = position.OLC(p.Point, 11); err != nil {
		return Result{}, fmt.Errorf("write Open Location Code: %w", err)
	}
	utm, err := grid.AppendUTM(nil, p.Point, 0)
	if err != nil {
		return Result{}, fmt.Errorf("write UTM: %w", err)
	}
	r.UTM = string(utm)
	if r.USNG, err = grid.USNG(p.Point, grid.Metre); err != nil {
		return Result{}, fmt.Errorf("write USNG: %w", err)
	}
	if r.MGRS, err = grid.MGRS(p.Point, grid.Metre); err != nil {
		return Result{}, fmt.Errorf("write MGRS: %w", err)
	}
	gamma, k, err := grid.ConvergenceScale(p.Point)
	if err != nil {
		return Result{}, fmt.Errorf("work out convergence: %w", err)
	}
	r.ConvergenceDeg, r.Scale = gamma.Degrees(), k
	var height geo.Length // sea level where none is given: a declination does not show it
	if p.Elevation != nil {
		height = *p.Elevation
	}
	f, err := c.epoch.At(p.Point, height)
	if err != nil {
		return Result{}, fmt.Errorf("work out declination: %w", err)
	}
	r.DeclinationDeg, r.DeclinationErr, r.ChangeDegYear = f.D.Degrees(), f.DeclinationError.Degrees(), f.Change.D.Degrees()
	r.DeclinationOK, r.Doubt = f.Valid, f.Doubt
	return r, nil
}
