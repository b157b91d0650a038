package preplan_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/preplan"
)

// legible holds a page to what print needs: no letters over others, none off
// the page or in its margins, none under 7 points, no line under 0.25 mm.
func legible(t testing.TB, name string, page drawing.Drawing) {
	inside := drawing.Box{X0: 11, Y0: 7, X1: page.W - 11, Y1: page.H - 7}
	var boxes []drawing.Box
	var texts []string
	for _, m := range page.Marks {
		switch m := m.(type) {
		case drawing.Path:
			if m.Pen.Width > 0 {
				require.GreaterOrEqual(t, m.Pen.Width, 0.25, name)
			}
		case drawing.Text:
			if strings.TrimSpace(m.Text) == "" {
				continue
			}
			require.GreaterOrEqual(t, m.Size, 7.0, "%s: %q", name, m.Text)
			b := m.Box()
			require.True(t, b.Within(inside), "%s: %q leaves the page: %v", name, m.Text, b)
			for i, o := range boxes {
				if b.Overlaps(o) {
					require.Fail(t, "letters overlap", "%s: %q and %q at %.1f, %.1f", name, m.Text, texts[i], b.X0, b.Y0)
				}
			}
			boxes, texts = append(boxes, b), append(texts, m.Text)
		}
	}
	require.NotEmpty(t, boxes, name)
}

// randomSite is a site of up to 12 points near a bank with anything written
// about it; one seed gives one site.
func randomSite(base preplan.Input, seed uint64) preplan.Input {
	r := rand.New(rand.NewPCG(seed, 20261125))
	words := strings.Fields("mud bank gate pump Über Łęg река 河 🌊 culvert 12 kV x " + strings.Repeat("m", 40) + " no-trespass, slippery; the deep")
	text := func(most int) string {
		n := r.IntN(most)
		if r.IntN(4) == 0 {
			n *= 8
		}
		var out []string
		for range n {
			out = append(out, words[r.IntN(len(words))])
		}
		return strings.Join(out, " ")
	}
	in := base
	in.Policy.Units = []survey.Units{survey.UnitsUS, survey.UnitsSI}[r.IntN(2)]
	s := &in.Site
	s.Name, s.District, s.Access, s.Staging, s.Notes = text(5), text(4), text(40), text(40), text(200)
	s.Hazards = nil
	for range r.IntN(9) {
		s.Hazards = append(s.Hazards, text(12))
	}
	s.Review = survey.Review{State: []survey.ReviewState{"", survey.Draft, survey.Reviewed, survey.Signed}[r.IntN(4)], By: text(3)}
	if r.IntN(2) == 0 {
		in.Address = "https://atlas.example.org/sites/" + strings.Repeat("long-", r.IntN(20))
	}
	in.Points = nil
	kinds := []func(string, [2]float64) preplan.PointInput{
		func(l string, p [2]float64) preplan.PointInput { return good(l, p) },
		func(l string, p [2]float64) preplan.PointInput { return short(l, p) },
		func(l string, p [2]float64) preplan.PointInput { return unknown(l, p) },
	}
	patterns := [][]int{{1}, {1, 1}, {2, 1}, {1, 1, 1}, {3, 2, 1}}
	for i := range r.IntN(4) + r.IntN(11)/10*r.IntN(12) {
		p := kinds[r.IntN(3)](fmt.Sprint("P", i+1), along(r.Float64()*400-200, r.Float64()*6-3))
		pull := geo.NewBearing(r.Float64() * 360)
		for k := range p.Answer.Options {
			o := &p.Answer.Options[k]
			pattern := patterns[r.IntN(len(patterns))]
			o.Main.Anchor.Rig, o.Main.Anchor.Count = survey.Pattern(pattern).String(), 1+r.IntN(4)
			o.Main.Layout = layout(p.Point.Position, pull, o.Main.Anchor.Count, pattern...)
			if r.IntN(3) == 0 {
				b := o.Main
				o.Belay = &b
			}
			o.Verdict = answer.Verdicts[r.IntN(len(answer.Verdicts))]
		}
		if p.Answer.Pull.TrueDeg.Known() {
			p.Answer.Pull.TrueDeg = survey.Known(pull)
		}
		p.Answer.Sentence, p.Point.SurveyedBy = text(14), text(3)
		p.Point.Terrain = survey.Terrain{}
		if r.IntN(2) == 0 {
			p.Point.Terrain = survey.Terrain{SlopeDeg: survey.Known(r.Float64() * 90), HeightM: survey.Known(geo.Length(r.Float64() * 40)), SetbackM: survey.Known(geo.Length(r.Float64() * 20))}
		}
		p.Near.Near = p.Near.Near[:r.IntN(len(p.Near.Near)+1)]
		in.Points = append(in.Points, p)
	}
	in.Layers = in.Layers[:r.IntN(len(in.Layers)+1)]
	return in
}

func TestLabelsKeepApartOnRandomSites(t *testing.T) {
	base := input(t)
	const sites = 500
	for _, paper := range []preplan.Paper{preplan.A4, preplan.Letter} {
		t.Run(string(paper), func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(sites) {
				in := randomSite(base, seed)
				in.Paper = paper
				for i, page := range preplan.Arrange(in).Pages() {
					legible(t, fmt.Sprintf("seed %d, page %d", seed, i+1), page)
				}
			}
		})
	}
}

