package drawing_test

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/load"
	"holdfast/survey/rig"
	"holdfast/survey/surround"
)

// sound holds every drawing to what a printed sheet needs.
func sound(t require.TestingT, d drawing.Drawing) {
	paper := drawing.Box{X1: d.W, Y1: d.H}
	var texts []drawing.Text
	finite := func(p drawing.Pt) {
		require.False(t, math.IsNaN(p.X+p.Y) || math.IsInf(p.X+p.Y, 0), "a place on the paper is a number")
	}
	for _, m := range d.Marks {
		switch m := m.(type) {
		case drawing.Text:
			finite(m.At)
			require.GreaterOrEqual(t, m.Size, 7.0, "%q can be read after two photocopies", m.Text)
			require.True(t, m.Box().Within(paper), "%q leaves the drawing: %v of %v", m.Text, m.Box(), d.Size)
			texts = append(texts, m)
		case drawing.Path:
			for _, l := range m.Lines {
				for _, p := range l {
					finite(p)
				}
			}
			if m.Pen.Width > 0 {
				require.GreaterOrEqual(t, m.Pen.Width, 0.25)
			}
		case drawing.Circle:
			finite(m.At)
		}
	}
	for i, a := range texts {
		for _, b := range texts[:i] {
			require.False(t, a.Box().Overlaps(b.Box()), "%q overlaps %q", a.Text, b.Text)
		}
	}
	require.NotEmpty(t, d.Title)
	require.NotEmpty(t, d.Desc)
	wellFormed(t, d)
}

// wellFormed reads the SVG with an XML parser and holds it to the page's
// content security policy: no style, no script, nothing from elsewhere.
func wellFormed(t require.TestingT, d drawing.Drawing) {
	var b bytes.Buffer
	require.NoError(t, d.SVG(&b, "x"))
	dec := xml.NewDecoder(&b)
	seen := map[string]bool{}
	for {
		tok, err := dec.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		if e, ok := tok.(xml.StartElement); ok {
			seen[e.Name.Local] = true
			for _, a := range e.Attr {
				require.NotContains(t, []string{"style", "href", "onload", "onclick"}, a.Name.Local)
			}
		}
	}
	require.True(t, seen["title"] && seen["desc"], "a screen reader needs both")
	for _, no := range []string{"style", "script", "image", "use"} {
		require.False(t, seen[no])
	}
}

func TestGoldenDrawingsAreSound(t *testing.T) {
	for name, d := range cases(t) {
		t.Run(name, func(t *testing.T) { sound(t, d) })
	}
}

func maybe[V any](t *rapid.T, name string, g *rapid.Generator[V]) survey.Opt[V] {
	if rapid.Bool().Draw(t, name+" known") {
		return survey.Known(g.Draw(t, name))
	}
	return survey.Opt[V]{}
}

func lengths(lo, hi float64) *rapid.Generator[geo.Length] {
	return rapid.Map(rapid.Float64Range(lo, hi), func(v float64) geo.Length { return geo.Length(v) })
}

func bearings() *rapid.Generator[geo.Bearing] {
	return rapid.Map(rapid.Float64Range(0, 360), geo.NewBearing)
}

func anyText() *rapid.Generator[string] {
	return rapid.OneOf(rapid.StringMatching(`[A-Za-z0-9 ]{0,20}`), rapid.String(), rapid.Just(strings.Repeat("word ", 30)), rapid.Just(strings.Repeat("x", 120)))
}

func anySize(t *rapid.T) drawing.Size {
	return drawing.Size{W: rapid.Float64Range(20, 190).Draw(t, "w"), H: rapid.Float64Range(20, 260).Draw(t, "h")}
}

func anyUnits(t *rapid.T) survey.Units {
	return rapid.SampledFrom([]survey.Units{survey.UnitsUS, survey.UnitsSI, ""}).Draw(t, "units")
}

func anyPlace(t *rapid.T, around orb.Point, metres float64) orb.Point {
	p, _ := geodesic.Direct(around, bearings().Draw(t, "bearing"), lengths(0, metres).Draw(t, "distance"))
	return p
}

func anyPlaced(t *rapid.T, at orb.Point, pull geo.Bearing) answer.Placed {
	pattern := rapid.SampledFrom([][]int{{1}, {1, 1}, {1, 1, 1}, {2, 1}, {3, 2, 1}, {6, 6, 6, 6}}).Draw(t, "pattern")
	count := rapid.IntRange(1, 4).Draw(t, "count")
	if rapid.IntRange(0, 3).Draw(t, "found") == 0 {
		return answer.Placed{Anchor: rig.Anchor{Kind: survey.KindTree, ID: anyText().Draw(t, "id")}, Layout: layout(at, pull, 0)}
	}
	return answer.Placed{Anchor: rig.Anchor{Kind: survey.KindRig, Rig: survey.Pattern(pattern).String(), Count: count}, Layout: layout(at, pull, count, pattern...)}
}

func TestPlansAreSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-89, 89).Draw(t, "lat")}
		b := bearings().Draw(t, "pull")
		p := drawing.Plan{
			Units: anyUnits(t), Point: anyText().Draw(t, "label"), Position: at, Pull: pull(float64(b)), At: day(2026, 1, 1),
			Main: anyPlaced(t, anyPlace(t, at, 10), b), Setback: maybe(t, "setback", lengths(0, 60)), Tolerance: lengths(0, 3).Draw(t, "tolerance"),
		}
		p.Pull.DeclinationDeg = maybe(t, "declination", rapid.Float64Range(-180, 180))
		if rapid.Bool().Draw(t, "belay") {
			o := anyPlaced(t, anyPlace(t, at, 12), b)
			p.Belay = &o
		}
		for range rapid.IntRange(0, 5).Draw(t, "near") {
			role := rapid.SampledFrom(survey.Roles).Draw(t, "role")
			line := orb.LineString{anyPlace(t, at, 30), anyPlace(t, at, 30), anyPlace(t, at, 30)}
			p.Near = append(p.Near, surround.Near{Role: role, Name: anyText().Draw(t, "name"), Feature: feature(role, "", line)})
		}
		sound(t, p.Draw(anySize(t)))
	})
}

