package server

import (
	"fmt"
	"html/template"
	"strings"
	"time"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
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

// OptN writes a holding power that may be unknown.
func (p phrases) OptN(o survey.Opt[float64]) any { return opt(o, p.Holding) }

// OptDemand writes a demand that may be unknown.
func (p phrases) OptDemand(o survey.Opt[float64]) any { return opt(o, p.Demand) }

// OptKN writes a holding power in kilonewtons that may be unknown.
func (p phrases) OptKN(o survey.Opt[float64]) any { return opt(o, p.HoldingKN) }

// Length writes a length in metres.
func (p phrases) Length(l geo.Length) string { return wording.Length(p.units, l) }

// OptLength writes a length that may be unknown.
func (p phrases) OptLength(o survey.Opt[geo.Length]) any { return opt(o, p.Length) }

// OptThickness writes a diameter in millimetres that may be unknown.
func (p phrases) OptThickness(o survey.Opt[float64]) any {
	return opt(o, func(mm float64) string { return wording.Thickness(p.units, mm) })
}

// Band writes a strength band in kilopascals, either end of which may be open.
func (p phrases) Band(low, high survey.Opt[float64]) any {
	lo, hasLow := low.Get()
	hi, hasHigh := high.Get()
	switch {
	case hasLow && hasHigh:
		return p.strength(lo) + " to " + p.strength(hi)
	case hasLow:
		return "at least " + p.strength(lo)
	case hasHigh:
		return "at most " + p.strength(hi)
	}
	return unsaid(wording.Unknown)
}

func (p phrases) strength(kpa float64) string {
	si := fmt.Sprintf("%.0f kPa", kpa)
	if p.units == survey.UnitsSI {
		return si
	}
	return fmt.Sprintf("%.2f tsf (%s)", (survey.Pressure(kpa) * survey.Kilopascal).Tsf(), si)
}

// OptAngle writes an angle in degrees that may be unknown.
func (p phrases) OptAngle(o survey.Opt[float64]) any { return opt(o, wording.Angle) }

// OptBearing writes a true bearing that may be unknown.
func (p phrases) OptBearing(o survey.Opt[geo.Bearing]) any {
	return opt(o, func(b geo.Bearing) string { return wording.Bearing(b.Degrees()) })
}

// OptCompass writes a magnetic bearing that may be unknown.
func (p phrases) OptCompass(o survey.Opt[float64]) any { return opt(o, wording.Bearing) }

// OptRatio writes a ratio that may be unknown.
func (p phrases) OptRatio(o survey.Opt[float64]) any { return opt(o, wording.Ratio) }

// Ratio writes a ratio.
func (p phrases) Ratio(v float64) string { return wording.Ratio(v) }

// OptDeclination writes a declination that may be unknown.
func (p phrases) OptDeclination(o survey.Opt[float64]) any { return opt(o, wording.Declination) }

// OptDate writes a day that may be unknown.
func (p phrases) OptDate(o survey.Opt[time.Time]) any {
	return opt(o, func(t time.Time) string { return wording.Date(t.UTC()) })
}

// opt writes a value, or marks it as not recorded so that nobody takes a
// blank for a zero.
func opt[T any](o survey.Opt[T], write func(T) string) any {
	v, ok := o.Get()
	if !ok {
		return unsaid(wording.NotRecorded)
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
	switch {
	case !c.Ran:
		return "unrun"
	case c.Passed:
		return "passed"
	}
	return "failed"
}
