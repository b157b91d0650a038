package survey

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"holdfast/geo"
)

// GroundClass is the soil class of 29 CFR 1926 Subpart P Appendix A, or
// unknown. The empty class was not recorded.
type GroundClass string

const (
	ClassRock    GroundClass = "rock"
	ClassA       GroundClass = "A"
	ClassB       GroundClass = "B"
	ClassC       GroundClass = "C"
	ClassUnknown GroundClass = "unknown"
)

// GroundClasses lists the classes from strongest to weakest, unknown last.
var GroundClasses = []GroundClass{ClassRock, ClassA, ClassB, ClassC, ClassUnknown}

// Texture names what the soil is made of, in the words of 29 CFR 1926
// Subpart P Appendix A and of the USDA texture triangle.
type Texture string

const (
	Clay          Texture = "clay"
	SiltyClay     Texture = "silty clay"
	SandyClay     Texture = "sandy clay"
	ClayLoam      Texture = "clay loam"
	SiltyClayLoam Texture = "silty clay loam"
	SandyClayLoam Texture = "sandy clay loam"
	Loam          Texture = "loam"
	Silt          Texture = "silt"
	SiltLoam      Texture = "silt loam"
	SandyLoam     Texture = "sandy loam"
	LoamySand     Texture = "loamy sand"
	Sand          Texture = "sand"
	Gravel        Texture = "gravel"
	AngularGravel Texture = "angular gravel"
	Cobbles       Texture = "cobbles"
	Caliche       Texture = "caliche"
	Hardpan       Texture = "hardpan"
	Organic       Texture = "organic"
	StableRock    Texture = "stable rock"
	DryRock       Texture = "unstable rock"
)

// Textures lists every texture, cohesive first.
var Textures = []Texture{
	Clay, SiltyClay, SandyClay, ClayLoam, SiltyClayLoam, SandyClayLoam, Loam, Silt, SiltLoam, SandyLoam,
	LoamySand, Sand, Gravel, AngularGravel, Cobbles, Caliche, Hardpan, Organic, StableRock, DryRock,
}

// Moisture is the state of the ground on the day of the survey.
type Moisture string

const (
	Dry       Moisture = "dry"
	Moist     Moisture = "moist"
	Wet       Moisture = "wet"
	Submerged Moisture = "submerged"
	Frozen    Moisture = "frozen"
)

// Moistures lists the states, driest first.
var Moistures = []Moisture{Dry, Moist, Wet, Submerged, Frozen}

// TestKind names a field test of the ground.
type TestKind string

const (
	// PocketPenetrometer reads unconfined compressive strength (tsf or kPa).
	PocketPenetrometer TestKind = "pocket penetrometer"
	// ShearVane reads undrained shear strength (tsf or kPa); twice that is
	// the unconfined compressive strength.
	ShearVane TestKind = "shear vane"
	// Thumb is read in the consistency words of TM 5-818-1 Table 2-2.
	Thumb TestKind = "thumb"
	// Thread is the 1/8 in thread of Appendix A (d)(2)(i): holds or tears.
	Thread TestKind = "thread"
	// DryStrength is Appendix A (d)(2)(ii): crumbles, breaks with difficulty
	// or does not break.
	DryStrength TestKind = "dry strength"
	// RebarProbe is a 1/2 in bar pushed or driven, read as a density word
	// (TxDOT Geotechnical Manual Table 4-1).
	RebarProbe TestKind = "rebar probe"
	// Drying is Appendix A (d)(2)(v): cracks or no cracks.
	Drying TestKind = "drying"
	// Visual is a visual finding of Appendix A (d)(1), in the surveyor's words.
	Visual TestKind = "visual"
)

// TestKinds lists every kind of ground test.
var TestKinds = []TestKind{PocketPenetrometer, ShearVane, Thumb, Thread, DryStrength, RebarProbe, Drying, Visual}

// The words a test may be read in; the instruments read numbers and the
// visual finding is free.
var (
	ThumbWords  = []string{"very soft", "soft", "medium", "stiff", "very stiff", "hard"}
	ThreadWords = []string{"holds", "tears"}
	DryWords    = []string{"crumbles", "breaks with difficulty", "does not break"}
	ProbeWords  = []string{"very loose", "loose", "medium", "dense", "very dense"}
	DryingWords = []string{"cracks", "no cracks"}
)

// Reading is what a test read: a number for an instrument, a word otherwise.
type Reading struct {
	Number Opt[float64]
	Word   string
}

// Num is the reading of an instrument.
func Num(v float64) Reading { return Reading{Number: Known(v)} }

// Word is a reading in words.
func Word(s string) Reading { return Reading{Word: s} }

