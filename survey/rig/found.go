package rig

import (
	"fmt"
	"strings"

	"holdfast/survey"
)

// LeastTreeMM is the least trunk diameter that is worth a second look as an
// anchor, 6 in, living and well rooted (common practice, no source).
const LeastTreeMM = 152.4

// Screening is what rules of thumb say of an anchor that has no rating. They
// give no figure: the best an unrated anchor can be is worth backing up.
type Screening struct {
	Fails   string   // why it is no anchor, or ""
	Missing []string // what must be known first
	Says    string   // what to do with it
}

// unsound are words in a condition that rule an anchor out.
var unsound = []string{"dead", "rotten", "decay", "hollow", "undercut", "uproot", "loose", "crack", "corrode", "rust", "broken", "unsound"}

// Screen looks an unrated anchor over.
func Screen(a survey.Anchor) Screening {
	var s Screening
	condition := strings.ToLower(a.Condition)
	for _, w := range unsound {
		if strings.Contains(condition, w) && !strings.Contains(condition, "not "+w) && !strings.Contains(condition, "no "+w) {
			s.Fails = fmt.Sprintf("%s: %s", a.ID, a.Condition)
			return s
		}
	}
	if condition == "" {
		s.Missing = append(s.Missing, "its condition")
	}
	switch a.Kind {
	case survey.KindTree:
		d, ok := a.DiameterMM.Get()
		switch {
		case !ok:
			s.Missing = append(s.Missing, "its diameter")
		case d < LeastTreeMM:
			s.Fails = fmt.Sprintf("%s is %.0f mm thick; a tree under %.0f mm is no anchor (common practice, no source)", a.ID, d, LeastTreeMM)
			return s
		}
		s.Says = "tie low, push and tug it to check the rooting, and back it up (TC 3-97.61 and FM 5-125 on natural anchors)"
	case survey.KindStructure:
		s.Says = "get the owner's leave and an engineer's rating, and back it up"
	case survey.KindRock:
		s.Says = "check that it is embedded and cannot roll, and back it up"
	case survey.KindVehicle:
		s.Says = "frame points only, engine off, key out, brake set, wheels chocked, and a guard; back it up"
	case survey.KindDeadman:
		s.Says = "work the deadman out from its depth and face (TM 5-5420-278-10 Table 9) and enter the figure"
	}
	return s
}

// Surveyed says what an anchor found at the point holds: the rating entered
// with its evidence, raised by a held pull test of it and capped by a failed
// one. Nothing is invented: without a rating there is no figure. A rating
// marked assumed is shown and not used.
func Surveyed(a survey.Anchor, tests []survey.PullTest) Anchor {
	out := Anchor{Kind: a.Kind, ID: a.ID}
	var best estimate
	if f, ok := a.Rated(); ok {
		fig := Figure{Grade: a.Evidence, HoldingN: f.Newtons(), Source: "rating entered in the survey"}
		if a.Note != "" {
			fig.Source += ": " + a.Note
		}
		if a.Evidence == survey.Assumed {
			fig.Note = "assumed: shown, not used"
		} else {
			best = estimate{f, a.Evidence, true}
		}
		out.Evidence = append(out.Evidence, fig)
	}
	var limit survey.Opt[survey.Force]
	for _, t := range tests {
		if t.Rig != a.ID {
			continue
		}
		fig := Figure{Grade: survey.TestedHere, HoldingN: t.Force().Newtons(), Source: "pull test here" + on(t)}
		if t.Outcome == survey.Held {
			fig.Note = "held: a lower bound"
			if !best.ok || t.Force() > best.force {
				best = estimate{t.Force(), survey.TestedHere, true}
			}
		} else {
			fig.Note = string(t.Outcome) + ": caps every figure"
			if f, ok := limit.Get(); !ok || t.Force() < f {
				limit = survey.Known(t.Force())
			}
		}
		out.Evidence = append(out.Evidence, fig)
	}
	if f, ok := limit.Get(); ok && best.ok && f < best.force {
		best = estimate{f, survey.TestedHere, true}
	}
	out.govern(best)
	return out
}
