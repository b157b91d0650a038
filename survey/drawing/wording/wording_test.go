package wording_test

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// Expected conversions: 1 lbf = 4.4482216152605 N, 1 ft = 0.3048 m, 1 in =
// 25.4 mm, exact by definition (NIST SP 811, appendix B.8).
func TestForceRoundsToTheSafeSide(t *testing.T) {
	lb := func(v float64) survey.Force { return survey.Force(v * 4.4482216152605) }
	tests := map[string]struct {
		f            survey.Force
		hold, demand string
	}{
		"handbook 3-2-1":        {lb(4000), "4,000 lbf (17.7 kN)", "4,000 lbf (17.8 kN)"}, // 17.7929 kN
		"handbook 1-1-1":        {lb(1800), "1,800 lbf (8 kN)", "1,800 lbf (8.1 kN)"},     // 8.0068 kN
		"just short of 6,000":   {lb(5999), "5,900 lbf (26 kN)", "6,000 lbf (27 kN)"},     // 26.684 kN
		"two-person load":       {lb(600), "600 lbf (2.6 kN)", "600 lbf (2.7 kN)"},        // 2.6689 kN
		"nothing":               {0, "0 lbf (0 kN)", "0 lbf (0 kN)"},
		"a number that is none": {survey.Force(math.NaN()), "unknown", "unknown"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, tt.hold, wording.Force(survey.UnitsUS, tt.f))
			assert.Equal(t, tt.demand, wording.Demand(survey.UnitsUS, tt.f))
		})
	}
	assert.Equal(t, "17.7 kN", wording.Force(survey.UnitsSI, lb(4000)))
}

func TestLength(t *testing.T) {
	for _, tt := range []struct {
		m    geo.Length
		want string
	}{
		{0.006, "0.2 in (6 mm)"}, // 0.236 in
		{0.1397, "5.5 in (0.14 m)"},
		{0.0508, "2 in (51 mm)"},
		{0.3048, "1 ft (0.30 m)"},
		{1.2192, "4 ft (1.22 m)"},
		{2, "6 ft 7 in (2.00 m)"},       // 78.74 in
		{6.096, "20 ft (6.10 m)"},       // 240 in
		{9.118, "29 ft 11 in (9.12 m)"}, // 358.98 in: the last that is read off a tape
		{9.144, "30 ft (9.14 m)"},       // 360 in
		{9.97, "33 ft (9.97 m)"},        // 32.71 ft
		{9.996, "33 ft (10.0 m)"},
		{-1.2192, "-4 ft (1.22 m)"},
		{400, "1,312 ft (400 m)"},  // 1312.34 ft
		{60.96, "200 ft (61.0 m)"}, // 200 ft
		{1609.344, "1 mi (1.61 km)"},
		{0, "0 in (0 mm)"},
		{geo.Length(math.Inf(1)), "unknown"},
	} {
		assert.Equal(t, tt.want, wording.Length(survey.UnitsUS, tt.m))
	}
	assert.Equal(t, "1.22 m", wording.Length(survey.UnitsSI, 1.2192))
	assert.Equal(t, "7.9 ft (2.40 m)", wording.Stage(survey.UnitsUS, 2.4), "a gauge shows decimals") // 7.874 ft
	assert.Equal(t, "2.40 m", wording.Stage(survey.UnitsSI, 2.4))
	assert.Equal(t, "1.50 tsf (144 kPa)", wording.Strength(survey.UnitsUS, 143.64*survey.Kilopascal)) // 1 tsf = 95.76 kPa
}

