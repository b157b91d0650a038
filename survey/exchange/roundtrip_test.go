package exchange_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"iter"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/exchange"
)

var formats = []exchange.Format{exchange.GeoJSON, exchange.TextSequence, exchange.CSV}

// text draws what people write: accents, quotes, commas, line feeds. Blanks at
// the ends of a cell and carriage returns do not survive CSV.
func text(least int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		s := rapid.StringOfN(rapid.RuneFrom([]rune("abzÄß东🪢 ,;\t\"'=+-[{}]|\\/\n0179.")), least+2, 12, -1).Draw(t, "text")
		s = strings.TrimSpace(s)
		if len(s) < least {
			s = "x"
		}
		return s
	})
}

func opt[T any](t *rapid.T, name string, g *rapid.Generator[T]) survey.Opt[T] {
	if !rapid.Bool().Draw(t, name+" known") {
		return survey.Opt[T]{}
	}
	return survey.Known(g.Draw(t, name))
}

func lengths(lo, hi float64) *rapid.Generator[geo.Length] {
	return rapid.Map(rapid.Float64Range(lo, hi), func(v float64) geo.Length { return geo.Length(v) })
}

func times() *rapid.Generator[time.Time] {
	return rapid.Map(rapid.Int64Range(0, 4e18), func(ns int64) time.Time { return time.Unix(0, ns).UTC() })
}

func positions() *rapid.Generator[orb.Point] {
	return rapid.Custom(func(t *rapid.T) orb.Point {
		return orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-90, 90).Draw(t, "lat")}
	})
}

func anyOf[T any](t *rapid.T, name string, values ...T) T {
	return rapid.SampledFrom(values).Draw(t, name)
}

func drawPoint(t *rapid.T) survey.Point {
	p := survey.Point{
		ID:         text(0).Draw(t, "id"),
		Position:   positions().Draw(t, "position"),
		ElevationM: opt(t, "elevation", lengths(-400, 9000)),
		Site:       text(1).Draw(t, "site"),
		Label:      text(1).Draw(t, "label"),
		SurveyedAt: survey.Known(times().Draw(t, "at")),
		SurveyedBy: text(0).Draw(t, "by"),
		Fix:        survey.Fix{Source: anyOf(t, "fix", append(survey.FixSources, "")...), AccuracyM: opt(t, "accuracy", lengths(0, 100))},
		Ground: survey.Ground{
			Class:     anyOf(t, "class", append(survey.GroundClasses, "")...),
			Texture:   anyOf(t, "texture", append(survey.Textures, "")...),
			Disturbed: anyOf(t, "disturbed", survey.Yes, survey.No, survey.AnswerUnknown, ""),
			LayersDip: anyOf(t, "dip", survey.Yes, survey.No, survey.AnswerUnknown, ""),
		},
		Terrain: survey.Terrain{SlopeDeg: opt(t, "slope", rapid.Float64Range(0, 90)), SetbackM: opt(t, "setback", lengths(0, 1000))},
		Pull:    survey.Pull{BearingDeg: opt(t, "pull", rapid.Float64Range(0, 360)), North: anyOf(t, "north", survey.TrueNorth, survey.MagneticNorth)},
		BuriedUtilities: survey.BuriedUtilities{
			State: anyOf(t, "buried", append(survey.BuriedStates, "")...), Ticket: text(0).Draw(t, "ticket"), Until: opt(t, "until", times()),
		},
		Overhead: survey.Overhead{State: anyOf(t, "overhead", survey.OverheadNone, survey.OverheadPresent, ""), KV: opt(t, "kv", rapid.Float64Range(0, 2000))},
	}
	if rapid.Bool().Draw(t, "lists") {
		p.Photos = []string{text(1).Draw(t, "photo")}
		p.Ground.Tests = []survey.GroundTest{
			{Kind: survey.PocketPenetrometer, Reading: survey.Num(rapid.Float64Range(0, 5).Draw(t, "tsf")), Unit: "tsf"},
			{Kind: survey.Visual, Reading: survey.Word(text(1).Draw(t, "seen"))},
		}
		p.Anchors = []survey.Anchor{{ID: "T1", Kind: survey.KindTree, DiameterMM: opt(t, "diameter", rapid.Float64Range(0, 3000)), Note: text(0).Draw(t, "note")}}
		p.PullTests = []survey.PullTest{{Rig: "3-2-1", ForceKN: rapid.Float64Range(0, 100).Draw(t, "force"), Outcome: survey.Held}}
	}
	return p
}

