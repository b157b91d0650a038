package survey

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Point is one surveyed place where an anchor could be set. Position is
// where the front stake would stand.
type Point struct {
	ID         string          `json:"-"`
	Position   orb.Point       `json:"-"` // lon, lat in degrees, WGS 84
	ElevationM Opt[geo.Length] `json:"-"` // third coordinate; vertical datum not stated by RFC 7946

	Site       string         `json:"site"` // id of the site
	Label      string         `json:"label"`
	SurveyedAt Opt[time.Time] `json:"surveyed_at,omitzero"`
	SurveyedBy string         `json:"surveyed_by,omitempty"`

	Fix             Fix             `json:"position,omitzero"`
	Ground          Ground          `json:"ground,omitzero"`
	Terrain         Terrain         `json:"terrain,omitzero"`
	Pull            Pull            `json:"pull,omitzero"`
	Anchors         []Anchor        `json:"anchors,omitempty"`
	BuriedUtilities BuriedUtilities `json:"buried_utilities,omitzero"`
	Overhead        Overhead        `json:"overhead,omitzero"`
	PullTests       []PullTest      `json:"pull_tests,omitempty"`
	Photos          []string        `json:"photos,omitempty"`
}

// FixSource says how a position was found.
type FixSource string

// FixSources lists how a position can have been found.
var FixSources = []FixSource{"gnss", "map", "tape"}

// Fix is how well the position is known.
type Fix struct {
	Source    FixSource       `json:"source,omitempty"`
	AccuracyM Opt[geo.Length] `json:"accuracy_m,omitzero"` // radius, as the receiver states it
}

// TerrainSource says where slope and height come from.
type TerrainSource string

const (
	TerrainMeasured  TerrainSource = "measured"
	TerrainLayer     TerrainSource = "layer"
	TerrainElevation TerrainSource = "elevation"
)

// Terrain is the bank at a point.
type Terrain struct {
	SlopeDeg    Opt[float64]     `json:"slope_deg,omitzero"`     // of the bank below the edge, from the horizontal
	HeightM     Opt[geo.Length]  `json:"height_m,omitzero"`      // edge to toe, vertical
	FallLineDeg Opt[geo.Bearing] `json:"fall_line_deg,omitzero"` // steepest descent, true
	SetbackM    Opt[geo.Length]  `json:"setback_m,omitzero"`     // from the point to the crest
	RoomBehindM Opt[geo.Length]  `json:"room_behind_m,omitzero"` // ground behind the point, along the pull, on which stakes can stand
	Source      TerrainSource    `json:"source,omitempty"`
}

// Slope returns the slope of the bank from the horizontal.
func (t Terrain) Slope() (geo.Angle, bool) {
	d, ok := t.SlopeDeg.Get()
	return geo.Degrees(d), ok
}

// North says which north a written bearing was read against.
type North string

const (
	TrueNorth     North = "true"
	MagneticNorth North = "magnetic"
)

// PullSource says where a pull bearing comes from.
type PullSource string

const (
	PullMeasured PullSource = "measured"
	PullFallLine PullSource = "fall line"
	PullLayer    PullSource = "layer"
)

// Pull is the direction in which the rope pulls, from the anchor, as written
// by the surveyor. A magnetic bearing becomes a true one only with the
// declination of its survey date.
type Pull struct {
	BearingDeg Opt[float64] `json:"bearing_deg,omitzero"` // 0..360 from the north named beside it
	North      North        `json:"north,omitempty"`
	Source     PullSource   `json:"source,omitempty"`
}

// BuriedState is what is known of buried utilities at a point.
type BuriedState string

const (
	BuriedClear      BuriedState = "marked clear"
	BuriedPresent    BuriedState = "marked present"
	BuriedNotLocated BuriedState = "not located"
	BuriedUnknown    BuriedState = "unknown"
)

// BuriedStates lists the states of a utility locate.
var BuriedStates = []BuriedState{BuriedClear, BuriedPresent, BuriedNotLocated, BuriedUnknown}