func (r Reading) String() string {
	if v, ok := r.Number.Get(); ok {
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	return r.Word
}

// MarshalJSON writes a number or a string.
func (r Reading) MarshalJSON() ([]byte, error) {
	if v, ok := r.Number.Get(); ok {
		return json.Marshal(v)
	}
	return json.Marshal(r.Word)
}

// UnmarshalJSON reads a number or a string.
func (r *Reading) UnmarshalJSON(b []byte) error {
	var v any
	if err := json.Unmarshal(b, &v); err != nil {
		return err
	}
	switch v := v.(type) {
	case float64:
		*r = Num(v)
	case string:
		*r = Word(v)
	case nil:
		*r = Reading{}
	default:
		return fmt.Errorf("a reading is a number or a word, not %s", b)
	}
	return nil
}

// GroundTest is one field test of the ground at a point.
type GroundTest struct {
	Kind    TestKind       `json:"kind"`
	Reading Reading        `json:"reading"`
	Unit    string         `json:"unit,omitempty"` // tsf or kPa for instruments
	At      Opt[time.Time] `json:"at,omitzero"`
}

// Strength returns the reading of an instrument as a pressure: unconfined
// compressive strength for the penetrometer, shear strength for the vane.
func (t GroundTest) Strength() (Pressure, bool) {
	v, ok := t.Reading.Number.Get()
	if !ok {
		return 0, false
	}
	switch t.Unit {
	case "tsf":
		return Pressure(v) * TonPerSquareFoot, true
	case "kPa":
		return Pressure(v) * Kilopascal, true
	}
	return 0, false
}

// most is a little above what the instruments can read: pocket penetrometers
// go to about 4.5 tsf, hand vanes to about 2.5 tsf (from memory).
var most = map[TestKind]Pressure{PocketPenetrometer: 6 * TonPerSquareFoot, ShearVane: 3 * TonPerSquareFoot}

func (t GroundTest) check(c *checker, ptr string) {
	if t.Kind == "" {
		c.add(ptr+"/kind", "is missing: say which test this was")
		return
	}
	oneOf(c, ptr+"/kind", t.Kind, TestKinds)
	words := map[TestKind][]string{
		Thumb: ThumbWords, Thread: ThreadWords, DryStrength: DryWords, RebarProbe: ProbeWords, Drying: DryingWords,
	}
	switch t.Kind {
	case PocketPenetrometer, ShearVane:
		v, ok := t.Reading.Number.Get()
		if !ok {
			c.add(ptr+"/reading", "a %s reads a number", t.Kind)
		} else if math.IsNaN(v) || v < 0 {
			c.add(ptr+"/reading", "%g is no reading of a %s", v, t.Kind)
		} else if p, ok := t.Strength(); ok && p > most[t.Kind] {
			c.add(ptr+"/reading", "%g %s is beyond any %s, which reads to about %.1f tsf (%.0f kPa): is the unit right?", v, t.Unit, t.Kind, most[t.Kind].Tsf(), most[t.Kind].Kilopascals())
		}
		if t.Unit != "tsf" && t.Unit != "kPa" {
			c.add(ptr+"/unit", "%q is not one of: tsf, kPa", t.Unit)
		}
	case Visual:
		if t.Reading.Word == "" {
			c.add(ptr+"/reading", "is empty: write what was seen")
		}
		c.text(ptr+"/reading", t.Reading.Word, 500)
	default:
		if allowed := words[t.Kind]; allowed != nil && !slices.Contains(allowed, t.Reading.Word) {
			c.add(ptr+"/reading", "%q is not one of: %v", t.Reading, allowed)
		}
	}
}

// Ground is the soil at a point and the evidence behind its class.
type Ground struct {
	Class           GroundClass     `json:"class,omitempty"`        // as written by the surveyor
	ClassReason     string          `json:"class_reason,omitempty"` // why it differs from the computed class
	Texture         Texture         `json:"texture,omitempty"`
	Moisture        Moisture        `json:"moisture,omitempty"`
	Disturbed       Answer          `json:"disturbed,omitempty"` // dug, filled or built up before
	Fissured        Answer          `json:"fissured,omitempty"`
	Seeping         Answer          `json:"seeping,omitempty"`   // water freely seeping out
	Vibration       Answer          `json:"vibration,omitempty"` // traffic, rail, pile driving
	LayersDip       Answer          `json:"layers_dip_into_slope,omitempty"`
	Tests           []GroundTest    `json:"tests,omitempty"`
	DepthToRefusalM Opt[geo.Length] `json:"depth_to_refusal_m,omitzero"` // where a bar stops
}

func (g Ground) check(c *checker, ptr string) {
	oneOf(c, ptr+"/class", g.Class, GroundClasses)
	c.text(ptr+"/class_reason", g.ClassReason, 1000)
	oneOf(c, ptr+"/texture", g.Texture, Textures)
	oneOf(c, ptr+"/moisture", g.Moisture, Moistures)
	c.answer(ptr+"/disturbed", g.Disturbed)
	c.answer(ptr+"/fissured", g.Fissured)
	c.answer(ptr+"/seeping", g.Seeping)
	c.answer(ptr+"/vibration", g.Vibration)
	c.answer(ptr+"/layers_dip_into_slope", g.LayersDip)
	within(c, ptr+"/depth_to_refusal_m", g.DepthToRefusalM, 0, 100, "m")
	if len(g.Tests) > 100 {
		c.add(ptr+"/tests", "holds %d tests; at most 100 fit", len(g.Tests))
		return
	}
	for i, t := range g.Tests {
		t.check(c, fmt.Sprintf("%s/tests/%d", ptr, i))
	}
}
