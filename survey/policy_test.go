package survey_test

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/survey"
)

func defaultPolicy(t *testing.T) survey.Policy {
	t.Helper()
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	return p
}

func TestPolicyLimits(t *testing.T) {
	for name, change := range map[string]func(*survey.Policy){
		"ratio below 1":               func(p *survey.Policy) { p.RequiredRatio.Value = 0.9 },
		"floor above the ratio":       func(p *survey.Policy) { p.FloorRatio.Value = 11 },
		"rows closer than 3 ft":       func(p *survey.Policy) { p.Stake.SpacingM.Value = 0.8 }, // NAVEDTRA 14251: 3 to 6 ft
		"rows further than 6 ft":      func(p *survey.Policy) { p.Stake.SpacingM.Value = 2 },
		"legs wider than 120°":        func(p *survey.Policy) { p.SharingAngleDeg.Value = 121 },
		"ground steeper than 40°":     func(p *survey.Policy) { p.FrontSlopeDeg.Value = 41 },
		"rope above the head":         func(p *survey.Policy) { p.Stake.RopeHeightM.Value = 0.4 },
		"lashing below the rope":      func(p *survey.Policy) { p.Stake.LashHeightM.Value = 0.01 },
		"webbing of no length":        func(p *survey.Policy) { p.Stake.WebbingPiece.Value = 0 },
		"a rope that draws stakes up": func(p *survey.Policy) { p.LoadCases[0].RopeAngleDeg = 85 },
		"no such haul system":         func(p *survey.Policy) { p.LoadCases[0].Haul = "7:1" },
		"a load of nothing":           func(p *survey.Policy) { p.LoadCases[0].LoadN = 0 },
		"a rig rated twice":           func(p *survey.Policy) { p.Ratings[1].Rig = "1" },
		"a factor above 1":            func(p *survey.Policy) { p.GroundFactors[0].Factor = survey.Known(1.1) },
		"no load case":                func(p *survey.Policy) { p.LoadCases = nil },
		"less than no stakes":         func(p *survey.Policy) { p.Kit.Stakes.Value = -1 },
	} {
		p := defaultPolicy(t)
		p.Ratings, p.LoadCases, p.GroundFactors = append([]survey.Rating{}, p.Ratings...), append([]survey.LoadCase{}, p.LoadCases...), append([]survey.GroundFactor{}, p.GroundFactors...)
		change(&p)
		assert.ErrorIs(t, p.Validate(), survey.ErrInvalid, name)
	}
}

// Every number of the default policy has bounds: one so great that no
// department means it is refused wherever it stands.
func TestEveryPolicyNumberIsBounded(t *testing.T) {
	var doc map[string]any
	require.NoError(t, json.Unmarshal(data.DefaultPolicy, &doc))
	n := 0
	var walk func(ptr string, v any)
	walk = func(ptr string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, x := range v {
				if _, ok := x.(float64); !ok {
					walk(ptr+"/"+k, x)
					continue
				}
				n++
				was := v[k]
				v[k] = math.MaxFloat64
				raw, err := json.Marshal(doc)
				require.NoError(t, err)
				_, err = survey.ParsePolicy(raw)
				if assert.ErrorIs(t, err, survey.ErrInvalid, ptr+"/"+k) {
					assert.ErrorContains(t, err, strings.TrimSuffix(ptr, "/value"))
				}
				v[k] = was
			}
		case []any:
			for i, x := range v {
				walk(fmt.Sprintf("%s/%d", ptr, i), x)
			}
		}
	}
	walk("", doc)
	assert.Greater(t, n, 50)
}

// A policy without one of its lines is refused, never read as zero.
func TestPolicyMissesNoLine(t *testing.T) {
	var doc map[string]any
	require.NoError(t, json.Unmarshal(data.DefaultPolicy, &doc))
	for k, v := range doc {
		if reflect.TypeOf(v).Kind() != reflect.Map {
			continue
		}
		less := map[string]any{}
		for kk, vv := range doc {
			if kk != k {
				less[kk] = vv
			}
		}
		raw, err := json.Marshal(less)
		require.NoError(t, err)
		_, err = survey.ParsePolicy(raw)
		assert.ErrorIs(t, err, survey.ErrInvalid, k)
	}
}

func TestDeadmanMeasures(t *testing.T) {
	p := survey.Point{Site: "s", Label: "P1", Anchors: []survey.Anchor{{ID: "D1", Kind: survey.KindDeadman, DepthM: survey.Known(geo.Length(1.5)), LengthM: survey.Known(geo.Length(2.0))}}}
	assert.NoError(t, p.Validate())
	p.Anchors[0].Kind = survey.KindTree
	assert.ErrorIs(t, p.Validate(), survey.ErrInvalid, "a tree has no depth")
	p.Anchors[0].Kind = survey.KindDeadman
	p.Anchors[0].DepthM = survey.Known(geo.Length(11))
	assert.ErrorIs(t, p.Validate(), survey.ErrInvalid)
}
