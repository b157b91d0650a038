package drawing_test

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/pdf"
	"holdfast/survey/surround"
)

func texts(d drawing.Drawing) (all []string) {
	for _, m := range d.Marks {
		if t, ok := m.(drawing.Text); ok {
			all = append(all, t.Text)
		}
	}
	return all
}

// saying joins the lines of all labels, so that a wrapped label is found.
func saying(d drawing.Drawing) string { return strings.Join(texts(d), " ") }

func scaleOf(t *testing.T, d drawing.Drawing) float64 {
	for _, s := range texts(d) {
		if figure, ok := strings.CutPrefix(s, "scale 1:"); ok {
			v, err := strconv.ParseFloat(strings.ReplaceAll(figure, ",", ""), 64)
			require.NoError(t, err)
			return v
		}
	}
	require.Fail(t, "the drawing states no scale")
	return 0
}

func dist(a, b drawing.Pt) float64 { return math.Hypot(a.X-b.X, a.Y-b.Y) }

// A 3-2-1 rig was laid out with rows 1.2192 m apart and the edge 4.6 m ahead.
func TestPlanIsToScale(t *testing.T) {
	d := plan().Draw(drawing.Size{W: 92, H: 112})
	mm := 1000 / scaleOf(t, d)
	rows := map[string][]drawing.Pt{}
	for _, m := range d.Marks {
		if c, ok := m.(drawing.Circle); ok && c.Fill == drawing.Ink {
			key := fmt.Sprintf("%.1f", c.At.Y)
			rows[key] = append(rows[key], c.At)
		}
	}
	require.Len(t, rows, 3)
	var ys []float64
	for _, r := range rows {
		ys = append(ys, r[0].Y)
	}
	slices.Sort(ys)
	assert.InDelta(t, 1.2192*mm, ys[1]-ys[0], 0.02, "mm on paper")
	assert.InDelta(t, 1.2192*mm, ys[2]-ys[1], 0.02)
	counts := []int{len(rows[fmt.Sprintf("%.1f", ys[0])]), len(rows[fmt.Sprintf("%.1f", ys[1])]), len(rows[fmt.Sprintf("%.1f", ys[2])])}
	assert.Equal(t, []int{3, 2, 1}, counts, "the front row is nearest the top, towards the pull")

	edge := ys[0] - 4.6*mm
	found := false
	for _, m := range d.Marks {
		if p, ok := m.(drawing.Path); ok && p.Pen.Width == drawing.Bold && len(p.Lines[0]) == 2 {
			a, b := p.Lines[0][0], p.Lines[0][1]
			found = found || math.Abs(a.Y-edge) < 0.02 && math.Abs(b.Y-edge) < 0.02 && dist(a, b) > 50
		}
	}
	assert.True(t, found, "the edge is drawn at %.2f mm", edge)
}

func TestPlanSaysWhatACrewNeeds(t *testing.T) {
	said := saying(plan().Draw(drawing.Size{W: 92, H: 112}))
	for _, want := range []string{
		"pull 214° true, 219° magnetic", "back-bearing 034° true, 039° magnetic", "working sector 199° to 229° true",
		"row 1 (front): 3 stakes", "row 2: 2 stakes", "row 3: 1 stake", "4 ft (1.22 m)", "15 ft 1 in (4.60 m)", "lashing", "foot tie",
		"magnetic 5.3° west, 2 Nov 2026", "grid 0.9° west", "N: true north",
	} {
		assert.Contains(t, said, want)
	}
	si := plan()
	si.Units = survey.UnitsSI
	assert.NotContains(t, saying(si.Draw(drawing.Size{W: 92, H: 112})), " ft")
}

func TestUnknownIsSaid(t *testing.T) {
	p := plan()
	p.Setback, p.Pull.MagneticDeg, p.Pull.DeclinationDeg = survey.Opt[geo.Length]{}, survey.Opt[float64]{}, survey.Opt[float64]{}
	said := saying(p.Draw(drawing.Size{W: 92, H: 112}))
	assert.Contains(t, said, "distance to the edge: not recorded")
	assert.Contains(t, said, "magnetic unknown")
	assert.Contains(t, said, "magnetic: unknown")
	p.Main.Layout = nil
	assert.Contains(t, saying(p.Draw(drawing.Size{W: 92, H: 112})), "No plan")

	s := drawing.Section{Anchor: "1-1 rig", Slope: survey.Known(geo.Degrees(30))}
	said = saying(s.Draw(drawing.Size{W: 92, H: 74}))
	for _, want := range []string{"setback not recorded", "height not recorded", "rope to the toe not recorded", "not to scale"} {
		assert.Contains(t, said, want)
	}
}

