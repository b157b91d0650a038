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

// printedC is how the same paragraph prints 0.5 tsf in SI; a reading in kPa up
// to it is Type C, though 0.5 tsf is 47.88 kPa.
const printedC = 48 * survey.Kilopascal

// rounding is how far a converted reading may fall short of a threshold and
// still be it: 1.5 tsf is 143.64 kPa to five digits.
const rounding = 1e-5

// Undrained shear strength the mechanics may use when only a class is known:
// half the class's lower threshold (71.82 and 23.94 kPa). Type C has no lower
// threshold; 12 kPa is the boundary of very soft and soft in TM 5-818-1
// Table 2-2.
const (
	CuA = QuA / 2
	CuB = QuC / 2
	CuC = 12 * survey.Kilopascal
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

// working is a classification under way.
type working struct {
	g      survey.Ground
	mute   bool // no words are wanted
	family family
	r      Result

	qu        survey.Opt[survey.Pressure] // lowest reading
	quHigh    survey.Opt[survey.Pressure]
	measured  survey.Opt[survey.Pressure] // lowest instrument reading
	density   string
	visual    bool
	manual    bool
	computed  survey.GroundClass
	asked     survey.Ground               // tonight's ground before any rule touched it
	disturbed bool                        // or not known to be undisturbed
	softened  bool                        // wetter tonight than when surveyed
	allowed   survey.Opt[survey.Pressure] // the most shear strength that rules and written class leave a reading
}

func (w *working) because(format string, args ...any) {
	if !w.mute {
		w.r.Because = append(w.r.Because, fmt.Sprintf(format, args...))
	}
}

func (w *working) doubt(format string, args ...any) {
	if !w.mute {
		w.r.Doubts = append(w.r.Doubts, fmt.Sprintf(format, args...))
	}
}

func (w *working) settle(format string, args ...any) {
	if !w.mute {
		w.r.Settles = append(w.r.Settles, fmt.Sprintf(format, args...))
	}
}

// unsettled notes a question whose answer could lower the class or the figures.
func (w *working) unsettled(question string) {
	w.r.Unsettled = append(w.r.Unsettled, question)
	w.settle("find out %s", question)
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
			w.because("unconfined strength %s: C", inBoth(qu))
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
	if !w.mute { // handing a figure on costs more than finding it
		w.because("weakest unconfined strength %s: %s", inBoth(qu), w.computed)
	}
	if w.family == familyUnknown {
		w.doubt("nothing tells whether the soil is cohesive: the strength class supposes it is")
		w.settle("roll a thread 1/8 in thick: cohesive soil holds together over 2 in (Appendix A (d)(2)(i))")
		if w.computed != survey.ClassC {
			w.unsettled("whether the soil is cohesive")
		}
	}
}

// band is the weakest reading as a band; an instrument's band has no width.
func (w *working) band() (lo, hi survey.Pressure) {
	lo, _ = w.qu.Get()
	hi, _ = w.quHigh.Get()
	return lo, hi
}

// inBoth writes an unconfined strength in both units, when it is asked for.
type inBoth survey.Pressure

func (s inBoth) String() string {
	p := survey.Pressure(s)
	return fmt.Sprintf("%.3g tsf (%.0f kPa)", p.Tsf(), p.Kilopascals())
}

const layered = "layered, dipping into the slope"

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
		{w.g.Disturbed, "disturbed before", survey.ClassB, "previously disturbed: at best B (b), Type A (iii)"},
		{w.g.Seeping, "freely seeping", survey.ClassC, "water freely seeping: C (b), Type C (iii)"},
		{w.g.LayersDip, layered, survey.ClassC, "layers dip into the slope at 4H:1V or steeper: C (b), Type C (v)"},
	} {
		limit := func(c survey.GroundClass) bool { // the rules but the last speak of soil, not of rock
			return weaker(r.limit, c) && (c != survey.ClassRock || r.what == layered)
		}
		switch {
		case r.answer == survey.Yes:
			if limit(w.computed) || w.computed == survey.ClassUnknown {
				w.because("%s", r.rule)
			}
			w.allow(grades[gradeOf(r.limit)].cu)
			if limit(w.computed) {
				w.computed = r.limit
			}
			if limit(w.g.Class) {
				w.doubt("the written class %s is not open to ground that is %s", w.g.Class, r.what)
				w.g.Class = r.limit
			}
		case r.answer == survey.No || r.what == "disturbed before": // not known to be undisturbed: below
		case limit(w.computed) || limit(w.g.Class) || w.reads(grades[gradeOf(r.limit)].cu):
			w.unsettled("whether the ground is " + r.what)
		}
	}
	if w.g.Moisture == survey.Submerged && w.computed != survey.ClassRock {
		w.because("submerged: C (b), Type C (iii)")
		w.allow(CuC)
		if w.computed != survey.ClassUnknown {
			w.computed = survey.ClassC
		}
		if w.g.Class != survey.ClassRock && weaker(survey.ClassC, w.g.Class) {
			w.g.Class = survey.ClassC
		}
	}
	w.disturbed = w.g.Disturbed != survey.No
	if !w.g.Disturbed.Settled() && w.family != rock {
		w.unsettled("whether the ground was dug or filled before")
		w.because("not known to be undisturbed: taken as disturbed, one class lower for the figures")
	}
}

// allow bounds the shear strength that a reading may show: a firm lump says
// little of ground that is fissured, shaken, soaked or layered.
func (w *working) allow(cu survey.Pressure) {
	if was, ok := w.allowed.Get(); !ok || cu < was {
		w.allowed = survey.Known(cu)
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
		if written == survey.ClassB && w.family == familyUnknown {
			w.unsettled("what the soil is made of: Type B may be clay or gravel")
		}
	default:
		w.r.Written = written
		if weaker(written, w.computed) {
			w.r.Class = written
			w.allow(map[survey.GroundClass]survey.Pressure{survey.ClassB: QuA / 2, survey.ClassC: QuC / 2}[written]) // no more than the class may have
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