// BuriedUtilities is the locate record of a point.
type BuriedUtilities struct {
	State  BuriedState    `json:"state,omitempty"`
	Ticket string         `json:"ticket,omitempty"`
	Until  Opt[time.Time] `json:"until,omitzero"` // the locate is good until then
}

// OverheadState is what is known of overhead lines at a point.
type OverheadState string

const (
	OverheadNone    OverheadState = "none"
	OverheadPresent OverheadState = "present"
	OverheadUnknown OverheadState = "unknown"
)

// Overhead is the overhead line nearest to a point.
type Overhead struct {
	State      OverheadState   `json:"state,omitempty"`
	KV         Opt[float64]    `json:"kv,omitzero"`
	ClearanceM Opt[geo.Length] `json:"clearance_m,omitzero"` // from the nearest conductor to the work
}

// TestOutcome is how a pull test ended.
type TestOutcome string

const (
	Held   TestOutcome = "held"
	Moved  TestOutcome = "moved"
	Failed TestOutcome = "failed"
)

// PullTest is one anchor pulled on purpose.
type PullTest struct {
	Rig        string           `json:"rig"` // pattern, or the id of a surveyed anchor
	ForceKN    float64          `json:"force_kn"`
	Outcome    TestOutcome      `json:"outcome"`
	MovementMM Opt[float64]     `json:"movement_mm,omitzero"`
	BearingDeg Opt[geo.Bearing] `json:"bearing_deg,omitzero"`
	At         Opt[time.Time]   `json:"at,omitzero"`
	Instrument string           `json:"instrument,omitempty"`
	Moisture   Moisture         `json:"moisture,omitempty"` // of the ground on the day of the test
	Note       string           `json:"note,omitempty"`
}

// Force returns the greatest force reached in the test.
func (t PullTest) Force() Force { return Force(t.ForceKN) * Kilonewton }

// Validate lists everything about the point that cannot be stored. A point
// that is merely incomplete is valid: what is missing is the engine's to say.
func (p Point) Validate() error {
	var c checker
	checkPosition(&c, p.Position, p.ElevationM)
	const at = "/properties"
	if p.Site == "" {
		c.add(at+"/site", "is missing: a point belongs to a site")
	}
	c.text(at+"/site", p.Site, 100)
	if p.Label == "" {
		c.add(at+"/label", "is missing: give the point a short label")
	}
	c.text(at+"/label", p.Label, 40)
	c.text(at+"/surveyed_by", p.SurveyedBy, 100)
	oneOf(&c, at+"/position/source", p.Fix.Source, FixSources)
	within(&c, at+"/position/accuracy_m", p.Fix.AccuracyM, 0, 10000, "m")
	p.Ground.check(&c, at+"/ground")
	within(&c, at+"/terrain/slope_deg", p.Terrain.SlopeDeg, 0, 90, "degrees from the horizontal")
	within(&c, at+"/terrain/height_m", p.Terrain.HeightM, 0, 1000, "m")
	c.bearing(at+"/terrain/fall_line_deg", p.Terrain.FallLineDeg)
	within(&c, at+"/terrain/setback_m", p.Terrain.SetbackM, 0, 1000, "m")
	within(&c, at+"/terrain/room_behind_m", p.Terrain.RoomBehindM, 0, 1000, "m")
	oneOf(&c, at+"/terrain/source", p.Terrain.Source, []TerrainSource{TerrainMeasured, TerrainLayer, TerrainElevation})
	within(&c, at+"/pull/bearing_deg", p.Pull.BearingDeg, 0, 360, "degrees clockwise from north")
	oneOf(&c, at+"/pull/north", p.Pull.North, []North{TrueNorth, MagneticNorth})
	oneOf(&c, at+"/pull/source", p.Pull.Source, []PullSource{PullMeasured, PullFallLine, PullLayer})
	if p.Pull.BearingDeg.Known() && p.Pull.North == "" {
		c.add(at+"/pull/north", "is missing: say whether the bearing is true or magnetic")
	}
	if p.Pull.North == MagneticNorth && p.Pull.BearingDeg.Known() && !p.SurveyedAt.Known() {
		c.add(at+"/surveyed_at", "is missing: a magnetic bearing means nothing without its date")
	}
	oneOf(&c, at+"/buried_utilities/state", p.BuriedUtilities.State, BuriedStates)
	c.text(at+"/buried_utilities/ticket", p.BuriedUtilities.Ticket, 100)
	if p.BuriedUtilities.Ticket == Hidden {
		c.add(at+"/buried_utilities/ticket", "is %q, from someone who may not see ticket numbers: storing it would lose it", Hidden)
	}
	oneOf(&c, at+"/overhead/state", p.Overhead.State, []OverheadState{OverheadNone, OverheadPresent, OverheadUnknown})
	within(&c, at+"/overhead/kv", p.Overhead.KV, 0, 2000, "kV")
	within(&c, at+"/overhead/clearance_m", p.Overhead.ClearanceM, 0, 1000, "m")
	p.checkAnchors(&c, at+"/anchors")
	for i, t := range p.PullTests {
		ptr := fmt.Sprintf("%s/pull_tests/%d", at, i)
		t.check(&c, ptr)
		// A test under a name that nothing answers to would be lost, and with
		// it, perhaps, the failure that caps every figure here.
		_, err := ParsePattern(t.Rig)
		if t.Rig != "" && err != nil && !slices.ContainsFunc(p.Anchors, func(a Anchor) bool { return a.ID == t.Rig }) {
			c.add(ptr+"/rig", "%q is neither a rig like 1-1-1 nor the id of an anchor of this point", t.Rig)
		}
	}
	return c.err()
}

