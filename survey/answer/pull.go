package answer

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/geo/grid"
	"holdfast/geo/magnetic"
	"holdfast/survey"
)

// readPull finds the pull bearing: measured on the ground, then the recorded
// fall line, then the layers. Every reading is kept; the first is used, and
// readings that lie apart are a doubt.
func (w *working) readPull() {
	p, pull := w.in.Point, &w.a.Pull
	height, _ := p.ElevationM.Get() // sea level where no height is recorded: a declination does not show it
	model := magnetic.Default()

	if deg, ok := p.Pull.BearingDeg.Get(); ok {
		how := "measured on the ground"
		if p.Pull.Source == survey.PullFallLine {
			how = "along the fall line, as surveyed"
		}
		switch p.Pull.North {
		case survey.MagneticNorth:
			at, known := p.SurveyedAt.Get()
			f, err := model.At(p.Position, height, at)
			switch {
			case !known:
				pull.Doubts = append(pull.Doubts, "a magnetic bearing without its date cannot be turned into a true one")
			case err != nil || !f.Valid:
				pull.Doubts = append(pull.Doubts, "the compass bearing cannot be trusted: "+f.Doubt)
			default:
				w.reading(f.True(deg), fmt.Sprintf("%s, compass %.0f° with declination %s of %s", how, deg, eastWest(f.D), at.Format("2006-01-02")))
			}
		default:
			w.reading(geo.NewBearing(deg), how)
		}
	}
	if fall, ok := p.Terrain.FallLineDeg.Get(); ok {
		w.reading(geo.NewBearing(fall.Degrees()), "fall line, "+orUnknown(string(p.Terrain.Source)))
	}
	for _, b := range w.in.Around.Bearings {
		w.reading(b.Deg, b.How)
	}
	if len(pull.Readings) == 0 {
		return
	}
	used := pull.Readings[0]
	pull.TrueDeg, pull.BackDeg, pull.Source = survey.Known(used.TrueDeg), survey.Known(used.TrueDeg.Back()), used.Source
	for _, r := range pull.Readings[1:] {
		if off := math.Abs(used.TrueDeg.Off(r.TrueDeg).Degrees()); off > w.in.Policy.BearingDoubtDeg.Value {
			pull.Doubts = append(pull.Doubts, fmt.Sprintf("%s gives %.0f°, %.0f° away from the bearing used", r.Source, r.TrueDeg.Degrees(), off))
		}
	}
	if f, err := model.At(p.Position, height, w.in.AsOf); err == nil {
		if f.Doubt != "" {
			pull.Doubts = append(pull.Doubts, f.Doubt)
		}
		if f.Valid {
			pull.MagneticDeg = survey.Known(f.Magnetic(used.TrueDeg))
			pull.BackMagDeg = survey.Known(f.Magnetic(used.TrueDeg.Back()))
			pull.DeclinationDeg = survey.Known(f.D.Degrees())
			pull.DeclinationErrDeg = survey.Known(f.DeclinationError.Degrees())
		}
	}
	if gamma, _, err := grid.ConvergenceScale(p.Position); err == nil {
		pull.ConvergenceDeg = survey.Known(gamma.Degrees())
	}
}

func (w *working) reading(b geo.Bearing, source string) {
	w.a.Pull.Readings = append(w.a.Pull.Readings, Reading{Source: source, TrueDeg: b})
}

func eastWest(d geo.Angle) string {
	if d < 0 {
		return fmt.Sprintf("%.1f° W", -d.Degrees())
	}
	return fmt.Sprintf("%.1f° E", d.Degrees())
}

func orUnknown(s string) string {
	if s == "" {
		return "source not recorded"
	}
	return s
}