// What is needed is never written as less than it is: 2.401 m is 7 ft 10.53 in.
func TestNeedIsNeverRoundedDown(t *testing.T) {
	assert.Equal(t, "7 ft 11 in (2.41 m)", wording.Need(survey.UnitsUS, 2.401))
	assert.Equal(t, "7 ft 11 in (2.40 m)", wording.Length(survey.UnitsUS, 2.401))
	assert.Equal(t, "10 ft (3.05 m)", wording.Need(survey.UnitsUS, 10*geo.Foot))
	assert.Equal(t, "198 ft (60.1 m)", wording.Need(survey.UnitsUS, 60.05)) // 197.01 ft
	assert.Equal(t, "30.0 m", wording.Need(survey.UnitsSI, 30))
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.Float64Range(0, 900).Draw(t, "m")
		n, unit, ok := strings.Cut(wording.Need(survey.UnitsSI, geo.Length(m)), " ")
		require.True(t, ok)
		v, err := strconv.ParseFloat(n, 64)
		require.NoError(t, err)
		if unit == "mm" {
			v /= 1000
		}
		assert.GreaterOrEqual(t, v, m*(1-1e-9)-1e-9)
	})
}

func TestRatioIsNeverRoundedUp(t *testing.T) {
	assert.Equal(t, "9.9:1", wording.Ratio(9.96), "9.96 does not reach 10")
	assert.Equal(t, "13:1", wording.Ratio(13.33))
	assert.Equal(t, "3:1", wording.Ratio(3-1e-13), "binary noise is not a shortfall")
	assert.Equal(t, "0.5:1", wording.Ratio(0.5))
	assert.Equal(t, "unknown", wording.Ratio(math.NaN()))
}

func TestDownNeverExceeds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(1e-3, 1e9).Draw(t, "v")
		n := rapid.IntRange(1, 4).Draw(t, "digits")
		d := wording.Down(v, n)
		assert.LessOrEqual(t, d, v*(1+1e-8))
		assert.Greater(t, d, v*(1-math.Pow(10, float64(1-n))), "no more than one step is lost")
	})
}

func TestDirectionsAndDates(t *testing.T) {
	assert.Equal(t, "041°", wording.Bearing(41.2))
	assert.Equal(t, "000°", wording.Bearing(359.7))
	assert.Equal(t, "359°", wording.Bearing(-1))
	assert.Equal(t, "7.1° west", wording.Declination(-7.12))
	assert.Equal(t, "0.0°", wording.Declination(-0.04))
	assert.Equal(t, "15°", wording.Angle(15))
	assert.Equal(t, "4 May 2026 08:05 UTC", wording.Moment(time.Date(2026, 5, 4, 8, 5, 0, 0, time.UTC)))
	assert.Equal(t, "1 in (25 mm)", wording.Thickness(survey.UnitsUS, 25.4))
	assert.Equal(t, "18 in (460 mm)", wording.Thickness(survey.UnitsUS, 460)) // 18.11 in
	assert.Equal(t, "1 stake", wording.Count(1, "stake", "stakes"))
	assert.Equal(t, "12 stakes", wording.Count(12, "stake", "stakes"))
}

func TestWhatIsNotKnownSaysSo(t *testing.T) {
	write := func(v float64) string { return "0" }
	assert.Equal(t, "not recorded", wording.Opt(survey.Opt[float64]{}, write))
	assert.Equal(t, "0", wording.Opt(survey.Known(0.0), write))
	assert.Equal(t, "not recorded", wording.Or(" \n"))
	assert.Equal(t, "tested here", wording.Grade(survey.TestedHere))
	for _, e := range survey.Evidences[1:] {
		assert.Contains(t, wording.Grade(e), "estimate")
	}
	assert.Equal(t, "evidence not recorded", wording.Grade(""))
}

// TestRatioAsDown holds the short way of writing a ratio to the rule: rounded
// down to two digits.
func TestRatioAsDown(t *testing.T) {
	for i := range 100_000 {
		r := 0.9 + float64(i)*0.0011
		want := strconv.FormatFloat(wording.Down(r, 2), 'f', 4, 64)
		want = strings.TrimRight(strings.TrimRight(want, "0"), ".") + ":1"
		require.Equal(t, want, wording.Ratio(r), "%v", r)
	}
	for _, r := range []float64{1, 2, 3.3, 9.9, 9.99999999999, 10, 13, 98.999999, 99} {
		want := strconv.FormatFloat(wording.Down(r, 2), 'g', 3, 64) + ":1"
		require.Equal(t, want, wording.Ratio(r), "%v", r)
	}
}