// drawRing draws a star-shaped ring, counter-clockwise and closed.
func drawRing(t *rapid.T, centre orb.Point, size float64) orb.Ring {
	n := rapid.IntRange(3, 8).Draw(t, "corners")
	r := make(orb.Ring, 0, n+1)
	for i := range n {
		a := 2 * math.Pi * float64(i) / float64(n)
		d := size * rapid.Float64Range(0.5, 1).Draw(t, "distance")
		r = append(r, orb.Point{centre[0] + d*math.Cos(a), centre[1] + d*math.Sin(a)})
	}
	return append(r, r[0])
}

// drawShape draws a geometry with all, some or no heights.
func drawShape(t *rapid.T, kinds ...string) (orb.Geometry, []float64) {
	centre := orb.Point{rapid.Float64Range(-170, 170).Draw(t, "x"), rapid.Float64Range(-80, 80).Draw(t, "y")}
	other := orb.Point{centre[0] + 0.25, centre[1] + 0.125}
	hole := drawRing(t, centre, 0.0001)
	hole.Reverse()
	g := map[string]orb.Geometry{
		"Point":           centre,
		"LineString":      orb.LineString{centre, other},
		"Polygon":         orb.Polygon{drawRing(t, centre, 0.001), hole},
		"MultiPoint":      orb.MultiPoint{centre, other},
		"MultiLineString": orb.MultiLineString{{centre, other}, {other, centre, other}},
		"MultiPolygon":    orb.MultiPolygon{{drawRing(t, centre, 0.001)}, {drawRing(t, other, 0.001)}},
		"Collection":      orb.Collection{centre, orb.LineString{centre, other}},
	}[anyOf(t, "kind", kinds...)]
	n := countPositions(g)
	switch rapid.IntRange(0, 2).Draw(t, "heights") {
	case 0:
		return g, nil
	case 1:
		return g, rapid.SliceOfN(rapid.Float64Range(-400, 9000), n, n).Draw(t, "z")
	}
	z := rapid.SliceOfN(rapid.Float64Range(-400, 9000), n, n).Draw(t, "z")
	if n > 1 {
		z[rapid.IntRange(0, n-1).Draw(t, "without")] = math.NaN()
	}
	return g, z
}

func countPositions(g orb.Geometry) int {
	n := 0
	switch g := g.(type) {
	case orb.Point:
		return 1
	case orb.MultiPoint:
		return len(g)
	case orb.LineString:
		return len(g)
	case orb.MultiLineString:
		for _, l := range g {
			n += len(l)
		}
	case orb.Polygon:
		for _, r := range g {
			n += len(r)
		}
	case orb.MultiPolygon:
		for _, p := range g {
			n += countPositions(p)
		}
	case orb.Collection:
		for _, part := range g {
			n += countPositions(part)
		}
	}
	return n
}

func TestPointsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPoint(t)
		require.NoError(t, p.Validate())
		for _, f := range formats {
			var b bytes.Buffer
			require.NoError(t, writePoints(&b, f, sequence([]survey.Point{p, {ID: p.ID + "2", Site: "s", Label: "bare"}})))
			got, report, err := exchange.ReadPoints(&b, exchange.Options{})
			require.NoError(t, err, "%s", f)
			require.Equal(t, 2, report.Accepted, "%s: %s", f, report)
			require.Equal(t, p, got[0], "%s", f)
			require.Equal(t, survey.Point{ID: p.ID + "2", Site: "s", Label: "bare"}, got[1], "%s", f)
			require.Equal(t, f, report.Format)
		}
	})
}

func TestSitesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := survey.Site{
			ID: text(0).Draw(t, "id"), Name: text(1).Draw(t, "name"), Code: text(1).Draw(t, "code"),
			Kind: anyOf(t, "kind of site", append(survey.SiteKinds, "")...), Notes: text(0).Draw(t, "notes"),
			Water:  survey.Water{Gauge: text(0).Draw(t, "gauge"), DatumM: opt(t, "datum", lengths(-100, 1000))},
			Review: survey.Review{State: survey.Signed, By: "x", At: survey.Known(times().Draw(t, "signed"))},
		}
		s.Geometry, s.Heights = drawShape(t, "Point", "LineString", "Polygon")
		if rapid.Bool().Draw(t, "lists") {
			s.Contacts = []survey.Contact{{Who: text(1).Draw(t, "who"), Phone: "555-0100"}}
			s.Hazards = []string{text(1).Draw(t, "hazard")}
		}
		require.NoError(t, s.Validate())
		for _, f := range formats {
			var b bytes.Buffer
			require.NoError(t, writeSites(&b, f, sequence([]survey.Site{s})))
			got, report, err := exchange.ReadSites(&b, exchange.Options{})
			require.NoError(t, err, "%s", f)
			require.Equal(t, 1, report.Taken(), "%s: %s", f, report)
			requireSame(t, s.Geometry, s.Heights, got[0].Geometry, got[0].Heights)
			want := s
			want.Heights, got[0].Heights = nil, nil
			require.Equal(t, want, got[0], "%s", f)
		}
	})
}

// requireSame compares geometries with their heights, NaN equal to NaN.
func requireSame(t *rapid.T, g orb.Geometry, z []float64, g2 orb.Geometry, z2 []float64) {
	require.Equal(t, g, g2)
	require.Equal(t, len(z), len(z2))
	for i := range z {
		if !(math.IsNaN(z[i]) && math.IsNaN(z2[i])) {
			require.Equal(t, z[i], z2[i])
		}
	}
}

func TestLayerRoundTrip(t *testing.T) {
	kinds := []string{"Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon", "Collection"}
	rapid.Check(t, func(t *rapid.T) {
		f := survey.LayerFeature{Role: survey.RoleWater, ID: text(0).Draw(t, "id")}
		f.Geometry, f.Heights = drawShape(t, kinds...)
		props, err := json.Marshal(map[string]any{"a b": "x" + text(0).Draw(t, "text"), "n": rapid.Float64Range(-1e6, 1e6).Draw(t, "number")})
		require.NoError(t, err)
		f.Properties = props
		for _, format := range formats {
			var b bytes.Buffer
			require.NoError(t, writeLayer(&b, format, sequence([]survey.LayerFeature{f})))
			got, report, err := exchange.ReadLayer(&b, survey.RoleWater, exchange.Options{})
			require.NoError(t, err, "%s", format)
			require.Equal(t, 1, report.Taken(), "%s: %s", format, report)
			requireSame(t, f.Geometry, f.Heights, got[0].Geometry, got[0].Heights)
			require.Equal(t, f.ID, got[0].ID)
			require.JSONEq(t, string(f.Properties), string(got[0].Properties))
		}
	})
}

func TestWriteNothing(t *testing.T) {
	for _, f := range formats {
		var b bytes.Buffer
		require.NoError(t, writePoints(&b, f, sequence[survey.Point](nil)))
		if f == exchange.TextSequence {
			assert.Empty(t, b.String())
			continue
		}
		got, report, err := exchange.ReadPoints(&b, exchange.Options{})
		require.NoError(t, err)
		assert.Empty(t, got)
		assert.Zero(t, report.Refused)
	}
}

func TestWriteFails(t *testing.T) {
	broken := errors.New("the atlas is damaged")
	var points iter.Seq2[survey.Point, error] = func(yield func(survey.Point, error) bool) {
		_ = yield(survey.Point{Site: "s", Label: "a"}, nil) && yield(survey.Point{}, broken)
	}
	for _, f := range formats {
		assert.ErrorIs(t, writePoints(&bytes.Buffer{}, f, points), broken)
		assert.ErrorIs(t, writePoints(&full{}, f, sequence(make([]survey.Point, 5000))), errFull)
	}
}

var errFull = errors.New("no space left on device")

type full struct{}

func (*full) Write([]byte) (int, error) { return 0, errFull }
