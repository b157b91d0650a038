package answer

import (
	"math"
	"time"

	"holdfast/geo"
	"holdfast/geo/grid"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/surround"
)

// readPull finds the pull bearing: measured on the ground, then from the bank's
// lines, then from elevation. Every reading is kept; the first is used, and
// readings that lie apart are a doubt.
func (w *working) readPull() {
	p, pull := &w.in.Point, &w.a.Pull
	pull.Readings = make([]Reading, 0, 2+len(w.in.Around.Bearings))
	if p.Pull.Source != survey.PullLayer {
		w.readWritten()
	}
	fall, hasFall := p.Terrain.FallLineDeg.Get()
	if hasFall && p.Terrain.Source == survey.TerrainMeasured {
		w.reading(geo.NewBearing(fall.Degrees()), "fall line, measured on the ground")
	}
	for i := range w.in.Around.Bearings {
		w.readLayer(&w.in.Around.Bearings[i])
	}
	if p.Pull.Source == survey.PullLayer {
		w.readWritten()
	}
	if hasFall && p.Terrain.Source != survey.TerrainMeasured {
		w.reading(geo.NewBearing(fall.Degrees()), "fall line, "+fallSources[p.Terrain.Source])
	}
	if len(pull.Readings) == 0 {
		pull.Readings = nil
		return
	}
	used := pull.Readings[0]
	pull.TrueDeg, pull.BackDeg, pull.Source = survey.Known(used.TrueDeg), survey.Known(used.TrueDeg.Back()), used.Source
	for _, r := range pull.Readings[1:] {
		if off := math.Abs(used.TrueDeg.Off(r.TrueDeg).Degrees()); off > w.policy().BearingDoubtDeg.Value {
			w.doubtPull(w.t.s(r.Source).s(" gives ").fixed(r.TrueDeg.Degrees(), 0).s("°, ").fixed(off, 0).s("° away from the bearing used").end())
		}
	}
	if !w.t.mute {
		w.compass(used.TrueDeg)
	}
}

// how says where a bearing off the layers comes from.
func (w *working) how(b *surround.Bearing) string {
	switch {
	case b.Away > 0:
		return b.How + ", " + wording.Length(w.t.units, b.Away) + " away: look whether it is this bank"
	case b.Over > 0:
		return b.How + ", over " + wording.Length(w.t.units, b.Over)
	}
	return b.How
}

var fallSources = map[survey.TerrainSource]string{
	survey.TerrainLayer: "as recorded from a layer", survey.TerrainElevation: "as recorded from elevation", "": "source not recorded",
}

// readWritten takes the bearing as the surveyor wrote it.
func (w *working) readWritten() {
	p := &w.in.Point
	deg, ok := p.Pull.BearingDeg.Get()
	if !ok {
		return
	}
	how := "measured on the ground"
	switch p.Pull.Source {
	case survey.PullFallLine:
		how = "along the fall line, as surveyed"
	case survey.PullLayer:
		how = "as recorded from a layer"
	case "":
		how = "as surveyed, source not recorded"
	}
	if p.Pull.North != survey.MagneticNorth {
		w.reading(geo.NewBearing(deg), how)
		return
	}
	at, known := p.SurveyedAt.Get()
	if !known {
		w.doubtPull("a magnetic bearing without its date cannot be turned into a true one")
		return
	}
	f, err := w.e.field(at).At(p.Position, w.height())
	if err != nil || !f.Valid {
		w.doubtPull("the compass bearing cannot be trusted: " + orUnknown(f.Doubt))
		return
	}
	w.reading(f.True(deg), w.t.f("%s, compass %.0f° with declination %s of %s", how, deg, eastWest(f.D), at.Format(time.DateOnly)))
}

// height is the point's own, or sea level where none is recorded: a
// declination does not show the difference.
func (w *working) height() geo.Length {
	h, _ := w.in.Point.ElevationM.Get()
	return h
}

// compass adds what a compass and a grid show at the answer's date.
func (w *working) compass(used geo.Bearing) {
	p, pull := &w.in.Point, &w.a.Pull
	if f, err := w.e.field(w.in.AsOf).At(p.Position, w.height()); err == nil {
		if f.Doubt != "" {
			w.doubtPull(f.Doubt)
		}
		if f.Valid {
			pull.MagneticDeg = survey.Known(f.Magnetic(used))
			pull.BackMagDeg = survey.Known(f.Magnetic(used.Back()))
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

func (w *working) doubtPull(s string) {
	pull := &w.a.Pull
	if pull.Doubts == nil {
		pull.Doubts = make([]string, 0, 1+len(pull.Readings))
	}
	pull.Doubts = append(pull.Doubts, s)
}

func eastWest(d geo.Angle) string {
	t := text{}
	if d < 0 {
		return t.num(-d.Degrees(), 1).s("° W").end()
	}
	return t.num(d.Degrees(), 1).s("° E").end()
}

func orUnknown(s string) string {
	if s == "" {
		return "not recorded"
	}
	return s
}

// OffAxis returns how far a pull toward a bearing lies off the surveyed pull
// bearing, clockwise positive, and whether a rig may be pulled that way: within
// the policy's working sector, its edges included.
func OffAxis(pull, toward geo.Bearing, p survey.Policy) (off geo.Angle, inside bool) {
	return offAxis(pull, toward, p.SectorDeg.Value)
}

func offAxis(pull, toward geo.Bearing, halfDeg float64) (off geo.Angle, inside bool) {
	off = pull.Off(toward)
	return off, math.Abs(off.Degrees()) <= halfDeg+fine
}

// fine is the difference that rounding may make between two figures, relative
// or in degrees.
const fine = 1e-9
