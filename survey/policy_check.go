package survey

import (
	"fmt"
	"math"
	"reflect"
	"slices"
)

// Hauls lists the haul systems a load case may name, each also with " cd" for
// a change of direction at a pulley of its own.
var Hauls = []string{"1:1", "2:1", "3:1", "4:1", "5:1", "6:1", "9:1"}

// Validate requires every line to be sourced and within reason. A policy that
// passes gives an answer for every valid point.
func (p Policy) Validate() error {
	var c checker
	if p.Version == "" {
		c.add("/version", "is missing")
	}
	oneOf(&c, "/units", p.Units, []Units{UnitsUS, UnitsSI})
	c.lines("", reflect.ValueOf(p))
	c.number("/required_ratio", p.RequiredRatio.Value, 1, 100)
	c.number("/floor_ratio", p.FloorRatio.Value, 1, p.RequiredRatio.Value)
	c.number("/doubt_factor", p.DoubtFactor.Value, 1, 10)
	c.number("/sector_deg", p.SectorDeg.Value, 0, 45)
	c.number("/bearing_doubt_deg", p.BearingDoubtDeg.Value, 0, 180)
	c.number("/setback_m", float64(p.SetbackM.Value), 0, 100)
	c.number("/setback_embedments", p.SetbackEmbedments.Value, 0, 20)
	c.number("/front_slope_deg", p.FrontSlopeDeg.Value, 0, 40) // the mechanics end at 40°
	c.number("/separation_m", float64(p.SeparationM.Value), 0, 100)
	c.number("/utility_tolerance_m", float64(p.UtilityToleranceM.Value), 0, 20)
	c.number("/utility_files_doubt_m", float64(p.UtilityFilesDoubtM.Value), 0, 150)
	c.number("/position_accuracy_m", float64(p.PositionAccuracyM.Value), 0, 1000)
	c.number("/resurvey_months", p.ResurveyMonths.Value, 0, 1200)
	c.number("/layer_months", p.LayerMonths.Value, 0, 1200)
	c.number("/sharing_rigs", p.SharingRigs.Value, 1, 4)
	c.number("/sharing_angle_deg", p.SharingAngleDeg.Value, 1, 120) // beyond it a leg carries more than the load
	c.number("/sharing_spacing_m", float64(p.SharingSpacingM.Value), 0, 20)
	c.number("/pulley_efficiency", p.PulleyEfficiency.Value, 0.1, 1)
	c.number("/haul_per_person_n", p.HaulPerPersonN.Value, 10, 1000)
	p.Stake.check(&c)
	p.Kit.check(&c)
	p.Effort.check(&c)
	p.checkTables(&c)
	p.checkKeep(&c)
	return c.err()
}

// number requires the value of a line to be within lo..hi.
func (c *checker) number(line string, v, lo, hi float64) {
	within(c, line+"/value", Known(v), lo, hi, "")
}

func (s Stake) check(c *checker) {
	stickOut := float64(s.LengthM.Value-s.EmbedmentM.Value) + 1e-9 // a height equal to it may differ in the last digit
	c.number("/stake/length_m", float64(s.LengthM.Value), 0.3, 5)
	c.number("/stake/diameter_mm", s.DiameterMM.Value, 5, 300)
	c.number("/stake/embedment_m", float64(s.EmbedmentM.Value), 0.1, float64(s.LengthM.Value))
	c.number("/stake/yield_mpa", s.YieldMPa.Value, 100, 2000)
	c.number("/stake/rope_height_m", float64(s.RopeHeightM.Value), 0, stickOut)
	c.number("/stake/lash_height_m", float64(s.LashHeightM.Value), float64(s.RopeHeightM.Value), min(stickOut, float64(s.SpacingM.Value)))
	c.number("/stake/spacing_m", float64(s.SpacingM.Value), 0.9, 1.85) // 3 to 6 ft, NAVEDTRA 14251
	c.number("/stake/lean_deg", s.LeanDeg.Value, 0, 45)
	c.number("/stake/lash_slack_m", float64(s.LashSlackM.Value), 0, 0.2)
	c.number("/stake/lash_kn_per_m", s.LashKNPerM.Value, 1, 1e5)
	c.number("/stake/lash_turns", s.LashTurns.Value, 1, 20)
	c.number("/stake/lash_knots_m", float64(s.LashKnotsM.Value), 0, 10)
	c.number("/stake/webbing_piece_m", float64(s.WebbingPiece.Value), 1, 1000)
}

func (k Kit) check(c *checker) {
	c.number("/kit/stakes", k.Stakes.Value, 0, 10000)
	c.number("/kit/drivers", k.Drivers.Value, 0, 1000)
	c.number("/kit/webbing_pieces", k.WebbingPieces.Value, 0, 10000)
	c.number("/kit/rope_m", float64(k.RopeM.Value), 0, 10000)
	c.number("/kit/people", k.People.Value, 0, 1000)
}

