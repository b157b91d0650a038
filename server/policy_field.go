package server

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// quantity says what a figure of the policy is, and so in which units people
// write and read it.
type quantity int

const (
	text quantity = iota
	number
	ratio
	degrees
	months
	minutes
	holding  // newtons, of what holds or hauls
	load     // newtons, of what must be held
	length   // metres
	short    // metres, of a stake
	bar      // millimetres
	strength // megapascals
	springs  // kilonewtons per metre
)

// unit is what people write a quantity in: SI times per.
func (q quantity) unit(u survey.Units) (name string, per float64) {
	us := u != survey.UnitsSI
	switch q {
	case ratio:
		return ":1", 1
	case degrees:
		return "°", 1
	case months:
		return "months", 1
	case minutes:
		return "minutes", 1
	case strength:
		return "MPa", 1
	case springs:
		return "kN/m", 1
	case holding, load:
		if us {
			return "lbf", float64(survey.PoundForce)
		}
		return "kN", float64(survey.Kilonewton)
	case length:
		if us {
			return "ft", float64(geo.Foot)
		}
		return "m", 1
	case short:
		if us {
			return "in", float64(geo.Inch)
		}
		return "mm", float64(geo.Millimetre)
	case bar:
		if us {
			return "in", float64(geo.Inch / geo.Millimetre)
		}
		return "mm", 1
	}
	return "", 1
}

// write is a figure as people type it, to six digits.
func (q quantity) write(u survey.Units, v float64) string {
	_, per := q.unit(u)
	return digits(v/per, 6)
}

// digits writes a figure to so many significant digits, without an exponent.
func digits(v float64, n int) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return "0"
	}
	decimals := max(0, n-1-int(math.Floor(math.Log10(math.Abs(v)))))
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// say is a figure as every page and the sheet say it: a holding never rounded
// up, a load never down.
func (q quantity) say(u survey.Units, v float64) string {
	switch q {
	case holding:
		return wording.Force(u, survey.Force(v))
	case load:
		return wording.Demand(u, survey.Force(v))
	case length, short:
		return wording.Length(u, geo.Length(v))
	case bar:
		return wording.Thickness(u, v)
	}
	return q.exactly(u, v, 4)
}

// exactly is a figure to so many digits in the unit it is typed in.
func (q quantity) exactly(u survey.Units, v float64, n int) string {
	name, per := q.unit(u)
	if name != "" && name != ":1" && name != "°" {
		name = " " + name
	}
	return digits(v/per, n) + name
}

// between asks for a figure within two, in people's units and rounded inwards.
func (q quantity) between(u survey.Units, lo, hi float64) string {
	name, per := q.unit(u)
	inwards := func(v float64, round func(float64) float64) string {
		if v == 0 {
			return "0"
		}
		scale := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(v))))
		return digits(round(v*scale)/scale, 3)
	}
	low := inwards(lo/per, func(v float64) float64 { return math.Ceil(v - 1e-9) })
	high := inwards(hi/per, func(v float64) float64 { return math.Floor(v + 1e-9) })
	return strings.TrimSpace(fmt.Sprintf("Give %s to %s %s", low, high, strings.Trim(name, ":1"))) + "."
}

// read is what somebody typed as a figure in SI.
func (q quantity) read(u survey.Units, typed string) (float64, error) {
	_, per := q.unit(u)
	v, err := survey.ParseTyped(typed)
	return v * per, err
}

// cell is one thing in the policy that can be changed.
type cell struct {
	Key      string // under its line or row
	Label    string
	quantity quantity
	optional bool
	choices  []string // "" among them is none
}

// line is a figure of the policy with its source beside it.
type line struct {
	Path  string // JSON Pointer
	Label string
	quantity
}

// sheaf is some lines that belong together.
type sheaf struct {
	Title string
	Note  string
	Lines []line
}

