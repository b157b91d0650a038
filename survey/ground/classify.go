package ground

import (
	"fmt"
	"slices"

	"holdfast/survey"
)

// Thresholds of unconfined compressive strength, 29 CFR 1926 Subpart P
// Appendix A (b): Type A is 1.5 tsf or more, Type C is 0.5 tsf or less.
const (
	QuA = 1.5 * survey.TonPerSquareFoot
	QuC = 0.5 * survey.TonPerSquareFoot
)

// Undrained shear strength the mechanics may use when only a class is known:
// half the class's lower threshold (71.82 and 23.94 kPa). Type C has no lower
// threshold; 12 kPa is the boundary of very soft and soft in TM 5-818-1
// Table 2-2.
const (
	CuA = QuA / 2
	CuB = QuC / 2
	CuC = 12 * survey.Kilopascal
	// remoulded halves the strength of soft disturbed ground (sensitivity 2,
	// the low end for inorganic clay; common practice, no source).
	remoulded = 0.5
)

type family int

const (
	familyUnknown family = iota
	cohesive
	granularB // Type B without cohesion: silt, silt loam, sandy loam, angular gravel, loam
	granularC // Type C: gravel, sand, loamy sand
	cemented  // caliche, hardpan
	rock
	brokenRock
	unfit // organic ground, cobbles
)

// families follows Appendix A (b); loam is not named there and is taken with
// the sandy and silt loams, the weaker of its neighbours.
var families = map[survey.Texture]family{
	survey.Clay: cohesive, survey.SiltyClay: cohesive, survey.SandyClay: cohesive, survey.ClayLoam: cohesive,
	survey.SiltyClayLoam: cohesive, survey.SandyClayLoam: cohesive,
	survey.Silt: granularB, survey.SiltLoam: granularB, survey.SandyLoam: granularB, survey.AngularGravel: granularB, survey.Loam: granularB,
	survey.LoamySand: granularC, survey.Sand: granularC, survey.Gravel: granularC,
	survey.Caliche: cemented, survey.Hardpan: cemented,
	survey.StableRock: rock, survey.DryRock: brokenRock,
	survey.Organic: unfit, survey.Cobbles: unfit,
}

// thumb gives the unconfined compressive strength of each consistency in tsf,
// TM 5-818-1 Table 2-2; the last has no upper end.
var thumb = map[string][2]float64{
	"very soft": {0, 0.25}, "soft": {0.25, 0.5}, "medium": {0.5, 1}, "stiff": {1, 2}, "very stiff": {2, 4}, "hard": {4, 4},
}

// Classify works the class out from the field tests and answers. Unknown
// stays unknown: a soil without a strength test has a class only where its
// texture alone settles it.
func Classify(g survey.Ground) Result {
	w := working{g: g, family: families[g.Texture]}
	w.readTests()
	w.baseClass()
	w.disqualify()
	w.reconcile()
	w.strength()
	w.fitness()
	w.tonight()
	return w.r
}

// working is a classification under way.
type working struct {
	g      survey.Ground
	family family
	r      Result

	qu        survey.Opt[survey.Pressure] // lowest reading
	quHigh    survey.Opt[survey.Pressure]
	measured  survey.Opt[survey.Pressure] // lowest instrument reading
	density   string
	visual    bool
	manual    bool
	computed  survey.GroundClass
	disturbed bool
}

func (w *working) because(format string, args ...any) {
	w.r.Because = append(w.r.Because, fmt.Sprintf(format, args...))
}

func (w *working) doubt(format string, args ...any) {
	w.r.Doubts = append(w.r.Doubts, fmt.Sprintf(format, args...))
}

func (w *working) settle(format string, args ...any) {
	w.r.Settles = append(w.r.Settles, fmt.Sprintf(format, args...))
}