func TestLabelsKeepApartOnGoldenSites(t *testing.T) {
	for name, in := range cases(t) {
		for _, paper := range []preplan.Paper{preplan.A4, preplan.Letter} {
			in.Paper = paper
			for i, page := range preplan.Arrange(in).Pages() {
				legible(t, fmt.Sprintf("%s, %s, page %d", name, paper, i+1), page)
			}
		}
	}
}

// A point with its evidence is a leaf: its front begins on an odd page, and the
// next point two pages later.
func TestAPointIsALeaf(t *testing.T) {
	in := cases(t)["full"]
	in.Points = append(in.Points, short("P3", along(-70, 1)), unknown("P4", along(100, 2)))
	for _, paper := range []preplan.Paper{preplan.A4, preplan.Letter} {
		in.Paper = paper
		var begins []int
		for i, p := range pagesOf(t, pdfOf(t, in)) {
			if regexp.MustCompile(`(?m)^Point P\d`).MatchString(p) && !strings.Contains(p, ", continued") {
				begins = append(begins, i+1)
			}
		}
		assert.Equal(t, []int{3, 5, 7, 9}, begins, paper)
	}
}

// Rows are set out by tape and compass from the mark. GeodSolve (GeographicLib)
// puts a place at the printed bearing and distance; it must lie where the
// stakes of the row do, as GeoConvert writes it, to what the rounding of the
// print allows: half a degree and half a centimetre.
func TestPrintedRowsAgreeWithGeodSolve(t *testing.T) {
	in := input(t)
	in.Points = in.Points[:1]
	in.Policy.Units = survey.UnitsSI
	in.Points[0].Answer.Options[0].Main.Layout = layout(off(here, 214, -3, 1.7), 214, 2, 3, 2, 1)
	text := pagesOf(t, pdfOf(t, in))[2]
	rows := regexp.MustCompile(`(?m)^rig (\d), (\d) (\d) (\d{3})° (\d{3})° ([\d.]+) m (\d{5} \d{5})$`).FindAllStringSubmatch(text, -1)
	require.Len(t, rows, 6, text)
	require.Contains(t, text, "USNG 16S GH")
	for _, r := range rows {
		var lon, lat, n float64
		for _, s := range in.Points[0].Answer.Options[0].Main.Layout.Stakes {
			if fmt.Sprint(s.Rig) == r[1] && fmt.Sprint(s.Row) == r[2] {
				lon, lat, n = lon+s.Lon, lat+s.Lat, n+1
			}
		}
		require.Equal(t, fmt.Sprint(n), r[3], "stakes of the row")
		lon, lat = lon/n, lat/n
		solved := strings.Fields(pipe(t, fmt.Sprintf("%.9f %.9f %.9f %.9f\n", here.Lat(), here.Lon(), lat, lon), "GeodSolve", "-i", "-p", "6"))
		bearing, _ := strconv.ParseFloat(solved[0], 64)
		distance, _ := strconv.ParseFloat(solved[2], 64)
		printed, _ := strconv.ParseFloat(r[4], 64)
		magnetic, _ := strconv.ParseFloat(r[5], 64)
		metres, _ := strconv.ParseFloat(r[6], 64)
		assert.InDelta(t, 0, math.Remainder(bearing-printed, 360), 0.5001, r[0])
		assert.InDelta(t, 0, math.Remainder(bearing+5.3-magnetic, 360), 0.5001, "5.3° west: %s", r[0])
		assert.InDelta(t, distance, metres, 0.0051, r[0])
		// MGRS truncates to the metre, so one may differ where the middle lies on its edge.
		square := strings.TrimSpace(pipe(t, fmt.Sprintf("%.9f %.9f\n", lat, lon), "GeoConvert", "-m", "-p", "0"))
		assert.Equal(t, "16SGH"+strings.ReplaceAll(r[7], " ", ""), square, r[0])
	}
}

// The figures of the grid stand at lines 100 m apart: on the page as laid out
// they lie so far apart as the scale says. Lines of the grid are turned from
// true north by the convergence of 1.6°, which makes them 0.04 % longer apart
// along the frame.
func TestGridOfTheMapIsTrueOnThePage(t *testing.T) {
	for _, paper := range []preplan.Paper{preplan.A4, preplan.Letter} {
		in := input(t)
		in.Paper = paper
		words := wordsOf(t, pdfOf(t, in))[0].Words
		scale := 0.0
		for i, w := range words {
			if w.Text == "scale" {
				scale, _ = strconv.ParseFloat(strings.ReplaceAll(strings.TrimPrefix(words[i+1].Text, "1:"), ",", ""), 64)
			}
		}
		require.NotZero(t, scale)
		require.Contains(t, flat(pagesOf(t, pdfOf(t, in))[0]), "every 100 m")
		measured := 0
		for _, a := range words {
			for _, b := range words {
				x, errX := strconv.Atoi(a.Text)
				y, errY := strconv.Atoi(b.Text)
				if errX != nil || errY != nil || len(a.Text) != 3 || len(b.Text) != 3 || y != x+1 || math.Abs(a.Y0-b.Y0) > 0.1 {
					continue
				}
				assert.InDelta(t, 100_000/scale, (b.X0+b.X1)/2-(a.X0+a.X1)/2, 0.5, "%s: %s to %s at 1:%.0f", paper, a.Text, b.Text, scale)
				measured++
			}
		}
		assert.GreaterOrEqual(t, measured, 1, paper)
	}
}
