package server

import (
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/preplan"
)

// phrases writes quantities in the department's units; templates reach it as
// {{with words .Units}}.
type phrases struct{ units survey.Units }

func words(u survey.Units) phrases { return phrases{u} }

// Holding writes a holding power in newtons, never rounded up.
func (p phrases) Holding(n float64) string { return wording.Force(p.units, survey.Force(n)) }

// Demand writes a force that must be resisted in newtons, never rounded down.
func (p phrases) Demand(n float64) string { return wording.Demand(p.units, survey.Force(n)) }

// HoldingKN writes a holding power in kilonewtons.
func (p phrases) HoldingKN(kn float64) string {
	return wording.Force(p.units, survey.Force(kn)*survey.Kilonewton)
}

// What a surveyor may have left out is Opt and says "not recorded"; what may
// not have been found out is Found and says "unknown".

// FoundN writes a holding power.
func (p phrases) FoundN(o survey.Opt[float64]) any { return found(o, p.Holding) }

// FoundRatio writes a ratio.
func (p phrases) FoundRatio(o survey.Opt[float64]) any { return found(o, wording.Ratio) }

// FoundLength writes a length.
func (p phrases) FoundLength(o survey.Opt[geo.Length]) any { return found(o, p.Length) }

// FoundBearing writes a true bearing.
func (p phrases) FoundBearing(o survey.Opt[geo.Bearing]) any { return found(o, trueBearing) }

// FoundCompass writes a magnetic bearing.
func (p phrases) FoundCompass(o survey.Opt[float64]) any { return found(o, wording.Bearing) }

// Compass writes a true bearing as a compass shows it.
func (p phrases) Compass(b geo.Bearing, pull answer.Pull) string { return preplan.Magnetic(b, pull) }

// OptCompass is Compass of a bearing that may be missing.
func (p phrases) OptCompass(o survey.Opt[geo.Bearing], pull answer.Pull) any {
	return opt(o, func(b geo.Bearing) string { return p.Compass(b, pull) })
}

// FoundDeclination writes a declination or a convergence.
func (p phrases) FoundDeclination(o survey.Opt[float64]) any { return found(o, wording.Declination) }

// OptKN writes a holding power in kilonewtons.
func (p phrases) OptKN(o survey.Opt[float64]) any { return opt(o, p.HoldingKN) }

// Length writes a length in metres.
func (p phrases) Length(l geo.Length) string { return wording.Length(p.units, l) }

// Stretch writes a length of bank, of which there may be none.
func (p phrases) Stretch(l geo.Length) string {
	if l == 0 {
		return "none"
	}
	return p.Length(l)
}

// OptLength writes a length.
func (p phrases) OptLength(o survey.Opt[geo.Length]) any { return opt(o, p.Length) }

// OptStage writes a height of the water at its gauge.
func (p phrases) OptStage(o survey.Opt[geo.Length]) any {
	return opt(o, func(l geo.Length) string { return wording.Stage(p.units, l) })
}

// OptThickness writes a diameter in millimetres.
func (p phrases) OptThickness(o survey.Opt[float64]) any {
	return opt(o, func(mm float64) string { return wording.Thickness(p.units, mm) })
}

// OptMovement writes how far a rig moved in a pull test, in millimetres.
func (p phrases) OptMovement(o survey.Opt[float64]) any {
	return opt(o, func(mm float64) string { return wording.Length(p.units, geo.Length(mm)*geo.Millimetre) })
}

// Band writes a strength band in kilopascals, either end of which may be open.
func (p phrases) Band(low, high survey.Opt[float64]) any {
	lo, hasLow := low.Get()
	hi, hasHigh := high.Get()
	switch {
	case hasLow && hasHigh:
		return p.strength(lo) + " to " + p.strength(hi)
	case hasLow:
		return sayAtLeast + p.strength(lo)
	case hasHigh:
		return sayAtMost + p.strength(hi)
	}
	return unsaid(wording.Unknown)
}

func (p phrases) strength(kpa float64) string {
	return wording.Strength(p.units, survey.Pressure(kpa)*survey.Kilopascal)
}

// OptAngle writes an angle in degrees.
func (p phrases) OptAngle(o survey.Opt[float64]) any { return opt(o, wording.Angle) }

// OptBearing writes a true bearing.
func (p phrases) OptBearing(o survey.Opt[geo.Bearing]) any { return opt(o, trueBearing) }

func trueBearing(b geo.Bearing) string { return wording.Bearing(b.Degrees()) }

// OptDate writes a day.
func (p phrases) OptDate(o survey.Opt[time.Time]) any {
	return opt(o, func(t time.Time) string { return wording.Date(t.UTC()) })
}

// opt writes a value, or that it was not recorded, so that nobody takes a
// blank for a zero.
func opt[T any](o survey.Opt[T], write func(T) string) any {
	return orElse(o, write, wording.NotRecorded)
}

func found[T any](o survey.Opt[T], write func(T) string) any {
	return orElse(o, write, wording.Unknown)
}

func orElse[T any](o survey.Opt[T], write func(T) string, otherwise string) any {
	v, ok := o.Get()
	if !ok {
		return unsaid(otherwise)
	}
	return write(v)
}

func unsaid(text string) template.HTML {
	return template.HTML(`<em class="unsaid">` + template.HTMLEscapeString(text) + `</em>`)
}

// said writes a text of any kind, or that it was not recorded.
func said(v any) any {
	text := strings.TrimSpace(fmt.Sprint(v))
	if text == "" {
		return unsaid(wording.NotRecorded)
	}
	return text
}

// lines splits a text as its writer did.
func lines(text string) []string {
	var out []string
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}

// shape names the symbol of a check.
func shape(c answer.Check) string {
	return [...]string{"failed", "unrun", "passed"}[c.Ended()]
}

// checkList is checks as pages list them.
type checkList struct {
	Open   []answer.Check // failed, then not run
	Passed []answer.Check
}

// sorted splits checks into those to read, foremost first, and those that
// passed.
func sorted(checks []answer.Check) checkList {
	all := answer.Foremost(checks)
	i := slices.IndexFunc(all, func(c answer.Check) bool { return c.Ended() == answer.Passed })
	if i < 0 {
		return checkList{Open: all}
	}
	return checkList{all[:i], all[i:]}
}

// reserved is the sentence of an answer in parts.
type reserved struct {
	Answer string
	Buts   []string // what must not be missed beside it
}

// told splits the sentence of an answer at its reservations, so that the answer
// itself stands out on a small screen.
func told(sentence string) reserved {
	parts := strings.Split(sentence, answer.But)
	out := reserved{Answer: parts[0]}
	for _, p := range parts[1:] {
		out.Buts = append(out.Buts, strings.TrimSpace(answer.But)+" "+p)
	}
	return out
}