// readTests takes the weakest strength and tells cohesive from granular.
func (w *working) readTests() {
	var classes []survey.GroundClass
	for _, t := range w.g.Tests {
		var lo, hi survey.Pressure
		switch t.Kind {
		case survey.PocketPenetrometer, survey.ShearVane:
			w.manual = true
			p, ok := t.Strength()
			if !ok {
				continue
			}
			if t.Kind == survey.ShearVane {
				p *= 2
			}
			lo, hi = p, p
			if m, ok := w.measured.Get(); !ok || p < m {
				w.measured = survey.Known(p)
			}
		case survey.Thumb:
			w.manual = true
			band, ok := thumb[t.Reading.Word]
			if !ok {
				continue
			}
			lo, hi = survey.Pressure(band[0])*survey.TonPerSquareFoot, survey.Pressure(band[1])*survey.TonPerSquareFoot
		case survey.Thread:
			w.manual = true
			w.tells(t.Reading.Word == "holds", "thread test "+t.Reading.Word)
			continue
		case survey.DryStrength:
			w.manual = true
			w.tells(t.Reading.Word != "crumbles", "dry lump "+t.Reading.Word)
			continue
		case survey.RebarProbe:
			w.manual = true
			if w.density == "" || slices.Index(survey.ProbeWords, t.Reading.Word) < slices.Index(survey.ProbeWords, w.density) {
				w.density = t.Reading.Word
			}
			continue
		case survey.Drying:
			w.manual = true
			if t.Reading.Word == "cracks" && w.g.Fissured != survey.Yes {
				w.g.Fissured = survey.Yes
				w.because("the dried sample cracked: taken as fissured (Appendix A (d)(2)(v))")
			}
			continue
		case survey.Visual:
			w.visual = true
			continue
		default:
			continue
		}
		classes = append(classes, byStrength(lo, hi))
		if q, ok := w.qu.Get(); !ok || lo < q {
			w.qu, w.quHigh = survey.Known(lo), survey.Known(hi)
		}
	}
	if len(classes) > 1 && slices.Contains(classes, survey.ClassA) && slices.Contains(classes, survey.ClassC) {
		w.doubt("the strength tests contradict each other by more than one class: the weakest is taken")
		w.settle("repeat the strength test on a fresh sample: the readings contradict each other")
	}
}

// tells lets a plasticity or dry-strength finding decide what the texture
// leaves open, and weaken it where they disagree.
func (w *working) tells(isCohesive bool, finding string) {
	switch {
	case w.family == familyUnknown && isCohesive:
		w.family = cohesive
		w.because("%s: cohesive", finding)
	case w.family == familyUnknown || w.family == cohesive && !isCohesive:
		if w.family == cohesive {
			w.doubt("%s contradicts the texture %s: taken as granular", finding, w.g.Texture)
			w.settle("repeat the thread test: it contradicts the texture")
		} else {
			w.because("%s: granular", finding)
		}
		w.family = granularC
	}
}

// byStrength classes a reading. A band that straddles a threshold falls to
// the weaker side; a band that merely starts at 0.5 tsf is above it.
func byStrength(lo, hi survey.Pressure) survey.GroundClass {
	switch {
	case lo >= QuA:
		return survey.ClassA
	case lo > QuC || lo == QuC && hi > lo:
		return survey.ClassB
	}
	return survey.ClassC
}

// baseClass is the class before anything disqualifies it.
func (w *working) baseClass() {
	w.computed = survey.ClassUnknown
	qu, tested := w.qu.Get()
	switch w.family {
	case rock:
		w.computed = survey.ClassRock
		w.because("stable rock")
		return
	case brokenRock:
		w.computed = survey.ClassB
		w.because("rock that is not stable is B while dry (b)(v)")
		return
	case cemented:
		w.computed = survey.ClassA
		w.because("%s is cemented soil: A", w.g.Texture)
		return
	case granularC:
		w.computed = survey.ClassC
		if w.g.Texture != "" {
			w.because("%s is granular: C", w.g.Texture)
		} else {
			w.because("granular soil of no named texture is taken as C")
		}
		return
	case granularB:
		w.computed = survey.ClassB
		w.because("%s is at best B", w.g.Texture)
		if tested && byStrength(w.band()) == survey.ClassC {
			w.computed = survey.ClassC
			w.because("unconfined strength %s: C", strength(qu))
		}
		return
	case unfit:
		w.because("%s is outside the classes", w.g.Texture)
		return
	}
	if !tested {
		if w.g.Class == "" || w.g.Class == survey.ClassUnknown {
			w.because("no strength test: the class is unknown")
			w.settle("press a pocket penetrometer or a thumb into a fresh clump (Appendix A (d)(2))")
		}
		return
	}
	w.computed = byStrength(w.band())
	w.because("weakest unconfined strength %s: %s", strength(qu), w.computed)
	if w.family == familyUnknown {
		w.doubt("nothing tells whether the soil is cohesive: the strength class supposes it is")
		w.settle("roll a thread 1/8 in thick: cohesive soil holds together over 2 in (Appendix A (d)(2)(i))")
	}
}

// band is the weakest reading as a band; an instrument's band has no width.
func (w *working) band() (lo, hi survey.Pressure) {
	lo, _ = w.qu.Get()
	hi, _ = w.quHigh.Get()
	return lo, hi
}

func strength(p survey.Pressure) string {
	return fmt.Sprintf("%.3g tsf (%.0f kPa)", p.Tsf(), p.Kilopascals())
}

const disturbedBefore = "disturbed before"