func (e Effort) check(c *checker) {
	c.number("/effort/minutes_per_stake", e.MinutesPerStake.Value, 0, 600)
	c.number("/effort/minutes_per_lashing", e.MinutesPerLash.Value, 0, 600)
	c.number("/effort/minutes_set_up", e.MinutesSetUp.Value, 0, 600)
	c.number("/effort/minutes_per_sharing_rig", e.MinutesSharing.Value, 0, 600)
	c.number("/effort/minutes_natural_anchor", e.MinutesTree.Value, 0, 600)
	c.number("/effort/people_per_driver", e.PeoplePerDriver.Value, 1, 10)
}

// checkTables looks over the ratings, ground factors and load cases.
func (p Policy) checkTables(c *checker) {
	seen := make(map[string]bool)
	once := func(ptr, kind, key string) {
		if seen[kind+key] {
			c.add(ptr, "%q is listed twice", key)
		}
		seen[kind+key] = true
	}
	for i, r := range p.Ratings {
		ptr := fmt.Sprintf("/ratings/%d", i)
		within(c, ptr+"/holding_n", Known(r.HoldingN), 1, 1e6, "N")
		within(c, ptr+"/high_n", r.HighN, r.HoldingN, 1e6, "N")
		if _, err := ParsePattern(r.Rig); err != nil {
			c.add(ptr+"/rig", "%s", err)
		}
		once(ptr+"/rig", "rig ", r.Rig)
	}
	for i, f := range p.GroundFactors {
		ptr := fmt.Sprintf("/ground_factors/%d", i)
		oneOf(c, ptr+"/ground", f.Ground, []GroundKey{FactorA, FactorB, FactorCCohesive, FactorSand})
		within(c, ptr+"/factor", f.Factor, 0, 1, "")
		within(c, ptr+"/kinder", f.Kinder, 0, 1, "")
		once(ptr+"/ground", "ground ", string(f.Ground))
	}
	for i, l := range p.LoadCases {
		ptr := fmt.Sprintf("/load_cases/%d", i)
		l.check(c, ptr)
		once(ptr+"/id", "load ", l.ID)
	}
	if len(p.LoadCases) == 0 {
		c.add("/load_cases", "is empty: at least one load case is needed")
	}
	if len(p.Ratings) > 20 || len(p.LoadCases) > 50 {
		c.add("", "holds %d ratings and %d load cases; at most 20 and 50 fit", len(p.Ratings), len(p.LoadCases))
	}
}

func (l LoadCase) check(c *checker, ptr string) {
	if l.ID == "" {
		c.add(ptr+"/id", "is missing")
	}
	within(c, ptr+"/load_n", Known(l.LoadN), 10, 1e6, "N")
	within(c, ptr+"/friction", Known(l.Friction), 0, 2, "")
	within(c, ptr+"/rope_angle_deg", Known(l.RopeAngleDeg), 0, 80, "degrees above the ground") // a steeper rope draws the stakes out
	within(c, ptr+"/redirect_deg", l.RedirectDeg, 0, 180, "degrees")
	within(c, ptr+"/edge_efficiency", l.EdgeEfficiency, 0.05, 1, "")
	oneOf(c, ptr+"/basis", l.Basis, []LoadBasis{BasisGreater, BasisHanging, BasisRaising})
	if known := haulsWritten(); l.Haul != "" && !slices.Contains(known, l.Haul) {
		c.add(ptr+"/haul", "%q is not one of: %v", l.Haul, known)
	}
}

// haulsWritten lists every way a haul system may be written.
func haulsWritten() []string {
	out := slices.Clone(Hauls)
	for _, h := range Hauls {
		out = append(out, h+" cd")
	}
	return out
}

// lines requires a source on every line and a finite number in it.
func (c *checker) lines(ptr string, v reflect.Value) {
	switch v.Kind() {
	case reflect.Slice:
		for i := range v.Len() {
			c.lines(fmt.Sprintf("%s/%d", ptr, i), v.Index(i))
		}
	case reflect.Struct:
		keys := keysOf(v.Type())
		for _, k := range sortedKeys(keys) {
			f := v.Field(keys[k])
			if k == "source" && f.String() == "" {
				c.add(ptr+"/source", "is empty: name where the figure comes from, or write department")
			}
			if f.Kind() == reflect.Float64 && (math.IsNaN(f.Float()) || math.IsInf(f.Float(), 0)) {
				c.add(ptr+"/"+k, "is not a finite number")
			}
			c.lines(ptr+"/"+k, f)
		}
	}
}
