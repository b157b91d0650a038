package ground

import (
	"slices"

	"holdfast/survey"
)

// sand gives the least friction angle in degrees and moist unit weight in
// kN/m³ of each density word. EM 1110-2-2504 (31 Mar 1994) Table 3-1 after
// Teng; the table has no lower end for very loose sand, taken here as 25° and
// 14 kN/m³ (from memory).
var sand = map[string][2]float64{
	"very loose": {25, 14}, "loose": {28, 14.9}, "medium": {31, 17.3}, "dense": {37, 17.3}, "very dense": {41, 20.4},
}

// clayGamma is a usual unit weight of clay and loam, kN/m³.
const clayGamma = 18

// strength sets what the mechanics may use and which ground factor applies.
func (w *working) strength() {
	class := w.r.Class
	switch w.family {
	case cohesive:
		w.r.Cohesive = survey.Yes
	case granularB, granularC:
		w.r.Cohesive = survey.No
	default:
		w.r.Cohesive = survey.AnswerUnknown
	}
	switch class {
	case survey.ClassA:
		w.r.QuLowKPa = survey.Known(QuA.Kilopascals())
	case survey.ClassB:
		w.r.QuLowKPa, w.r.QuHighKPa = survey.Known(QuC.Kilopascals()), survey.Known(QuA.Kilopascals())
	case survey.ClassC:
		w.r.QuHighKPa = survey.Known(QuC.Kilopascals())
	default:
		return
	}
	if w.clean() || class == survey.ClassC && w.family != cohesive && w.family != granularB {
		w.sand()
		return
	}
	key := map[survey.GroundClass]survey.GroundKey{survey.ClassA: survey.FactorA, survey.ClassB: survey.FactorB, survey.ClassC: survey.FactorCCohesive}[class]
	cu := map[survey.GroundClass]survey.Pressure{survey.ClassA: CuA, survey.ClassB: CuB, survey.ClassC: CuC}[class]
	if w.disturbed {
		// A counts as B and B as C. The regulation's own cap already made an A
		// a B where the disturbance is certain, so start from the class the
		// strength alone would give.
		key, cu = w.oneLower(class)
	}
	if m, ok := w.measured.Get(); ok && w.family == cohesive {
		w.because("shear strength %.0f kPa is half the weakest instrument reading", (m / 2).Kilopascals())
		if !w.disturbed || m/2 < cu {
			cu = m / 2
		}
	}
	w.r.Factor = key
	w.r.CuKPa = survey.Known(cu.Kilopascals())
	w.r.GammaKNM3 = survey.Known(float64(clayGamma))
}

// clean tells gravel and sand without fines, which no cohesion holds.
func (w *working) clean() bool {
	return w.family == granularC || w.g.Texture == survey.AngularGravel
}

// oneLower is the ground factor and strength of disturbed ground: those of
// the class below the one the soil would have if nobody had dug it.
func (w *working) oneLower(class survey.GroundClass) (survey.GroundKey, survey.Pressure) {
	undisturbed := w.g
	undisturbed.Disturbed = survey.No
	was := survey.ClassUnknown
	if w.g.Disturbed == survey.Yes {
		was = Classify(undisturbed).Class
	}
	if was == survey.ClassA || class == survey.ClassA {
		return survey.FactorB, CuB
	}
	if class == survey.ClassB {
		return survey.FactorCCohesive, CuC
	}
	w.because("disturbed class C: the lowest ground factor is used, and half the strength of soft clay")
	return survey.FactorSand, CuC * remoulded
}

// sand sets friction angle and unit weight by the density test, loose where
// there is none.
func (w *working) sand() {
	w.r.Factor = survey.FactorSand
	density := w.density
	if density == "" {
		density = "loose"
		w.settle("push a 1/2 in bar: the density of the sand or gravel is taken as loose")
	}
	if w.disturbed {
		density = "very loose"
	}
	v := sand[density]
	w.r.PhiDeg, w.r.GammaKNM3 = survey.Known(v[0]), survey.Known(v[1])
	w.because("%s: φ %.0f°, %.1f kN/m³ (EM 1110-2-2504 Table 3-1, lower ends)", density, v[0], v[1])
	if w.family == familyUnknown {
		w.doubt("class C of no named texture: figures are those of clean sand, the weakest")
		w.settle("name the texture: cohesive C holds about twice what sand does")
	}
}

// fitness says where no stake figure may be given at all.
func (w *working) fitness() {
	saturated := w.g.Moisture == survey.Submerged || w.g.Moisture == survey.Wet || w.g.Seeping == survey.Yes
	switch {
	case w.g.Moisture == survey.Frozen:
		w.r.Unsuitable = "frozen ground: no figure holds through a thaw"
	case w.family == rock || w.family == brokenRock || w.r.Class == survey.ClassRock:
		w.r.Unsuitable = "rock: stakes cannot be driven; use drilled or natural anchors"
	case w.g.Texture == survey.Cobbles:
		w.r.Unsuitable = "cobbles: a stake finds no even ground"
	case w.g.Texture == survey.Organic:
		w.r.Unsuitable = "organic ground: no published figure"
	case saturated && w.r.PhiDeg.Known():
		w.r.Unsuitable = "saturated sand or gravel: stakes are not suitable; use a deadman, a tree or a vehicle"
	}
}

// tonight gives the class if the ground is wetter than when it was surveyed.
// Wet halves the strength: stakes in saturated ground held about half of dry
// (inTents, 1 Jun 2009, on the University of Illinois tent-stake study).
func (w *working) tonight() {
	if w.r.Class == survey.ClassUnknown || w.r.Class == survey.ClassRock {
		return
	}
	w.r.IfSubmerged = survey.ClassC
	if w.g.Moisture == survey.Wet || w.g.Moisture == survey.Submerged {
		w.r.IfWet = w.r.Class
		return
	}
	w.r.IfWet = survey.ClassC
	if qu, ok := w.qu.Get(); ok && w.family == cohesive {
		if c := byStrength(qu/2, qu/2); weaker(w.r.Class, c) {
			w.r.IfWet = w.r.Class
		} else {
			w.r.IfWet = c
		}
	} else if w.r.Class == survey.ClassA {
		w.r.IfWet = survey.ClassB
	}
}

// Wetter returns the ground as it would be in a wetter state than it was
// surveyed in; in the same or a drier state it is unchanged, since nobody
// credits a drier night. Wet and submerged halve every strength reading.
func Wetter(g survey.Ground, now survey.Moisture) survey.Ground {
	was, is := slices.Index(survey.Moistures, g.Moisture), slices.Index(survey.Moistures, now)
	if is <= was {
		return g
	}
	g.Moisture = now
	if now != survey.Wet && now != survey.Submerged {
		return g
	}
	g.Tests = slices.Clone(g.Tests)
	for i, t := range g.Tests {
		if v, ok := t.Reading.Number.Get(); ok {
			g.Tests[i].Reading = survey.Num(v / 2)
		}
		if k := slices.Index(survey.ThumbWords, t.Reading.Word); t.Kind == survey.Thumb && k > 0 {
			g.Tests[i].Reading = survey.Word(survey.ThumbWords[k-1]) // each word is half the strength of the next
		}
	}
	switch g.Class {
	case survey.ClassA:
		g.Class = survey.ClassB
	case survey.ClassB:
		g.Class = survey.ClassC
	}
	return g
}