func TestElevationsAndSectionsAreSound(t *testing.T) {
	stake := policy(t).Stake
	rapid.Check(t, func(t *rapid.T) {
		s := stake
		s.LeanDeg.Value = rapid.Float64Range(0, 45).Draw(t, "lean")
		s.LengthM.Value = lengths(0.3, 5).Draw(t, "length")
		s.EmbedmentM.Value = geo.Length(rapid.Float64Range(0.1, 1).Draw(t, "share")) * s.LengthM.Value
		s.SpacingM.Value = lengths(0.3, 10).Draw(t, "spacing")
		e := drawing.Elevation{Units: anyUnits(t), Stake: s, RopeAngleDeg: rapid.Float64Range(0, 90).Draw(t, "rope")}
		e.Pattern = rapid.SampledFrom([]survey.Pattern{nil, {1}, {1, 1}, {3, 2, 1}, {6, 6, 6, 6}}).Draw(t, "pattern")
		sound(t, e.Draw(anySize(t)))

		sec := drawing.Section{
			Units: e.Units, Anchor: anyText().Draw(t, "anchor"), Rows: len(e.Pattern), Setback: maybe(t, "setback", lengths(0, 1000)),
			Height: maybe(t, "height", lengths(0, 1000)), Rope: maybe(t, "rope length", lengths(0, 3000)),
			Slope:  maybe(t, "slope", rapid.Map(rapid.Float64Range(0, 90), geo.Degrees)),
			Source: rapid.SampledFrom([]survey.TerrainSource{"", survey.TerrainMeasured, survey.TerrainLayer, survey.TerrainElevation}).Draw(t, "source"),
		}
		if rapid.Bool().Draw(t, "profile") {
			for i := range rapid.IntRange(2, 30).Draw(t, "stations") {
				sec.Profile = append(sec.Profile, drawing.Station{Along: geo.Length(i*3 - 6), Height: lengths(-200, 20).Draw(t, "z")})
			}
		}
		sound(t, sec.Draw(anySize(t)))
	})
}

func TestChartsAreSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawing.Forces{Units: anyUnits(t), Load: load.Result{Title: "x", ForceOnAnchorN: rapid.Float64Range(0, 1e6).Draw(t, "anchor")}}
		for range rapid.IntRange(0, 9).Draw(t, "steps") {
			f.Load.Steps = append(f.Load.Steps, load.Step{What: anyText().Draw(t, "what"), How: anyText().Draw(t, "how"), ForceN: rapid.Float64Range(-1, 1e6).Draw(t, "force")})
		}
		sound(t, f.Draw(anySize(t)))

		s := drawing.Sharing{Units: f.Units, Rig: "1-1-1", Demand: maybe(t, "demand", rapid.Map(rapid.Float64Range(0, 1e5), func(v float64) survey.Force { return survey.Force(v) }))}
		for range rapid.IntRange(0, 6).Draw(t, "series") {
			r := drawing.Series{Name: anyText().Draw(t, "name")}
			for i := range rapid.IntRange(0, 12).Draw(t, "points") {
				r.Points = append(r.Points, drawing.Share{Pull: survey.Force(i * 700), Force: survey.Force(rapid.Float64Range(0, 1e5).Draw(t, "f"))})
			}
			s.Series = append(s.Series, r)
		}
		sound(t, s.Draw(anySize(t)))
	})
}

func TestMapsAreSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-90, 90).Draw(t, "lat")}
		reach := rapid.SampledFrom([]float64{0, 20, 400, 5000, 1e6}).Draw(t, "reach")
		m := drawing.SiteMap{Units: anyUnits(t), North: drawing.North{DeclinationDeg: maybe(t, "declination", rapid.Float64Range(-180, 180))}}
		for i := range rapid.IntRange(0, 60).Draw(t, "points") {
			m.Spots = append(m.Spots, drawing.Spot{
				Label: fmt.Sprint("P", i), Position: anyPlace(t, at, reach), Class: survey.ClassB,
				Verdict: rapid.SampledFrom(answer.Verdicts).Draw(t, "verdict"), Pull: maybe(t, "pull", bearings()), Best: i == 0,
			})
		}
		for range rapid.IntRange(0, 6).Draw(t, "features") {
			role := rapid.SampledFrom(survey.Roles).Draw(t, "role")
			var ring orb.Ring
			for range rapid.IntRange(0, 6).Draw(t, "corners") {
				ring = append(ring, anyPlace(t, at, 2*reach))
			}
			m.Layers = append(m.Layers, feature(role, "name", rapid.SampledFrom([]orb.Geometry{orb.Polygon{ring}, orb.LineString(ring), orb.MultiPoint(ring), nil, orb.Collection{ring}}).Draw(t, "shape")))
		}
		d := m.Draw(anySize(t))
		sound(t, d)
		// Every point is labelled or listed.
		var all strings.Builder
		for _, mark := range d.Marks {
			if text, ok := mark.(drawing.Text); ok {
				all.WriteString(text.Text + "\n")
			}
		}
		listed := all.String() + strings.Join(d.Left, "\n")
		for i := range m.Spots {
			assert.Contains(t, listed, fmt.Sprintf("P%d ", i))
		}
	})
}
