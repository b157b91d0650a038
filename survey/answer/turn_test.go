package answer_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
)

// Turning the whole site about the point turns the layout and nothing else.
func TestTurningTheSite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyInput(t)
		at := in.Point.Position
		at[1] = min(max(at[1], -80), 80) // a compass turns with the site nowhere, and least of all at a pole
		in.Point.Position = at
		in.Point.Pull.North = survey.TrueNorth
		features, roles := anyFeatures(t), anyRoles(t)
		turn := number(t, "turn", -180, 180)
		in.Around = read(t, at, features, 0, roles)
		a := mustAnswer(t, in)

		turned := in
		turned.Around = read(t, at, features, turn, roles)
		p := &turned.Point
		if d, ok := p.Pull.BearingDeg.Get(); ok {
			p.Pull.BearingDeg = survey.Known(geo.NewBearing(d + turn).Degrees())
		}
		turnBearing := func(o survey.Opt[geo.Bearing]) survey.Opt[geo.Bearing] {
			if b, ok := o.Get(); ok {
				return survey.Known(b.Turn(geo.Degrees(turn)))
			}
			return o
		}
		p.Terrain.FallLineDeg = turnBearing(p.Terrain.FallLineDeg)
		turned.Toward = turnBearing(in.Toward)
		p.Anchors, p.PullTests = slices.Clone(p.Anchors), slices.Clone(p.PullTests)
		for i := range p.Anchors {
			p.Anchors[i].BearingDeg = turnBearing(p.Anchors[i].BearingDeg)
		}
		for i := range p.PullTests {
			p.PullTests[i].BearingDeg = turnBearing(p.PullTests[i].BearingDeg)
		}
		b := mustAnswer(t, turned)

		assert.Equal(t, a.Verdict, b.Verdict)
		require.Len(t, b.Options, len(a.Options))
		for i := range a.Options {
			x, y := a.Options[i], b.Options[i]
			assert.Equal(t, x.Verdict, y.Verdict)
			assert.Equal(t, x.GoverningRatio, y.GoverningRatio)
			assert.Equal(t, [3]int{x.Kit.Stakes, x.Kit.Drivers, x.Kit.WebbingPieces}, [3]int{y.Kit.Stakes, y.Kit.Drivers, y.Kit.WebbingPieces})
			assert.Equal(t, len(x.Main.Checks), len(y.Main.Checks))
			for k := range x.Main.Checks {
				cx, cy := x.Main.Checks[k], y.Main.Checks[k]
				assert.Equal(t, [2]bool{cx.Ran, cx.Passed}, [2]bool{cy.Ran, cy.Passed}, "%s: %s | %s", cx.Title, cx.Message, cy.Message)
			}
			if x.Main.Layout == nil {
				continue
			}
			for k := range x.Main.Layout.Stakes {
				sx, sy := x.Main.Layout.Stakes[k], y.Main.Layout.Stakes[k]
				assert.InDelta(t, float64(sx.MarkDistanceM), float64(sy.MarkDistanceM), 1e-6)
				if bx, ok := sx.MarkBearingDeg.Get(); ok && sx.MarkDistanceM > 0.1 {
					by, _ := sy.MarkBearingDeg.Get()
					assert.InDelta(t, 0, bx.Turn(geo.Degrees(turn)).Off(by).Degrees(), 1e-3)
				}
			}
		}
	})
}
