package ground

import (
	"holdfast/survey"
)

// sand gives the least friction angle in degrees, the least moist unit weight
// in kN/m³ and the middle friction angle of each density word. EM 1110-2-2504
// (31 Mar 1994) Table 3-1 after Teng; the table has no lower end for very
// loose sand, taken here as 25° and 14 kN/m³ (from memory), and no upper one
// for very dense sand.
var sand = map[string]struct{ phi, gamma, middle float64 }{
	"very loose": {25, 14, 26.5}, "loose": {28, 14.9, 29}, "medium": {31, 17.3, 33.5}, "dense": {37, 17.3, 39}, "very dense": {41, 20.4, 41},
}

// Usual unit weights of clay and loam, moist and under water, kN/m³.
const (
	clayGamma      = 18
	clayGammaUnder = 9
)

const (
	// leastCu is the strength below which no figure means anything.
	leastCu = 1 * survey.Kilopascal
	// mostCu is the strength at which TM 5-818-1 Table 2-2 ends, 4 tsf unconfined.
	mostCu = 2 * survey.TonPerSquareFoot
)

// grade is what the figures rest on where only a class is known.
type grade struct {
	factor      survey.GroundKey
	cu, between survey.Pressure // low and middle
}

// grades, best first. The low strength is half the class's lower threshold;
// the middle ones are usual for the classes (100, 48 and 15 kPa: stiff to very
// stiff, medium and soft in TM 5-818-1 Table 2-2). The last is soft clay that
// was disturbed: remoulding halves it (sensitivity 2, the low end for
// inorganic clay; common practice, no source).
var grades = []grade{
	{survey.FactorA, CuA, 100 * survey.Kilopascal},
	{survey.FactorB, CuB, 48 * survey.Kilopascal},
	{survey.FactorCCohesive, CuC, 15 * survey.Kilopascal},
	{survey.FactorSand, CuC / 2, 7.5 * survey.Kilopascal},
}

// gradeOf is the place of a class among the grades.
func gradeOf(c survey.GroundClass) int {
	switch c {
	case survey.ClassA:
		return 0
	case survey.ClassB:
		return 1
	}
	return 2
}

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
	g := grades[w.gradeUsed()]
	cu, middle := g.cu, g.between
	if low, ok := w.reading(); ok {
		if !w.disturbed {
			cu, middle = low/2, low/2
		}
		cu, middle = min(cu, low/2), min(middle, low/2)
		if most, ok := w.allowed.Get(); ok {
			cu, middle = min(cu, most), min(middle, most)
		}
		switch {
		case w.mute:
		case cu < low/2:
			w.because("shear strength %.0f kPa is used, less than the %.0f kPa that is half the weakest reading", cu.Kilopascals(), (low / 2).Kilopascals())
		default:
			w.because("shear strength %.0f kPa is half the weakest instrument reading", cu.Kilopascals())
		}
	} else if low, ok := w.qu.Get(); ok && w.family == cohesive {
		cu = min(cu, low/2)
	}
	cu, middle = min(cu, mostCu), min(middle, mostCu)
	w.r.Factor = g.factor
	w.r.CuKPa, w.r.CuMedianKPa = survey.Known(cu.Kilopascals()), survey.Known(max(cu, middle).Kilopascals())
	w.r.GammaKNM3 = survey.Known(float64(clayGamma))
	if w.g.Moisture == survey.Submerged {
		w.r.GammaKNM3 = survey.Known(float64(clayGammaUnder))
	}
}

// reading is the weakest unconfined strength that an instrument, and no weaker
// thumb, read in cohesive soil.
func (w *working) reading() (survey.Pressure, bool) {
	m, ok := w.measured.Get()
	if !ok || w.family != cohesive {
		return 0, false
	}
	low, _ := w.qu.Get()
	return min(m, low), true
}

// reads tells whether a reading shows more shear strength than cu.
func (w *working) reads(cu survey.Pressure) bool {
	low, ok := w.reading()
	return ok && low/2 > cu
}

// clean tells gravel and sand without fines, which no cohesion holds.
func (w *working) clean() bool {
	return w.family == granularC || w.g.Texture == survey.AngularGravel
}

// gradeUsed is the grade that the figures rest on. Disturbed ground counts as
// one class lower than it would be if nobody had dug it, and so does ground
// that is wetter tonight and whose class no reading carries.
func (w *working) gradeUsed() int {
	g := gradeOf(w.r.Class)
	if w.disturbed {
		// The regulation already made an A a B where the disturbance is certain.
		before := w.asked
		before.Disturbed = survey.No
		if w.g.Disturbed == survey.Yes && Brief(before, "").Class == survey.ClassA {
			g = gradeOf(survey.ClassA)
		}
		g++
		if g == len(grades)-1 {
			w.because("disturbed class C: the lowest ground factor is used, and half the strength of soft clay")
		}
	}
	if w.softened && (w.family == granularB || w.family == cemented) && w.g.Class == "" {
		g++
		w.because("%s was classed by its texture: wetter tonight, it counts as one class lower", w.g.Texture)
	}
	return min(g, len(grades)-1)
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
	w.r.PhiDeg, w.r.PhiMedianDeg, w.r.GammaKNM3 = survey.Known(v.phi), survey.Known(v.middle), survey.Known(v.gamma)
	w.because("%s: φ %.0f°, %.1f kN/m³ (EM 1110-2-2504 Table 3-1, lower ends)", density, v.phi, v.gamma)
	if w.family == familyUnknown {
		w.doubt("class C of no named texture: figures are those of clean sand, the weakest")
		w.settle("name the texture: cohesive C holds about twice what sand does")
	}
}

// fitness says where no stake figure may be given at all, and what could still
// take one away.
func (w *working) fitness() {
	saturated := w.g.Moisture == survey.Submerged || w.g.Moisture == survey.Wet || w.g.Seeping == survey.Yes
	cu, hasCu := w.r.CuKPa.Get()
	switch {
	case w.g.Moisture == survey.Frozen:
		w.r.Unsuitable = "frozen ground: no figure holds through a thaw"
	case w.family == rock || w.family == brokenRock || w.asked.Class == survey.ClassRock:
		w.r.Unsuitable = "rock: stakes cannot be driven; use drilled or natural anchors"
	case w.g.Texture == survey.Cobbles:
		w.r.Unsuitable = "cobbles: a stake finds no even ground"
	case w.g.Texture == survey.Organic:
		w.r.Unsuitable = "organic ground: no published figure"
	case saturated && w.r.PhiDeg.Known():
		w.r.Unsuitable = "saturated sand or gravel: stakes are not suitable; use a deadman, a tree or a vehicle"
	case hasCu && cu < leastCu.Kilopascals():
		w.r.Unsuitable = "very soft ground: its strength has no lower end to count on"
	}
	if w.r.Unsuitable != "" {
		w.r.Unsettled = nil // nothing that could be found out would make a stake hold
		return
	}
	if w.r.PhiDeg.Known() && !w.g.Seeping.Settled() && w.g.Moisture != "" {
		w.unsettled("whether water seeps from the sand or gravel")
	}
	if w.g.Moisture == "" && w.r.Class != survey.ClassUnknown {
		w.unsettled("how wet the ground is")
	}
}