// Bars of 1.2192 m, 0.9144 m of it in the ground, lean 15° (NAVEDTRA 14251,
// chapter 6): the foot of a bar lies 1.2192·cos 15° = 1.1777 m below its head.
func TestElevationIsToScale(t *testing.T) {
	d := drawing.Elevation{Units: survey.UnitsUS, Pattern: survey.Pattern{1, 1, 1}, Stake: policy(t).Stake}.Draw(drawing.Size{W: 92, H: 74})
	mm := 1000 / scaleOf(t, d)
	var bars [][]drawing.Pt
	for _, m := range d.Marks {
		if p, ok := m.(drawing.Path); ok && p.Pen.Width >= drawing.Heavy && math.Abs(p.Lines[0][0].Y-p.Lines[0][1].Y) > 10 {
			bars = append(bars, p.Lines[0])
		}
	}
	require.Len(t, bars, 3)
	for _, b := range bars {
		assert.InDelta(t, 1.1777*mm, b[1].Y-b[0].Y, 0.02)
		assert.InDelta(t, 0.3156*mm, b[1].X-b[0].X, 0.02, "1.2192·sin 15°: the head lies away from the pull, which is to the right")
	}
	assert.InDelta(t, 1.2192*mm, bars[0][0].X-bars[1][0].X, 0.02, "rows one bar length apart")
}

// 11 m of height at 38° run out over 11/tan 38° = 14.08 m.
func TestSectionIsToScale(t *testing.T) {
	d := drawing.Section{
		Anchor: "x", Setback: survey.Known(geo.Length(4.6)), Slope: survey.Known(geo.Degrees(38)), Height: survey.Known(geo.Length(11)),
	}.Draw(drawing.Size{W: 92, H: 74})
	mm := 1000 / scaleOf(t, d)
	found := false
	for _, m := range d.Marks {
		if p, ok := m.(drawing.Path); ok && p.Pen.Width == drawing.Heavy && len(p.Lines[0]) == 2 {
			a, b := p.Lines[0][0], p.Lines[0][1]
			found = found || math.Abs(b.X-a.X-14.08*mm) < 0.03 && math.Abs(b.Y-a.Y-11*mm) < 0.03
		}
	}
	assert.True(t, found, "the bank falls 11 m over 14.08 m")
}

func TestMapIsToScale(t *testing.T) {
	m := siteMap()
	d := m.Draw(drawing.Size{W: 180, H: 150})
	mm := 1000 / scaleOf(t, d)
	at := map[string]drawing.Pt{} // by the kind of mark: one point of each is on the map
	for _, mark := range d.Marks {
		switch c := mark.(type) {
		case drawing.Circle:
			if c.R == 1.7 && c.Fill == drawing.Ink {
				at["holds"] = c.At
			}
			if c.R == 1.7 && c.Fill == drawing.Paper && c.Pen.Width > 0 {
				at["short"] = c.At
			}
		}
	}
	require.Len(t, at, 2)
	want, _, _, _ := geodesic.Inverse(m.Spots[0].Position, m.Spots[1].Position)
	assert.InDelta(t, want.Metres()*mm, dist(at["holds"], at["short"]), 0.05, "P1 to P2 in millimetres on paper")
	_, az, _, _ := geodesic.Inverse(m.Spots[0].Position, m.Spots[1].Position)
	onPaper := math.Atan2(at["short"].X-at["holds"].X, at["holds"].Y-at["short"].Y) * 180 / math.Pi
	assert.InDelta(t, float64(az), onPaper, 0.1, "true north is at the top")
}

func TestLegendShowsWhatIsThere(t *testing.T) {
	said := saying(siteMap().Draw(drawing.Size{W: 180, H: 150}))
	for _, want := range []string{"holds", "short", "no", "unknown", "water", "road", "bank crest", "bank toe", "buried utility", "overhead line", "building", "access", "USNG 16S GH"} {
		assert.Contains(t, said, want)
	}
	m := siteMap()
	m.Layers, m.Spots = m.Layers[:1], m.Spots[:1]
	said = saying(m.Draw(drawing.Size{W: 180, H: 150}))
	for _, no := range []string{"water", "road", "buried", "short"} {
		assert.NotContains(t, said, no)
	}
}

