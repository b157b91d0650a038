package answer

import (
	"fmt"
	"math"
	"strings"

	"holdfast/survey"
)

// forceWords writes a force in both systems to two significant digits, which
// is all the methods support.
func forceWords(n float64) string {
	f := survey.Force(n)
	return fmt.Sprintf("%s kN (%s lbf)", significant(f.Kilonewtons()), thousands(significant(f.Pounds())))
}

// significant writes a number to two significant digits, without exponent.
func significant(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Sprint(v)
	}
	digits := 1 - int(math.Floor(math.Log10(math.Abs(v))))
	scale := math.Pow(10, float64(digits))
	return fmt.Sprintf("%.*f", max(digits, 0), math.Round(v*scale)/scale)
}

func thousands(s string) string {
	if strings.Contains(s, ".") || len(s) < 4 || len(s) > 6 {
		return s
	}
	return s[:len(s)-3] + "," + s[len(s)-3:]
}

// ratioWords writes a ratio as people say it, rounded down so that it never
// promises more than there is.
func ratioWords(r float64) string {
	if r >= 10 {
		return fmt.Sprintf("%.0f:1", math.Floor(r+1e-9))
	}
	return fmt.Sprintf("%.1f:1", math.Floor(r*10+1e-9)/10)
}

func byEvidence(e survey.Evidence) string {
	switch e {
	case survey.TestedHere, survey.TestedGround:
		return "(" + string(e) + ")"
	case "":
		return ""
	}
	return "(" + string(e) + ", an estimate)"
}

func verdictWords(v Verdict) string {
	switch v {
	case Holds:
		return "holds"
	case Short:
		return "falls short"
	case No:
		return "does not serve"
	}
	return "cannot be judged"
}

// summary is one option in one line.
func (w *working) summary(o Option) string {
	s := o.Main.Anchor.Name()
	if r, ok := o.GoverningRatio.Get(); ok {
		s += ", " + ratioWords(r)
	}
	switch {
	case o.Belay == nil:
		s += "; no independent belay anchor found"
	case o.Belay.Verdict != Holds && o.Verdict == Holds:
		s += fmt.Sprintf("; belay on %s, which %s", o.Belay.Anchor.Name(), verdictWords(o.Belay.Verdict))
	default:
		s += "; belay on " + o.Belay.Anchor.Name()
	}
	return s
}

// say writes the answer as one sentence.
func (w *working) say() {
	best, ok := w.a.Best()
	if !ok {
		w.a.Verdict = Unknown
		w.a.Sentence = "Nothing at this point can be judged: " + firstOr(w.a.Settles, "no anchor is recorded and no rig is rated") + "."
		return
	}
	w.a.Verdict = best.Verdict
	name := capital(best.Main.Anchor.Name())
	ratio := ""
	if r, ok := best.GoverningRatio.Get(); ok {
		ratio = ratioWords(r)
	}
	many := best.Main.Anchor.Count > 1
	switch best.Verdict {
	case Holds:
		w.a.Sentence = fmt.Sprintf("%s %s a %s at %s in this ground%s.", name, plural(many, "hold", "holds"), w.a.LoadCase.Title, ratio, w.pullWords())
		if best.Belay == nil {
			w.a.Sentence += " There is no independent belay anchor."
		}
	case Short:
		if ratio == "" {
			w.a.Sentence = fmt.Sprintf("Nothing here is shown to hold a %s; the best is %s, unrated: back it up.", w.a.LoadCase.Title, best.Main.Anchor.Name())
			return
		}
		w.a.Sentence = fmt.Sprintf("Nothing here holds a %s at %s; the best is %s at %s%s.", w.a.LoadCase.Title, ratioWords(w.required), best.Main.Anchor.Name(), ratio, w.pullWords())
	case No:
		w.a.Sentence = fmt.Sprintf("Nothing at this point serves for a %s: %s.", w.a.LoadCase.Title, firstFailed(best.Main))
	default:
		w.a.Sentence = fmt.Sprintf("Not known whether this point holds a %s: %s.", w.a.LoadCase.Title, firstUnrun(best.Main))
		if ratio != "" {
			w.a.Sentence += fmt.Sprintf(" If that is settled, %s would stand at %s.", best.Main.Anchor.Name(), ratio)
		}
	}
}

func (w *working) pullWords() string {
	t, ok := w.a.Pull.TrueDeg.Get()
	if !ok {
		return ""
	}
	s := fmt.Sprintf("; pull %s true", wholeDegrees(t.Degrees()))
	if m, ok := w.a.Pull.MagneticDeg.Get(); ok {
		s += fmt.Sprintf(" (%s compass)", wholeDegrees(m))
	}
	return s
}

// wholeDegrees writes a bearing as three figures, 000 to 359.
func wholeDegrees(d float64) string {
	return fmt.Sprintf("%03.0f°", math.Mod(math.Round(d), 360))
}

func firstFailed(p Placed) string {
	for _, c := range p.Checks {
		if c.Matters && c.Ran && !c.Passed {
			return c.Title + ", " + c.Message
		}
	}
	if r, ok := p.Ratio.Get(); ok {
		return fmt.Sprintf("the best is %s at %s, below the policy's floor", p.Anchor.Name(), ratioWords(r))
	}
	return lastOr(p.Reasons, "no anchor passes its checks")
}

func firstUnrun(p Placed) string {
	for _, c := range p.Checks {
		if c.Matters && !c.Ran {
			return c.Title + ", " + c.Message
		}
	}
	return lastOr(p.Reasons, "no holding figure")
}

func firstOr(s []string, d string) string {
	if len(s) > 0 {
		return s[0]
	}
	return d
}

func lastOr(s []string, d string) string {
	if len(s) > 0 {
		return s[len(s)-1]
	}
	return d
}

func plural(many bool, p, s string) string {
	if many {
		return p
	}
	return s
}

func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