// sheaves are the lines of the policy that are not tables, in the order people
// look for them.
var sheaves = []sheaf{
	{"Required ratio", "Holding power over the force on the anchor.", []line{
		{"/required_ratio", "Required ratio", ratio},
		{"/floor_ratio", "Below this the verdict is no", ratio},
		{"/doubt_factor", "Figures further apart than this many times are a doubt", number},
	}},
	{"Belay and sharing rigs", "", []line{
		{"/separation_m", "Least distance between main and belay anchors", length},
		{"/sharing_rigs", "Most equal rigs that may share one load", number},
		{"/sharing_angle_deg", "Widest angle between the outer legs", degrees},
		{"/sharing_spacing_m", "Distance between rigs that share", short},
	}},
	{"Direction and edge", "", []line{
		{"/sector_deg", "Working sector, to either side of the pull", degrees},
		{"/bearing_doubt_deg", "Bearings further apart than this are a doubt", degrees},
		{"/setback_m", "Least distance from a stake to the crest", length},
		{"/setback_embedments", "And at least this many depths of the stake", number},
		{"/front_slope_deg", "Steepest ground in front of a stake", degrees},
	}},
	{"Utilities", "", []line{
		{"/utility_tolerance_m", "Tolerance each side of a buried line", short},
		{"/utility_files_doubt_m", "Lines on file nearer than this are named", length},
	}},
	{"Freshness", "", []line{
		{"/resurvey_months", "A survey stands for", months},
		{"/layer_months", "Data of a layer stand for", months},
		{"/position_accuracy_m", "A position must be known within", length},
	}},
	{"Hauling", "", []line{
		{"/haul_per_person_n", "Sustained pull of one person", holding},
		{"/pulley_efficiency", "Efficiency of a pulley", number},
	}},
	{"The stake (picket)", "The steel bar and how it is set.", []line{
		{"/stake/length_m", "Length", short},
		{"/stake/diameter_mm", "Diameter", bar},
		{"/stake/embedment_m", "In the ground, along the bar", short},
		{"/stake/yield_mpa", "Yield strength of the steel", strength},
		{"/stake/rope_height_m", "Rope above ground", short},
		{"/stake/lash_height_m", "Front lashing above ground", short},
		{"/stake/spacing_m", "From row to row", short},
		{"/stake/lean_deg", "Lean away from the pull", degrees},
		{"/stake/lash_slack_m", "Slack in a lashing", short},
		{"/stake/lash_kn_per_m", "Stiffness of a lashing", springs},
		{"/stake/lash_turns", "Turns of a lashing", number},
		{"/stake/lash_knots_m", "Webbing in hitches and tails", short},
		{"/stake/webbing_piece_m", "A piece of webbing", length},
	}},
	{"Kit carried", "", []line{
		{"/kit/stakes", "Stakes", number},
		{"/kit/drivers", "Drivers", number},
		{"/kit/webbing_pieces", "Pieces of webbing", number},
		{"/kit/rope_m", "Longest single rope", length},
		{"/kit/people", "People", number},
	}},
	{"Time and people", "", []line{
		{"/effort/minutes_per_stake", "To drive a stake", minutes},
		{"/effort/minutes_per_lashing", "To tie a lashing", minutes},
		{"/effort/minutes_set_up", "To set up", minutes},
		{"/effort/minutes_per_sharing_rig", "To lead in a further sharing rig", minutes},
		{"/effort/minutes_natural_anchor", "For a tree or another anchor found", minutes},
		{"/effort/people_per_driver", "People to a driver", number},
	}},
}

// table is a list in the policy.
type table struct {
	Path  string
	Title string
	Note  string
	One   string // what a row is
	Row   []cell
}