// disqualify applies what forbids a better class.
func (w *working) disqualify() {
	for _, r := range []struct {
		answer survey.Answer
		what   string
		limit  survey.GroundClass
		rule   string
	}{
		{w.g.Fissured, "fissured", survey.ClassB, "fissured: at best B (b), Type A (i)"},
		{w.g.Vibration, "shaken by traffic, rail or pile driving", survey.ClassB, "vibration: at best B (b), Type A (ii)"},
		{w.g.Disturbed, disturbedBefore, survey.ClassB, "previously disturbed: at best B (b), Type A (iii)"},
		{w.g.Seeping, "freely seeping", survey.ClassC, "water freely seeping: C (b), Type C (iii)"},
		{w.g.LayersDip, "layered, dipping into the slope", survey.ClassC, "layers dip into the slope at 4H:1V or steeper: C (b), Type C (v)"},
	} {
		if w.computed == survey.ClassRock && r.limit != survey.ClassC {
			continue
		}
		limit := func(c survey.GroundClass) bool { return weaker(r.limit, c) }
		switch r.answer {
		case survey.Yes:
			if limit(w.computed) || w.computed == survey.ClassUnknown {
				w.because("%s", r.rule)
			}
			if limit(w.computed) {
				w.computed = r.limit
			}
			if limit(w.g.Class) {
				w.doubt("the written class %s is not open to ground that is %s", w.g.Class, r.what)
				w.g.Class = r.limit
			}
		case survey.No:
		case survey.AnswerUnknown:
			if r.what == disturbedBefore {
				continue // said below, for a class written or computed
			}
			if limit(w.computed) || limit(w.g.Class) {
				w.r.Unsettled = append(w.r.Unsettled, "whether the ground is "+r.what)
				w.settle("find out whether the ground is %s", r.what)
			}
		default:
			if r.what != disturbedBefore && limit(w.computed) {
				w.doubt("it is not recorded whether the ground is %s", r.what)
			}
		}
	}
	if w.g.Moisture == survey.Submerged {
		w.because("submerged: C (b), Type C (iii)")
		if w.computed != survey.ClassUnknown {
			w.computed = survey.ClassC
		}
		if weaker(survey.ClassC, w.g.Class) {
			w.g.Class = survey.ClassC
		}
	}
	w.disturbed = w.g.Disturbed != survey.No
	if w.g.Disturbed == survey.AnswerUnknown || w.g.Disturbed == "" {
		const q = "whether the ground was dug or filled before"
		if w.family != rock {
			w.r.Unsettled = append(w.r.Unsettled, q)
			w.settle("find out %s", q)
			w.because("not known to be undisturbed: taken as disturbed, one class lower for the figures")
		}
	}
}

// weaker tells whether class a is weaker than class b; unknown and missing
// classes are never compared.
func weaker(a, b survey.GroundClass) bool {
	ia, ib := slices.Index(survey.GroundClasses, a), slices.Index(survey.GroundClasses, b)
	if ia < 0 || ib < 0 || a == survey.ClassUnknown || b == survey.ClassUnknown {
		return false
	}
	return ia > ib
}

// reconcile sets the computed class against the written one: both are shown
// and the weaker is used, with or without a reason.
func (w *working) reconcile() {
	written := w.g.Class
	w.r.Class = w.computed
	switch {
	case written == "" || written == w.computed:
	case written == survey.ClassUnknown:
		w.r.Written = written
		w.r.Class = survey.ClassUnknown
		w.because("the surveyor wrote the class as unknown")
	case w.computed == survey.ClassUnknown && w.family != unfit:
		w.r.Class = written
		w.r.Assumed = true
		w.because("class %s as written by the surveyor; no test stands behind it", written)
		w.settle("test the soil: the written class %s rests on no reading", written)
	default:
		w.r.Written = written
		if weaker(written, w.computed) {
			w.r.Class = written
		}
		if w.g.ClassReason == "" {
			w.doubt("the written class %s differs from the computed %s and no reason is given: the weaker is used", written, w.computed)
			w.settle("write why the class was set to %s, or accept %s", written, w.computed)
		} else {
			w.doubt("the written class %s differs from the computed %s (%s): the weaker is used", written, w.computed, w.g.ClassReason)
		}
	}
	if w.r.Class != survey.ClassUnknown && w.r.Class != survey.ClassRock && (!w.visual || !w.manual) {
		w.r.Provisional = true
		switch {
		case !w.visual && !w.manual:
			w.settle("make one visual and one manual finding: the class is provisional without them")
		case !w.visual:
			w.settle("make one visual finding: the class is provisional without it")
		default:
			w.settle("make one manual test: the class is provisional without it")
		}
	}
}
