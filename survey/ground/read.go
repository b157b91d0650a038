package ground

import (
	"slices"

	"holdfast/survey"
)

// readTests takes the weakest strength and tells cohesive from granular. The
// order of the tests does not matter.
func (w *working) readTests() {
	var firm, soft bool // some reading is A, some is C
	var told findings
	cracks := ""
	for _, t := range w.g.Tests {
		w.visual = w.visual || t.Kind == survey.Visual
		w.manual = w.manual || t.Kind != survey.Visual
		switch t.Kind {
		case survey.PocketPenetrometer, survey.ShearVane, survey.Thumb:
			if lo, hi, ok := w.readStrength(t); ok {
				c := byStrength(lo, hi)
				firm, soft = firm || c == survey.ClassA, soft || c == survey.ClassC
			}
		case survey.Thread:
			told.note(t.Reading.Word == "holds", "thread test", t.Reading.Word)
		case survey.DryStrength:
			told.note(t.Reading.Word != "crumbles", "dry lump", t.Reading.Word)
		case survey.RebarProbe:
			if w.density == "" || slices.Index(survey.ProbeWords, t.Reading.Word) < slices.Index(survey.ProbeWords, w.density) {
				w.density = t.Reading.Word
			}
		case survey.Drying:
			if cracks != "cracks" {
				cracks = t.Reading.Word
			}
		}
	}
	w.tells(told)
	switch {
	case cracks == "cracks" && w.g.Fissured != survey.Yes:
		w.g.Fissured = survey.Yes
		w.because("the dried sample cracked: taken as fissured (Appendix A (d)(2)(v))")
	case cracks != "" && cracks != "cracks" && !w.g.Fissured.Settled():
		w.g.Fissured = survey.No
		w.because("the sample dried without cracks: not fissured (Appendix A (d)(2)(v))")
	}
	if firm && soft {
		w.doubt("the strength tests contradict each other by more than one class: the weakest is taken")
		w.settle("repeat the strength test on a fresh sample: the readings contradict each other")
	}
}

// readStrength reads one test as a band of unconfined strength and keeps the
// weakest; an instrument's band has no width.
func (w *working) readStrength(t survey.GroundTest) (lo, hi survey.Pressure, ok bool) {
	if t.Kind == survey.Thumb {
		band, known := thumb[t.Reading.Word]
		if !known {
			return 0, 0, false
		}
		lo, hi = survey.Pressure(band[0])*survey.TonPerSquareFoot, survey.Pressure(band[1])*survey.TonPerSquareFoot
	} else {
		if lo, ok = t.Strength(); !ok {
			return 0, 0, false
		}
		if t.Kind == survey.ShearVane {
			lo *= 2
		}
		if t.Unit == "kPa" && lo > QuC && lo <= printedC {
			lo = QuC
		}
		hi = lo
		if m, known := w.measured.Get(); !known || lo < m {
			w.measured = survey.Known(lo)
		}
	}
	q, known := w.qu.Get()
	if h, _ := w.quHigh.Get(); !known || lo < q || lo == q && hi < h {
		w.qu, w.quHigh = survey.Known(lo), survey.Known(hi)
	}
	return lo, hi, true
}

// findings are what the plasticity and dry-strength tests told: the first of
// each kind, in words.
type findings struct{ cohesive, granular string }

func (f *findings) note(isCohesive bool, test, word string) {
	at := &f.granular
	if isCohesive {
		at = &f.cohesive
	}
	if *at == "" {
		*at = test + " " + word
	}
}

// tells lets plasticity and dry strength decide what the texture leaves open,
// and weaken it where they disagree; where they disagree with each other the
// soil is taken as granular.
func (w *working) tells(f findings) {
	switch {
	case f.granular != "" && w.family == cohesive:
		w.doubt("%s contradicts the texture %s: taken as granular", f.granular, w.g.Texture)
		w.settle("repeat the thread test: it contradicts the texture")
		w.family = granularC
	case f.granular != "" && w.family == familyUnknown:
		if f.cohesive != "" {
			w.doubt("%s contradicts %s: taken as granular", f.granular, f.cohesive)
			w.settle("repeat the thread test: the findings contradict each other")
		}
		w.because("%s: granular", f.granular)
		w.family = granularC
	case f.cohesive != "" && w.family == familyUnknown:
		w.because("%s: cohesive", f.cohesive)
		w.family = cohesive
	}
}

// byStrength classes a reading. A band that straddles a threshold falls to
// the weaker side; a band that merely starts at 0.5 tsf is above it.
func byStrength(lo, hi survey.Pressure) survey.GroundClass {
	switch {
	case lo >= QuA*(1-rounding):
		return survey.ClassA
	case lo > QuC || lo == QuC && hi > lo:
		return survey.ClassB
	}
	return survey.ClassC
}
