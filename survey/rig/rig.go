// Package rig says what an anchor holds and where it goes: rigs of driven
// stakes by handbook, by mechanics and by the department's own pull tests,
// and the anchors found at a point by their entered rating. It lays a rig out
// stake by stake. Everything that bears on a figure is in the arguments.
package rig

import (
	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
)

// Figure is one holding figure with its evidence.
type Figure struct {
	Grade    survey.Evidence     `json:"grade"`
	HoldingN float64             `json:"holding_n"`
	LowN     survey.Opt[float64] `json:"low_n,omitzero"`  // 5 % fractile
	HighN    survey.Opt[float64] `json:"high_n,omitzero"` // 95 % fractile
	Source   string              `json:"source"`
	Note     string              `json:"note,omitempty"`
	Used     bool                `json:"used"` // false: shown only
}

// Anchor is an anchor with what it is taken to hold.
type Anchor struct {
	Kind      survey.AnchorKind   `json:"kind"`
	ID        string              `json:"id,omitempty"`    // of a surveyed anchor
	Rig       string              `json:"rig,omitempty"`   // pattern of a stake rig
	Count     int                 `json:"count,omitempty"` // equal rigs sharing
	HoldingN  survey.Opt[float64] `json:"holding_n,omitzero"`
	Evidence  []Figure            `json:"evidence"`
	Governs   survey.Evidence     `json:"governs,omitempty"`
	MostN     survey.Opt[float64] `json:"most_n,omitzero"`        // a pull failed here at that force: it holds no more
	YieldN    survey.Opt[float64] `json:"first_yield_n,omitzero"` // pull at which the front stake starts to bend for good
	LashingsN []float64           `json:"lashings_n,omitempty"`   // most that each gap's lashing is asked for, front gap first, per rig
	Weakest   string              `json:"weakest,omitempty"`      // what fails first, in words
}

// Name is how people say the anchor: "3-2-1 rig", "two 3-2-1 rigs", "tree T1".
func (a Anchor) Name() string {
	if a.Kind != survey.KindRig {
		return string(a.Kind) + " " + a.ID
	}
	switch a.Count {
	case 0, 1:
		return a.Rig + " rig"
	case 2:
		return "two " + a.Rig + " rigs"
	case 3:
		return "three " + a.Rig + " rigs"
	default:
		return "four " + a.Rig + " rigs"
	}
}

// Stake is where one stake goes.
type Stake struct {
	Rig           int         `json:"rig"`   // 1, 2, … when rigs share
	Row           int         `json:"row"`   // 1 is the front row
	Place         int         `json:"place"` // 1, 2, … within the row, from the left looking along the pull
	Lon           float64     `json:"lon"`
	Lat           float64     `json:"lat"`
	LeanDeg       float64     `json:"lean_deg"`
	LeanTowardDeg geo.Bearing `json:"lean_toward_deg"` // true; away from the pull
	// From the surveyed point, for setting out by tape.
	MarkBearingDeg survey.Opt[geo.Bearing] `json:"mark_bearing_deg,omitzero"` // true; unknown for a stake at the mark itself
	MarkDistanceM  geo.Length              `json:"mark_distance_m"`
}

// Lashing is one tie of the rig with the webbing it takes.
type Lashing struct {
	Rig      int        `json:"rig"`
	What     string     `json:"what"` // "head of row 1 to foot of row 2", "foot tie through all rows"
	WebbingM geo.Length `json:"webbing_m"`
	Pieces   int        `json:"pieces"`
}

// Layout is where an anchor goes and how it is pulled.
type Layout struct {
	Stakes    []Stake        `json:"stakes"`
	Lashings  []Lashing      `json:"lashings,omitempty"` // shared between answers: not to be written to
	SectorDeg [2]geo.Bearing `json:"sector_deg"`         // anticlockwise and clockwise limits, true
	Anchor    Place          `json:"anchor"`             // the point the rope leaves from
	// Where that is from the surveyed point: by tape and compass, and how far
	// behind it along the line of pull, less than 0 when it is ahead.
	MarkBearingDeg survey.Opt[geo.Bearing] `json:"mark_bearing_deg,omitzero"` // true; unknown for an anchor at the mark itself
	MarkDistanceM  geo.Length              `json:"mark_distance_m"`
	BehindM        geo.Length              `json:"behind_m"`
	Footprint      Area                    `json:"footprint"`
	Sector         Area                    `json:"sector"`
	CollectorM     geo.Length              `json:"collector_m,omitempty"`     // least way ahead of the front stakes where the legs of sharing rigs meet
	LeanCheck      float64                 `json:"heel_to_toe_deg,omitempty"` // lean of a stake set at the heel, its head over the toe, of a 12 in boot
}

// Front returns the position the rope leaves from.
func (l Layout) Front() orb.Point { return orb.Point(l.Anchor) }

// Place is a position that is written as a GeoJSON Point.
type Place orb.Point

// MarshalJSON writes the geometry object.
func (p Place) MarshalJSON() ([]byte, error) {
	return geojson.AppendGeometry(nil, geojson.Geometry{Geometry: orb.Point(p)}), nil
}

// Area is a closed ring, anticlockwise, that is written as a GeoJSON Polygon.
type Area orb.Ring

// MarshalJSON writes the geometry object.
func (a Area) MarshalJSON() ([]byte, error) {
	return geojson.AppendGeometry(nil, geojson.Geometry{Geometry: orb.Polygon{orb.Ring(a)}}), nil
}