// The grid figures of P1 by an independent converter: GeoConvert -m -p 0
// (GeographicLib 2.1.2) gives 16SGH2657731737 for 38.20510 -84.41230.
func TestGridTicksAreWhereTheGridIs(t *testing.T) {
	m := siteMap()
	m.Layers = nil
	d := m.Draw(drawing.Size{W: 90, H: 110})
	mm := 1000 / scaleOf(t, d)
	var spot drawing.Pt
	for _, mark := range d.Marks {
		if c, ok := mark.(drawing.Circle); ok && c.Fill == drawing.Ink && c.R == 1.7 {
			spot = c.At
		}
	}
	// Crosses stand at whole hundreds of metres: the one to the south-west of
	// the point is 265 317, 77 m west and 37 m south on the grid.
	want := math.Hypot(77, 37) * mm
	nearest := math.Inf(1)
	for _, mark := range d.Marks {
		if p, ok := mark.(drawing.Path); ok && len(p.Lines) > 1 && math.Abs(dist(p.Lines[0][0], p.Lines[0][1])-2) < 1e-9 && p.Pen.Width == drawing.Thin {
			for i := 0; i+1 < len(p.Lines); i += 2 {
				c := drawing.Pt{X: (p.Lines[i][0].X + p.Lines[i][1].X) / 2, Y: p.Lines[i][0].Y}
				if c.X < spot.X && c.Y > spot.Y {
					nearest = min(nearest, math.Abs(dist(c, spot)-want))
				}
			}
		}
	}
	assert.Less(t, nearest, 0.3, "mm on paper, the converter rounds to the metre")
}

func TestVerdictMarksDiffer(t *testing.T) {
	seen := map[string]answer.Verdict{}
	for _, v := range answer.Verdicts {
		key := fmt.Sprintf("%+v", drawing.VerdictMark(v, drawing.Pt{}, 2))
		assert.NotContains(t, seen, key)
		seen[key] = v
	}
	assert.Equal(t, drawing.VerdictMark(answer.Unknown, drawing.Pt{}, 2), drawing.VerdictMark("", drawing.Pt{}, 2), "no verdict is unknown")
}

func tool(t *testing.T, name string, args ...string) string {
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is missing", name)
		}
		t.Skipf("%s is not installed", name)
	}
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(t, err, "%s: %s", name, out)
	return string(out)
}

func TestPDFOfEveryDrawing(t *testing.T) {
	var b bytes.Buffer
	doc := pdf.New(&b, pdf.Info{Title: "Drawings", Lang: "en-US", Made: day(2026, 11, 2)})
	all := cases(t)
	for _, name := range slices.Sorted(maps.Keys(all)) {
		section := pdf.NewSection()
		figure := section.AddImage(all[name].Desc)
		doc.Page(drawing.Size{W: 210, H: 297}, []pdf.Piece{{Drawing: all[name], At: drawing.Pt{X: 20, Y: 20}, Of: figure}})
		doc.Finish(section)
	}
	require.NoError(t, doc.Close())
	file := filepath.Join(t.TempDir(), "drawings.pdf")
	require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
	tool(t, "qpdf", "--check", file)
	said := tool(t, "pdftotext", "-raw", file, "-")
	assert.Contains(t, said, "pull 214° true,")
	assert.Contains(t, said, "force on the anchor")
	assert.Contains(t, said, "Little Sorrel River")
	assert.Equal(t, len(all), strings.Count(tool(t, "pdfinfo", "-struct", file), "Figure"))
}

func BenchmarkPlan(b *testing.B) {
	p := plan()
	for b.Loop() {
		p.Draw(drawing.Size{W: 92, H: 112})
	}
}

func BenchmarkMap(b *testing.B) {
	m := siteMap()
	for b.Loop() {
		m.Draw(drawing.Size{W: 180, H: 120})
	}
}

// A main 0.2 m wide with a tolerance of 0.6096 m on each side keeps stakes
// 0.7096 m from its line.
func TestRefusalZoneReachesAsFarAsItMust(t *testing.T) {
	p := plan()
	line := orb.LineString{off(here, 214, 2.5, -30), off(here, 214, 2.5, 30)}
	p.Near = []surround.Near{{Role: survey.RoleBuried, Name: "main", HalfWidth: 0.1, Feature: feature(survey.RoleBuried, "main", line)}}
	d := p.Draw(drawing.Size{W: 92, H: 112})
	mm := 1000 / scaleOf(t, d)
	var lo, hi float64
	lo, hi = math.Inf(1), math.Inf(-1)
	var front float64
	for _, m := range d.Marks {
		switch m := m.(type) {
		case drawing.Circle:
			if m.Fill == drawing.Ink && (front == 0 || m.At.Y < front) {
				front = m.At.Y
			}
		case drawing.Path: // hatches are thin strokes at 45°
			for _, l := range m.Lines {
				if len(l) == 2 && !m.Closed && m.Pen.Width == drawing.Thin && len(m.Lines) > 5 && math.Abs(math.Abs(l[0].X-l[1].X)-math.Abs(l[0].Y-l[1].Y)) < 1e-6 {
					lo, hi = min(lo, l[0].Y, l[1].Y), max(hi, l[0].Y, l[1].Y)
				}
			}
		}
	}
	middle := front - 2.5*mm
	assert.InDelta(t, middle-0.7096*mm, lo, 0.1, "mm on paper")
	assert.InDelta(t, middle+0.7096*mm, hi, 0.1)
	assert.Contains(t, saying(d), "buried utility main: no stake within 2 ft (0.61 m)")
}
