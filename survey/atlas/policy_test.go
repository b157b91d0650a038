package atlas_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/geo/magnetic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

// The what-if turns compass bearings by the atlas's own magnetic model, under
// both policies: with one that has no field, no compass bearing can be trusted
// and nothing is known of the point.
func TestWhatIfUsesTheAtlasModel(t *testing.T) {
	ctx := context.Background()
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	store, err := sqlite.Open(ctx, filepath.Join(t.TempDir(), "a.db"), sqlite.Options{Create: true, Policy: p})
	require.NoError(t, err)
	t.Cleanup(func() { store.Close() })
	now := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
	site := survey.Site{ID: "s", Name: "Bend", Code: "S-1", Geometry: orb.Point{-91.2, 44.65}}
	point := survey.Point{
		ID: "p", Site: "s", Label: "P1", Position: orb.Point{-91.2, 44.65}, SurveyedAt: survey.Known(now.AddDate(0, -1, 0)), SurveyedBy: "crew",
		Ground: survey.Ground{
			Texture: survey.ClayLoam, Moisture: survey.Moist, Disturbed: survey.No, Fissured: survey.No, Seeping: survey.No, Vibration: survey.No, LayersDip: survey.No,
			Tests: []survey.GroundTest{{Kind: survey.PocketPenetrometer, Reading: survey.Num(1.75), Unit: "tsf"}, {Kind: survey.Visual, Reading: survey.Word("clumps")}},
		},
		Terrain:         survey.Terrain{SlopeDeg: survey.Known(35.), SetbackM: survey.Known(geo.Length(4))},
		Pull:            survey.Pull{BearingDeg: survey.Known(214.), North: survey.MagneticNorth, Source: survey.PullMeasured},
		BuriedUtilities: survey.BuriedUtilities{State: survey.BuriedClear, Until: survey.Known(now.AddDate(0, 1, 0))},
		Overhead:        survey.Overhead{State: survey.OverheadNone},
	}
	require.NoError(t, store.ImportAll(ctx, []survey.Site{site}, []survey.Point{point}, sqlite.Author{Who: "test"}))

	a := atlas.Atlas{Store: store, Now: func() time.Time { return now }}
	with, err := a.WhatIf(ctx, p, nil)
	require.NoError(t, err)
	require.Zero(t, with.Before[answer.Unknown], "the bearing is known: %v", with.Before)
	a.Magnetic = fieldless(t)
	without, err := a.WhatIf(ctx, p, nil)
	require.NoError(t, err)
	require.Equal(t, map[answer.Verdict]int{answer.Unknown: 1}, without.Before)
	require.Equal(t, map[answer.Verdict]int{answer.Unknown: 1}, without.After)
}

// fieldless is the World Magnetic Model with every coefficient 0.
func fieldless(t *testing.T) *magnetic.Model {
	raw, err := os.ReadFile("../../geo/magnetic/WMM2025.COF")
	require.NoError(t, err)
	var out strings.Builder
	lines := bufio.NewScanner(bytes.NewReader(raw))
	for lines.Scan() {
		if f := strings.Fields(lines.Text()); len(f) == 6 {
			fmt.Fprintf(&out, "%s %s 0 0 0 0\n", f[0], f[1])
		} else {
			fmt.Fprintln(&out, lines.Text())
		}
	}
	m, err := magnetic.Parse(strings.NewReader(out.String()))
	require.NoError(t, err)
	return m
}
