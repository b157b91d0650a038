package survey

import (
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"holdfast/geo"
)

// Line is one line of a policy: a value and where it comes from. The source
// "department" marks the department's own decision.
type Line[T any] struct {
	Value  T      `json:"value"`
	Source string `json:"source"`
}

// Units says which system people see; SI is always shown beside US customary.
type Units string

const (
	UnitsUS Units = "us"
	UnitsSI Units = "si"
)

// Policy is a department's own rules: what it requires, what it credits and
// what it carries. It is one versioned document; an answer and a sheet name
// the version they used.
type Policy struct {
	Version    string `json:"version"`
	Department string `json:"department"`
	Units      Units  `json:"units"`
	Reason     string `json:"reason,omitempty"` // why it took the place of the policy before

	RequiredRatio      Line[float64]    `json:"required_ratio"`        // holding power / force on the anchor
	FloorRatio         Line[float64]    `json:"floor_ratio"`           // below this the verdict is no
	DoubtFactor        Line[float64]    `json:"doubt_factor"`          // figures further apart than this are a doubt
	SectorDeg          Line[float64]    `json:"sector_deg"`            // half-width of the working sector
	BearingDoubtDeg    Line[float64]    `json:"bearing_doubt_deg"`     // bearings further apart than this are a doubt
	SetbackM           Line[geo.Length] `json:"setback_m"`             // least distance from stake to crest
	SetbackEmbedments  Line[float64]    `json:"setback_embedments"`    // and at least this many embedments
	FrontSlopeDeg      Line[float64]    `json:"front_slope_deg"`       // steeper ground in front gets no figure
	SeparationM        Line[geo.Length] `json:"separation_m"`          // between main and belay anchors
	UtilityToleranceM  Line[geo.Length] `json:"utility_tolerance_m"`   // each side of a buried line
	UtilityFilesDoubtM Line[geo.Length] `json:"utility_files_doubt_m"` // lines on file nearer than this are named
	PositionAccuracyM  Line[geo.Length] `json:"position_accuracy_m"`   // worse positions are a failed check
	ResurveyMonths     Line[float64]    `json:"resurvey_months"`
	LayerMonths        Line[float64]    `json:"layer_months"`      // older layer data are a failed check
	SharingRigs        Line[float64]    `json:"sharing_rigs"`      // most equal rigs that may share one load
	SharingAngleDeg    Line[float64]    `json:"sharing_angle_deg"` // widest interior angle between the outer legs
	SharingSpacingM    Line[geo.Length] `json:"sharing_spacing_m"` // between rigs that share, across the pull
	HaulPerPersonN     Line[float64]    `json:"haul_per_person_n"`
	PulleyEfficiency   Line[float64]    `json:"pulley_efficiency"`

	Stake         Stake          `json:"stake"`
	Ratings       []Rating       `json:"ratings"`
	GroundFactors []GroundFactor `json:"ground_factors"`
	LoadCases     []LoadCase     `json:"load_cases"`
	Kit           Kit            `json:"kit"`
	Effort        Effort         `json:"effort"`
	Keep          []Keeping      `json:"keep,omitempty"` // what is kept for some time only
}

// Stake is the steel bar and how it is set.
type Stake struct {
	LengthM      Line[geo.Length] `json:"length_m"`
	DiameterMM   Line[float64]    `json:"diameter_mm"`
	EmbedmentM   Line[geo.Length] `json:"embedment_m"` // along the bar
	YieldMPa     Line[float64]    `json:"yield_mpa"`
	RopeHeightM  Line[geo.Length] `json:"rope_height_m"`   // rope and rear lashing above ground, along the bar
	LashHeightM  Line[geo.Length] `json:"lash_height_m"`   // front lashing above ground, along the bar
	SpacingM     Line[geo.Length] `json:"spacing_m"`       // row to row
	LeanDeg      Line[float64]    `json:"lean_deg"`        // away from the pull, from the vertical
	LashSlackM   Line[geo.Length] `json:"lash_slack_m"`    // in a hand-tied lashing
	LashKNPerM   Line[float64]    `json:"lash_kn_per_m"`   // stiffness
	LashTurns    Line[float64]    `json:"lash_turns"`      // strands round both stakes
	LashKnotsM   Line[geo.Length] `json:"lash_knots_m"`    // webbing used by hitches and tails
	WebbingPiece Line[geo.Length] `json:"webbing_piece_m"` // the length webbing is carried in
}

// Rating is a handbook holding power of a rig in firm, undisturbed loam.
type Rating struct {
	Rig        string       `json:"rig"`
	HoldingN   float64      `json:"holding_n"`
	HighN      Opt[float64] `json:"high_n,omitzero"` // a kinder figure also in use; shown, never used
	HighSource string       `json:"high_source,omitempty"`
	Confidence string       `json:"confidence,omitempty"`
	Source     string       `json:"source"`
}

// GroundKey names a line of the ground factors.
type GroundKey string

const (
	FactorA         GroundKey = "A"
	FactorB         GroundKey = "B"
	FactorCCohesive GroundKey = "C cohesive"
	FactorSand      GroundKey = "clean sand or gravel"
)

