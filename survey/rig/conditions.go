package rig

import (
	"fmt"
	"math"
	"slices"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/ground"
	"holdfast/survey/soil"
)

// Conditions is everything besides the pattern that bears on what an anchor
// holds.
type Conditions struct {
	Ground    ground.Result
	Surveyed  survey.Moisture            // state of the ground when surveyed and, where not noted, tested
	Tonight   survey.Moisture            // state of the ground the figure is for, "" as surveyed
	Fall      survey.Opt[geo.Angle]      // slope of the ground falling away in front; 0 beyond the setback
	RopeAngle geo.Angle                  // above the ground
	Refusal   survey.Opt[geo.Length]     // depth at which a bar stops
	Setback   survey.Opt[geo.Length]     // from the front stake to the crest
	Pull      survey.Opt[geo.Bearing]    // direction of the pull
	Tests     []survey.PullTest          // at this point
	Elsewhere map[string][]soil.PullTest // department's tests in this ground, by pattern
	Brief     bool                       // only figures are wanted, not the notes of the tests

	// Worked out once, by the book that first rates under these conditions.
	refused survey.Opt[bool]
	pulls   pulls    // of Tests
	series  []series // of Elsewhere
	figures *figures // of the ground
}

// tested tells whether any pull test may bear on a stake rig.
func (c *Conditions) tested() bool { return len(c.Tests) > 0 || len(c.Elsewhere) > 0 }

// NeededSetback returns the least distance from a stake to the crest: the
// policy's own, or its number of embedments where that is more.
func NeededSetback(p *survey.Policy) geo.Length {
	return max(p.SetbackM.Value, geo.Length(p.SetbackEmbedments.Value)*p.Stake.EmbedmentM.Value)
}

// DrivenDepth returns the vertical depth that a leaning stake reaches.
func DrivenDepth(p *survey.Policy) geo.Length {
	return p.Stake.EmbedmentM.Value * geo.Length(math.Cos(geo.Degrees(p.Stake.LeanDeg.Value).Radians()))
}

// fine is the difference that rounding may make between a slope or depth
// written in degrees or metres and its limit.
const fine = 1e-9

// Refusal is why no stake figure may be given. Settled tells that nothing more
// need be known to say so: a stake does not serve here.
type Refusal struct {
	Why     string
	Settled bool
}

// Refuse says whether and why no stake figure may be given; ok is false when
// one may.
func Refuse(c *Conditions, p *survey.Policy) (r Refusal, ok bool) {
	settled := func(format string, args ...any) (Refusal, bool) {
		return Refusal{Why: fmt.Sprintf(format, args...), Settled: true}, true
	}
	if c.Ground.Unsuitable != "" {
		return Refusal{Why: c.Ground.Unsuitable, Settled: true}, true
	}
	if d, ok := c.Refusal.Get(); ok && d < DrivenDepth(p)-fine {
		return settled("a bar stops at %s; %s is needed", wording.Length(p.Units, d), wording.Need(p.Units, DrivenDepth(p)))
	}
	s, known := c.Setback.Get()
	if known && s < NeededSetback(p)-fine {
		return settled("the crest is %s away; %s is needed", wording.Length(p.Units, s), wording.Need(p.Units, NeededSetback(p)))
	}
	if f, listed := p.Factor(c.Ground.Factor); c.Ground.Factor != "" && !f.Factor.Known() {
		if listed {
			return settled("the policy does not use stakes in %s", c.Ground.Factor)
		}
		return Refusal{Why: fmt.Sprintf("the policy has no ground factor for %s", c.Ground.Factor)}, true
	}
	if a, ok := c.Fall.Get(); ok && a.Degrees() > p.FrontSlopeDeg.Value+fine {
		return Refusal{Why: fmt.Sprintf("the ground in front falls %.0f°; no figure holds beyond %.0f°", a.Degrees(), p.FrontSlopeDeg.Value), Settled: known}, true
	}
	return Refusal{}, false
}

// now is the state of the ground the figure is for, "" when not known. A drier
// night than the survey's credits nothing.
func (c *Conditions) now() survey.Moisture {
	if slices.Index(survey.Moistures, c.Tonight) > slices.Index(survey.Moistures, c.Surveyed) {
		return c.Tonight
	}
	return c.Surveyed
}

// wetter tells whether the ground the figure is for is wetter than the ground
// that was tested, or could be.
func (c *Conditions) wetter(t *survey.PullTest) bool {
	tested, now := t.Moisture, c.now()
	if tested == "" {
		tested = c.Surveyed
	}
	if tested == "" || now == "" {
		return true
	}
	if now == survey.Frozen || tested == survey.Frozen {
		return true // frost holds until it thaws
	}
	return slices.Index(survey.Moistures, now) > slices.Index(survey.Moistures, tested)
}

// offLine tells whether a pull was made on a bearing too far from the one the
// figure is for to say what it holds.
func (c *Conditions) offLine(t *survey.PullTest, p *survey.Policy) bool {
	was, okWas := t.BearingDeg.Get()
	is, okIs := c.Pull.Get()
	return okWas && okIs && math.Abs(is.Off(was).Degrees()) > p.SectorDeg.Value+fine
}