func (t PullTest) check(c *checker, ptr string) {
	if t.Rig == "" {
		c.add(ptr+"/rig", "is missing: say which rig or anchor was pulled")
	}
	c.text(ptr+"/rig", t.Rig, 40)
	within(c, ptr+"/force_kn", Known(t.ForceKN), 0, 1000, "kN")
	if most, ok := InstrumentCapacity(t.Instrument); ok && t.Force() > most*(1+1e-9) {
		c.add(ptr+"/force_kn", "%g kN is beyond the instrument, %q, which reads to %.3g kN: is the unit right?", t.ForceKN, t.Instrument, most.Kilonewtons())
	}
	if t.Outcome == "" {
		c.add(ptr+"/outcome", "is missing: held, moved or failed")
	}
	oneOf(c, ptr+"/outcome", t.Outcome, []TestOutcome{Held, Moved, Failed})
	oneOf(c, ptr+"/moisture", t.Moisture, Moistures)
	within(c, ptr+"/movement_mm", t.MovementMM, 0, 10000, "mm")
	c.bearing(ptr+"/bearing_deg", t.BearingDeg)
	c.text(ptr+"/note", t.Note, 2000)
}

// checkPosition requires a finite lon/lat on the globe and a believable
// height, and names the usual mistake: latitude first.
func checkPosition(c *checker, p orb.Point, z Opt[geo.Length]) {
	lon, lat := p.Lon(), p.Lat()
	switch {
	case math.IsNaN(lon) || math.IsNaN(lat) || math.IsInf(lon, 0) || math.IsInf(lat, 0):
		c.add("/geometry/coordinates", "is not a number")
	case math.Abs(lat) > 90 && math.Abs(lon) <= 90:
		c.add("/geometry/coordinates", "latitude %g is beyond ±90: longitude comes first, so latitude and longitude look swapped", lat)
	case math.Abs(lat) > 90:
		c.add("/geometry/coordinates", "latitude %g is beyond ±90", lat)
	case math.Abs(lon) > 180:
		c.add("/geometry/coordinates", "longitude %g is beyond ±180", lon)
	}
	within(c, "/geometry/coordinates/2", z, -12000, 9000, "m of elevation")
}
