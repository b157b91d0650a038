package rig

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// LeastTreeMM is the least trunk diameter that is worth a second look as an
// anchor, 6 in, living and well rooted (common practice, no source).
const LeastTreeMM = 152.4

// Screening is what rules of thumb say of a surveyed anchor. They give no
// figure: the best an unrated anchor can be is worth backing up.
type Screening struct {
	Fails   string   // why it is no anchor, or ""
	Missing []string // what must be known first
	Says    string   // what to do with it
}

// unsound are beginnings of words in a condition that rule an anchor out;
// denials are words that turn round what follows in the same clause.
var (
	unsound = []string{
		"dead", "dying", "rot", "rotten", "rotting", "fell", "stump", "exposed", "fung", "lean", "decay", "diseas", "hollow", "undercut", "undermin", "uproot", "lifting", "loose", "crack", "split",
		"corro", "rust", "broken", "bent", "unsound", "unstable",
	}
	denials = []string{"no", "not", "never", "without", "free"}
	// assuring are beginnings of words that say an anchor is good.
	assuring = []string{"living", "alive", "healthy", "rooted", "sound", "embedded", "solid", "good", "firm", "chocked", "intact", "placed", "buried"}
)

// assured tells whether a condition says in plain words that the anchor is
// good. What it does not say - "unknown", "not checked", "leaning" - is not so.
func assured(condition string) bool { return mentions(condition, assuring) }

// faulty tells whether a condition names a fault, such as "dead" or "trunk
// cracked", and does not deny it, as in "no visible cracks or rust".
func faulty(condition string) bool { return mentions(condition, unsound) }

// mentions tells whether a condition has a word that begins with one of the
// stems and is not denied in its clause.
func mentions(condition string, stems []string) bool {
	denied := false
	for w := range strings.FieldsFuncSeq(strings.ToLower(condition), func(r rune) bool { return !unicode.IsLetter(r) && !strings.ContainsRune(",;.:", r) }) {
		word := strings.TrimRight(w, ",;.:")
		denied = denied && word != "but" || slices.Contains(denials, word)
		if !denied && slices.ContainsFunc(stems, func(u string) bool { return word == u || len(u) > 3 && strings.HasPrefix(word, u) }) {
			return true
		}
		denied = denied && word == w // a clause ends with its stop
	}
	return false
}

// Screen looks a surveyed anchor over.
func Screen(a survey.Anchor, u survey.Units) Screening {
	var s Screening
	if faulty(a.Condition) {
		s.Fails = fmt.Sprintf("%s: %s", a.ID, a.Condition)
		return s
	}
	// A deadman is mostly planned; the others must be said to be good.
	if strings.TrimSpace(a.Condition) == "" || a.Kind != survey.KindDeadman && !assured(a.Condition) {
		s.Missing = append(s.Missing, "that its condition is good, in words like living, rooted, sound, embedded")
	}
	switch a.Kind {
	case survey.KindTree:
		d, ok := a.DiameterMM.Get()
		switch {
		case !ok:
			s.Missing = append(s.Missing, "its diameter")
		case d < LeastTreeMM:
			s.Fails = fmt.Sprintf("%s is %s thick; a tree under %s is no anchor (common practice, no source)", a.ID, wording.Thickness(u, d), wording.Thickness(u, LeastTreeMM))
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
		s.Fails = slender(&a)
		if !a.RatedKN.Known() {
			s.Missing = append(s.Missing, unmeasured(&a)...)
		}
		s.Says = "work the deadman out from its depth, length and face (TM 5-5420-278-10 Table 9)"
	}
	return s
}

// Surveyed says what an anchor found at the point holds: the rating entered
// with its evidence, raised by a held pull test of it and capped by a failed
// one; a deadman also by its table. Nothing is invented: without a rating
// there is no figure. A rating marked assumed is shown and not used.
func Surveyed(a survey.Anchor, c *Conditions, p *survey.Policy) Anchor {
	out := Anchor{Kind: a.Kind, ID: a.ID}
	if !c.Brief {
		out.Evidence = make([]Figure, 0, 3+len(c.Tests))
	}
	var low, best estimate
	if f, ok := a.Rated(); ok {
		fig := Figure{Grade: a.Evidence, HoldingN: f.Newtons(), Source: "rating entered in the survey"}
		if a.Note != "" && !c.Brief {
			fig.Source += ": " + a.Note
		}
		switch a.Evidence {
		case survey.Assumed:
			fig.Note = "assumed: shown, not used"
		case survey.TestedHere, survey.TestedGround:
			// A rating that rests on a test counts for ground no wetter than it
			// was surveyed in; structures and rock do not mind.
			if a.Kind != survey.KindStructure && a.Kind != survey.KindRock && c.Tonight != "" && c.wetter(&survey.PullTest{}) {
				fig.Note = "tested, but this ground is or may be wetter than it was: shown, not used"
			} else {
				best = estimate{f, a.Evidence, true}
			}
		default:
			low.lower(f, a.Evidence)
		}
		out.show(c, fig)
	}
	if a.Kind == survey.KindDeadman {
		out.deadman(&a, c, p.Units, &low)
	}
	if !best.ok {
		best = low
	}
	out.pulls(&a, c, p, best)
	return out
}

// show adds a figure to the evidence, where evidence is wanted.
func (a *Anchor) show(c *Conditions, fig Figure) {
	if !c.Brief {
		a.Evidence = append(a.Evidence, fig)
	}
}

// pulls lets pull tests of a surveyed anchor govern.
func (a *Anchor) pulls(of *survey.Anchor, c *Conditions, p *survey.Policy, best estimate) {
	var limit estimate
	for i := range c.Tests {
		t := &c.Tests[i]
		if t.Rig != of.ID {
			continue
		}
		fig := Figure{Grade: survey.TestedHere, HoldingN: t.Force().Newtons(), Source: "pull test here"}
		if !c.Brief {
			fig.Source += on(t)
		}
		switch {
		case t.Outcome != survey.Held:
			fig.Note = string(t.Outcome) + ": caps every figure"
			limit.lower(t.Force(), survey.TestedHere)
		case of.Kind != survey.KindStructure && c.wetter(t):
			fig.Note = "held, but this ground is or may be wetter than it was: shown, not used"
		case c.offLine(t, p):
			fig.Note = "held, but pulled outside this working sector: shown, not used"
		default:
			fig.Note = heldWords(t)
			if !best.ok || t.Force() > best.force {
				best = estimate{t.Force(), survey.TestedHere, true}
			}
		}
		a.show(c, fig)
	}
	a.cap(limit, best)
}