var tables = []table{
	{"/ratings", "Rating table", "What a rig is taken to hold in firm, undisturbed loam, before the ground factor.", "rig", []cell{
		{Key: "rig", Label: "Rig"},
		{Key: "holding_n", Label: "Holds", quantity: holding},
		{Key: "source", Label: "Source"},
		{Key: "confidence", Label: "Confidence", optional: true},
		{Key: "high_n", Label: "Also quoted, not used", quantity: holding, optional: true},
		{Key: "high_source", Label: "Its source", optional: true},
	}},
	{"/ground_factors", "Ground factors", "The share of its rating that a rig is credited in each ground. No factor: stakes are not used there.", "ground", []cell{
		{Key: "ground", Label: "Ground", choices: []string{string(survey.FactorA), string(survey.FactorB), string(survey.FactorCCohesive), string(survey.FactorSand)}},
		{Key: "factor", Label: "Factor", quantity: number, optional: true},
		{Key: "source", Label: "Source"},
		{Key: "kinder", Label: "Kinder one published, not used", quantity: number, optional: true},
		{Key: "kinder_source", Label: "Its source", optional: true},
	}},
	{"/load_cases", "Load cases", "The first is the usual load, by which points are judged.", "load case", []cell{
		{Key: "id", Label: "Short name"},
		{Key: "title", Label: "In words"},
		{Key: "load_n", Label: "Load", quantity: load},
		{Key: "source", Label: "Source"},
		{Key: "basis", Label: "Force that counts", choices: []string{string(survey.BasisGreater), string(survey.BasisHanging), string(survey.BasisRaising)}},
		{Key: "friction", Label: "Ground friction credited", quantity: number},
		{Key: "rope_angle_deg", Label: "Rope above the ground", quantity: degrees},
		{Key: "haul", Label: "Haul system", optional: true, choices: hauls()},
		{Key: "redirect_deg", Label: "Angle of a redirect", quantity: degrees, optional: true},
		{Key: "edge_efficiency", Label: "Efficiency of the edge", quantity: number, optional: true},
	}},
	{"/keep", "How long things are kept", "What is not listed is kept for ever, and so is every version of sites, points and policies. What is listed goes when somebody runs holdfast prune.", "line", []cell{
		{Key: "of", Label: "What", choices: wordsOf(survey.KeptKinds)},
		{Key: "months", Label: "Kept for", quantity: months},
		{Key: "source", Label: "Source"},
	}},
}

func hauls() []string {
	out := []string{""}
	for _, h := range survey.Hauls {
		out = append(out, h, h+" cd")
	}
	return out
}

// document is a policy as its JSON has it, so that a form can change one figure
// and leave the digits of every other alone.
type document map[string]any

func parseDocument(raw []byte) (document, error) {
	var d document
	dec := json.NewDecoder(strings.NewReader(string(raw)))
	dec.UseNumber()
	err := dec.Decode(&d)
	return d, err
}

func documentOf(p survey.Policy) (document, error) {
	raw, err := json.Marshal(p)
	if err != nil {
		return nil, err
	}
	return parseDocument(raw)
}

// holder is the object at a pointer of at most two names; nil when there is none.
func (d document) holder(path string) map[string]any {
	at := map[string]any(d)
	for name := range strings.SplitSeq(strings.TrimPrefix(path, "/"), "/") {
		at, _ = at[name].(map[string]any)
	}
	return at
}

// rows is the list at a name.
func (d document) rows(path string) []map[string]any {
	list, _ := d[strings.TrimPrefix(path, "/")].([]any)
	out := make([]map[string]any, 0, len(list))
	for _, v := range list {
		if row, ok := v.(map[string]any); ok {
			out = append(out, row)
		}
	}
	return out
}

// typed is the value of a key as a form shows it; "" when it has none.
func typed(in map[string]any, key string, q quantity, u survey.Units) string {
	switch v := in[key].(type) {
	case string:
		return v
	case json.Number:
		if f, err := v.Float64(); err == nil {
			return q.write(u, f)
		}
	}
	return ""
}

// spoken is the value of a key as a page says it.
func spoken(in map[string]any, key string, q quantity, u survey.Units) string {
	return worded(in, key, q, u, func(v float64) string { return q.say(u, v) })
}

func worded(in map[string]any, key string, q quantity, u survey.Units, say func(float64) string) string {
	if v, ok := in[key].(json.Number); ok {
		if f, err := v.Float64(); err == nil {
			return say(f)
		}
	}
	return typed(in, key, q, u)
}