// GroundFactor scales a handbook rating to the ground; no factor means that
// stakes are not suitable there.
type GroundFactor struct {
	Ground  GroundKey    `json:"ground"`
	Factor  Opt[float64] `json:"factor,omitzero"`
	Source  string       `json:"source"`
	Kinder  Opt[float64] `json:"kinder,omitzero"` // a published kinder figure, shown beside
	KinderS string       `json:"kinder_source,omitempty"`
}

// LoadBasis says which force of a load case the anchor must serve.
type LoadBasis string

const (
	BasisGreater LoadBasis = "greater" // of hanging and raising
	BasisHanging LoadBasis = "hanging"
	BasisRaising LoadBasis = "raising"
)

// LoadCase is the load, the ground it is moved on and how it is hauled.
type LoadCase struct {
	ID           string       `json:"id"`
	Title        string       `json:"title"`
	LoadN        float64      `json:"load_n"`
	Friction     float64      `json:"friction"` // ground friction coefficient, 0 credits none
	Basis        LoadBasis    `json:"basis"`
	RopeAngleDeg float64      `json:"rope_angle_deg"`        // above the ground at the anchor
	Haul         string       `json:"haul,omitempty"`        // 1:1 … 9:1, "" for none
	RedirectDeg  Opt[float64] `json:"redirect_deg,omitzero"` // interior angle of a redirect
	// EdgeEfficiency is the share of the tension that passes the edge while
	// raising, 1 for a good roller; unknown credits and charges nothing.
	EdgeEfficiency Opt[float64] `json:"edge_efficiency,omitzero"`
	Source         string       `json:"source"`
}

// Kit is what the company carries.
type Kit struct {
	Stakes        Line[float64]    `json:"stakes"`
	Drivers       Line[float64]    `json:"drivers"`
	WebbingPieces Line[float64]    `json:"webbing_pieces"`
	RopeM         Line[geo.Length] `json:"rope_m"` // longest single rope
	People        Line[float64]    `json:"people"`
}

// Effort is what setting an anchor costs.
type Effort struct {
	MinutesPerStake Line[float64] `json:"minutes_per_stake"` // per driving pair
	MinutesPerLash  Line[float64] `json:"minutes_per_lashing"`
	MinutesSetUp    Line[float64] `json:"minutes_set_up"`
	MinutesSharing  Line[float64] `json:"minutes_per_sharing_rig"` // to lead in and equalise each further rig
	MinutesTree     Line[float64] `json:"minutes_natural_anchor"`
	PeoplePerDriver Line[float64] `json:"people_per_driver"`
}

// Rating returns the rating of a rig pattern.
func (p Policy) Rating(rig string) (Rating, bool) {
	for _, r := range p.Ratings {
		if r.Rig == rig {
			return r, true
		}
	}
	return Rating{}, false
}

// Factor returns the ground factor line for a key.
func (p Policy) Factor(k GroundKey) (GroundFactor, bool) {
	for _, f := range p.GroundFactors {
		if f.Ground == k {
			return f, true
		}
	}
	return GroundFactor{}, false
}

// LoadCase returns the load case with that id; "" is the first one.
func (p Policy) LoadCase(id string) (LoadCase, error) {
	ids := make([]string, len(p.LoadCases))
	for i, l := range p.LoadCases {
		if l.ID == id || id == "" {
			return l, nil
		}
		ids[i] = l.ID
	}
	return LoadCase{}, Invalid("", "there is no load case %q; there are %s", id, strings.Join(ids, ", "))
}

// Required returns the ratio asked for, or the policy's own.
func (p Policy) Required(asked Opt[float64]) float64 {
	if v, ok := asked.Get(); ok {
		return v
	}
	return p.RequiredRatio.Value
}

// ParsePolicy reads and validates a policy document, strictly.
func ParsePolicy(raw []byte) (Policy, error) {
	var p Policy
	var c checker
	if !json.Valid(raw) {
		return p, Invalid("", "the policy is not valid JSON")
	}
	decode(&c, "", raw, reflect.ValueOf(&p).Elem())
	if err := c.err(); err != nil {
		return p, err
	}
	return p, p.Validate()
}

// Pattern is a rig of stakes: stakes per row, front row first.
type Pattern []int

// ParsePattern reads "3-2-1": digits are stakes per row, front row first.
func ParsePattern(s string) (Pattern, error) {
	var p Pattern
	for part := range strings.SplitSeq(s, "-") {
		if len(part) != 1 || part[0] < '1' || part[0] > '6' {
			return nil, fmt.Errorf("%q is no rig: write the stakes per row, front row first, like 3-2-1: %w", s, ErrInvalid)
		}
		p = append(p, int(part[0]-'0'))
	}
	if len(p) > 4 {
		return nil, fmt.Errorf("%q has %d rows; at most 4 are used: %w", s, len(p), ErrInvalid)
	}
	return p, nil
}

// Stakes returns the number of stakes in the rig.
func (p Pattern) Stakes() int {
	n := 0
	for _, k := range p {
		n += k
	}
	return n
}

// Equal tells whether two rigs have the same stakes row by row.
func (p Pattern) Equal(q Pattern) bool { return slices.Equal(p, q) }

func (p Pattern) String() string {
	var b strings.Builder
	for i, k := range p {
		if i > 0 {
			b.WriteByte('-')
		}
		b.WriteByte(byte('0' + k))
	}
	return b.String()
}
