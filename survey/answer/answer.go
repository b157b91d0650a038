// Package answer brings the engine's parts together: for one surveyed point,
// its site, what the layers say around it, a policy, a load case and a date,
// it ranks the anchors that could hold, each with its reasons, its evidence
// and the checks behind it.
//
// An Engine holds what a policy says of every rig, so that many points are
// quickly judged. The same input gives the same answer: nothing reads a clock, a
// file or a database.
package answer

import (
	"cmp"
	"slices"
	"time"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/ground"
	"holdfast/survey/load"
	"holdfast/survey/rig"
)

// Verdict is what the engine says of an anchor.
type Verdict string

const (
	Holds   Verdict = "holds"
	Short   Verdict = "short"
	No      Verdict = "no"
	Unknown Verdict = "unknown"
)

// Verdicts lists the verdicts, best first. Unknown stands after short: an
// anchor that cannot be judged ranks below one known to be short, and above
// one that fails.
var Verdicts = []Verdict{Holds, Short, Unknown, No}

// Rank is the place of a verdict among Verdicts, 0 for the best; what is no
// verdict comes after the worst.
func (v Verdict) Rank() int { return rank(Verdicts, v) }

// Check is one check against the world. A check that did not run never
// counts as passed; one that matters and did not run keeps an option from
// "holds".
type Check struct {
	Title   string `json:"title"`
	Ran     bool   `json:"ran"`
	Passed  bool   `json:"passed"`
	Matters bool   `json:"matters"`
	Message string `json:"message"`
	Fix     string `json:"fix,omitempty"` // how to make it pass
}

// Ended is how a check ended: it sorts what asks most of the reader first.
type Ended int

// The ends of a check.
const (
	Failed Ended = iota
	NotRun
	Passed
)

// Ended is how the check ended.
func (c Check) Ended() Ended {
	switch {
	case !c.Ran:
		return NotRun
	case c.Passed:
		return Passed
	}
	return Failed
}

// Foremost are the checks in the order to read them in: those that failed,
// those that did not run, those that passed; each as they were.
func Foremost(checks []Check) []Check {
	out := slices.Clone(checks)
	slices.SortStableFunc(out, func(a, b Check) int { return cmp.Compare(a.Ended(), b.Ended()) })
	return out
}

// Placed is an anchor in its place: the main or the belay of an option.
type Placed struct {
	Anchor rig.Anchor          `json:"anchor"`
	Ratio  survey.Opt[float64] `json:"ratio,omitzero"`
	// YieldShare is the force on the anchor over the pull at which the front
	// stake starts to bend for good: a rig in use should stay well below 1.
	YieldShare survey.Opt[float64] `json:"first_yield_share,omitzero"`
	Verdict    Verdict             `json:"verdict"`
	Reasons    []string            `json:"reasons"`
	Layout     *rig.Layout         `json:"layout,omitempty"`
	Checks     []Check             `json:"checks"`
}

// Need is what an option takes, against what the company carries.
type Need struct {
	Stakes        int                    `json:"stakes"`
	Drivers       int                    `json:"drivers"`
	WebbingPieces int                    `json:"webbing_pieces"`
	WebbingM      geo.Length             `json:"webbing_m"`
	RopeM         survey.Opt[geo.Length] `json:"rope_m,omitzero"` // to the foot of the slope, anchor to toe
	// RopeBackM is how much of it an anchor away from the point takes more than one
	// at the point; unknown when its distance is.
	RopeBackM survey.Opt[geo.Length] `json:"rope_back_m,omitzero"`
	Short     []string               `json:"short,omitempty"`
}

// Option is one ranked answer: a main anchor and, where one exists, an
// independent belay anchor.
type Option struct {
	Rank           int                 `json:"rank"`
	Verdict        Verdict             `json:"verdict"`
	Summary        string              `json:"summary"`
	Why            string              `json:"why"` // why it ranks where it does
	Main           Placed              `json:"main"`
	Belay          *Placed             `json:"belay,omitempty"`
	GoverningRatio survey.Opt[float64] `json:"governing_ratio,omitzero"`
	Kit            Need                `json:"kit"`
	People         int                 `json:"people"`
	Minutes        int                 `json:"minutes"`
}

// Pull is the direction the anchor is pulled in, with every reading of it.
type Pull struct {
	TrueDeg           survey.Opt[geo.Bearing] `json:"true_deg,omitzero"`
	MagneticDeg       survey.Opt[float64]     `json:"magnetic_deg,omitzero"` // at the as-of date
	BackDeg           survey.Opt[geo.Bearing] `json:"back_deg,omitzero"`     // true
	BackMagDeg        survey.Opt[float64]     `json:"back_magnetic_deg,omitzero"`
	DeclinationDeg    survey.Opt[float64]     `json:"declination_deg,omitzero"`       // east positive
	DeclinationErrDeg survey.Opt[float64]     `json:"declination_error_deg,omitzero"` // one sigma
	ConvergenceDeg    survey.Opt[float64]     `json:"convergence_deg,omitzero"`       // grid north east of true positive
	Source            string                  `json:"source,omitempty"`
	Readings          []Reading               `json:"readings,omitempty"`
	Doubts            []string                `json:"doubts,omitempty"`
	Notes             []string                `json:"notes,omitempty"` // what lies on the other side, where the ground falls both ways
}

// Reading is one way the pull bearing was found.
type Reading struct {
	Source  string      `json:"source"`
	TrueDeg geo.Bearing `json:"true_deg"`
}

// If is what the point would give in ground wetter than the answer's.
type If struct {
	Moisture survey.Moisture     `json:"moisture"`
	Class    survey.GroundClass  `json:"class"`
	Verdict  Verdict             `json:"verdict"`        // of the best anchor then, which may be another
	Ratio    survey.Opt[float64] `json:"ratio,omitzero"` // of it
	Anchor   string              `json:"anchor,omitempty"`
	// SameVerdict and SameRatio are those of the anchor that ranks first now, as
	// it is: "" when nothing ranks.
	SameVerdict Verdict             `json:"same_verdict,omitempty"`
	SameRatio   survey.Opt[float64] `json:"same_ratio,omitzero"`
}

// Answer is everything the engine says of one point. Its slices may be shared
// with other answers and are not to be written to.
type Answer struct {
	Point         string          `json:"point"`
	AsOf          time.Time       `json:"as_of"`
	Policy        string          `json:"policy"`            // version
	Tonight       survey.Moisture `json:"tonight,omitempty"` // state of the ground asked about; "" as surveyed
	LoadCase      load.Result     `json:"load_case"`
	RequiredRatio float64         `json:"required_ratio"`
	Ground        ground.Result   `json:"ground"`
	Pull          Pull            `json:"pull"`
	Sentence      string          `json:"sentence"` // the answer in one sentence
	Verdict       Verdict         `json:"verdict"`
	Options       []Option        `json:"options"`
	Ifs           []If            `json:"if,omitempty"` // if it is wet, and if it is submerged, tonight
	Settles       []string        `json:"settles,omitempty"`
	Cautions      []string        `json:"cautions"`
}

// Best returns the first option, if any.
func (a Answer) Best() (Option, bool) {
	if len(a.Options) == 0 {
		return Option{}, false
	}
	return a.Options[0], true
}
