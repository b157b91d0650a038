package ground

import (
	"slices"

	"holdfast/survey"
)

// later is the wetter of two states of the ground; frozen counts as wetter
// than under water.
func later(a, b survey.Moisture) survey.Moisture {
	if slices.Index(survey.Moistures, a) > slices.Index(survey.Moistures, b) {
		return a
	}
	return b
}

// wetten brings the ground to tonight's state. In the same or a drier state
// than surveyed it stays as it is, since nobody credits a drier night.
//
// Wet halves every strength reading: stakes in saturated ground held about
// half of dry (inTents, 1 Jun 2009, on the University of Illinois tent-stake
// study). A written class, and a class by texture alone, fall by one.
func (w *working) wetten(now survey.Moisture) {
	was, is := slices.Index(survey.Moistures, w.g.Moisture), slices.Index(survey.Moistures, now)
	if is <= was {
		return
	}
	soaked := w.g.Moisture == survey.Wet || w.g.Moisture == survey.Submerged
	w.g.Moisture = now
	if soaked || now != survey.Wet && now != survey.Submerged {
		return
	}
	w.because("%s tonight: every strength reading counts half", now)
	w.softened = true
	w.g.Tests = slices.Clone(w.g.Tests)
	for i, t := range w.g.Tests {
		if v, ok := t.Reading.Number.Get(); ok {
			w.g.Tests[i].Reading = survey.Num(v / 2)
		}
		if k := slices.Index(survey.ThumbWords, t.Reading.Word); t.Kind == survey.Thumb && k > 0 {
			w.g.Tests[i].Reading = survey.Word(survey.ThumbWords[k-1]) // each word is half the strength of the next
		}
	}
	switch w.g.Class {
	case survey.ClassA:
		w.g.Class = survey.ClassB
	case survey.ClassB:
		w.g.Class = survey.ClassC
	}
}
