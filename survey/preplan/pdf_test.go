package preplan_test

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image"
	_ "image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/survey"
	"holdfast/survey/preplan"
)

// tool runs an outside program on the sheet.
func tool(t testing.TB, name string, args ...string) string { return pipe(t, "", name, args...) }

// pipe runs an outside program on a text.
func pipe(t testing.TB, text, name string, args ...string) string {
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is missing", name)
		}
		t.Skipf("%s is not installed", name)
	}
	var stderr bytes.Buffer
	cmd := exec.Command(name, args...)
	cmd.Stdin, cmd.Stderr = strings.NewReader(text), &stderr
	out, err := cmd.Output()
	require.NoError(t, err, "%s: %s", name, stderr.String())
	return string(out)
}

func pdfOf(t testing.TB, in preplan.Input) (file string) {
	var b bytes.Buffer
	require.NoError(t, preplan.WritePDF(&b, preplan.Arrange(in)))
	file = filepath.Join(t.TempDir(), "sheet.pdf")
	require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
	return file
}

// pagesOf returns the text of every page.
func pagesOf(t testing.TB, file string) []string {
	pages := strings.Split(tool(t, "pdftotext", "-raw", file, "-"), "\f")
	return pages[:len(pages)-1]
}

func flat(s string) string { return strings.Join(strings.Fields(s), " ") }

func TestPDFIsSoundForReaders(t *testing.T) {
	for name, in := range cases(t) {
		t.Run(name, func(t *testing.T) {
			file := pdfOf(t, in)
			tool(t, "qpdf", "--check", file)
			info := tool(t, "pdfinfo", file)
			assert.Regexp(t, `Title: +Preplan of `, info)
			if in.Paper == preplan.Letter {
				assert.Contains(t, info, "612 x 792 pts (letter)")
			} else {
				assert.Contains(t, info, "(A4)")
			}
			raw, err := os.ReadFile(file)
			require.NoError(t, err)
			plain := filepath.Join(t.TempDir(), "plain.pdf")
			tool(t, "qpdf", "--qdf", "--object-streams=disable", file, plain)
			text, err := os.ReadFile(plain)
			require.NoError(t, err)
			for _, want := range []string{"/Lang (en-US)", "/MarkInfo", "/DisplayDocTitle true", "/Type /StructTreeRoot"} {
				assert.True(t, bytes.Contains(text, []byte(want)), want)
			}
			assert.Regexp(t, `Tagged: +yes`, info)
			fonts := strings.Split(strings.TrimSpace(tool(t, "pdffonts", file)), "\n")[2:]
			require.Len(t, fonts, 2)
			for _, f := range fonts {
				assert.Regexp(t, `CID TrueType +Identity-H +yes`, f, "embedded")
			}
			if in.Site.Name == "Hollow Bend" {
				assert.Less(t, len(raw)/len(pagesOf(t, file)), 40_000, "only the letters used are embedded: a whole font has 750,000 bytes")
			}
		})
	}
}

func TestEveryPageSaysWhatItIs(t *testing.T) {
	for name, in := range cases(t) {
		t.Run(name, func(t *testing.T) {
			s := preplan.Arrange(in)
			pages := pagesOf(t, pdfOf(t, in))
			for i, p := range pages {
				p = flat(p)
				assert.Contains(t, p, fmt.Sprintf("page %d of %d", i+1, len(pages)))
				assert.Contains(t, p, fmt.Sprintf("atlas revision %d", in.AtlasRevision))
				assert.Contains(t, p, "printed 25 Nov 2026 03:12 UTC")
				assert.Contains(t, p, "policy ")
				for _, b := range s.Banners {
					assert.Contains(t, p, b, "page %d", i+1)
				}
			}
		})
	}
}

func TestPDFSaysWhatACrewNeeds(t *testing.T) {
	pages := pagesOf(t, pdfOf(t, input(t)))
	first := flat(pages[0])
	for _, want := range []string{
		"Hollow Bend", "R-07", "16S GH 26577 31737", "38.20510° N, 84.41230° W", "P1: two 3-2-1 rigs, belay on tree T1", "Pull 214° true, 219° magnetic",
		"4 people, about 43 minutes", "What will hurt you here", "How to get there", "From Mill Road turn in at the green gate", "signed by Capt. R. Oduya",
		"Planning aid", "Never drive a stake until buried utilities", "pull-test", "an estimate", "scale 1:", "N: true north",
	} {
		assert.Contains(t, first, want)
	}
	crew := flat(pages[2])
	for _, want := range []string{
		"Point P1", "HOLDS", "Two 3-2-1 rigs hold a two-person load at 13:1", "Kit, main and belay", "Lashings, 2 rigs", "Pull test tonight", "By (signature)",
		"row 1 (front): 3 stakes", "leans 15°", "slope 38° from level", "setback 15 ft 1 in (4.60 m)",
	} {
		assert.Contains(t, crew, want)
	}
	all := flat(strings.Join(pages, " "))
	for _, want := range []string{
		"Main: two 3-2-1 rigs", "Passed, for both unless one is named: ✓ ground (main): class A", "○ NOT RUN", "estimate: handbook", "NAVEDTRA 14251", "GOVERNS", "declination 5.3° west ±0.4°", "26-118-4471",
		"dynamometer no. 3", "measured on the ground, compass", "Rules used: policy default-1", "Cattle in the field", "555-0142", "county water",
	} {
		assert.Contains(t, all, want)
	}
}

func TestSameSheetSameBytes(t *testing.T) {
	in := cases(t)["mixed-draft"]
	var first, again bytes.Buffer
	require.NoError(t, preplan.WritePDF(&first, preplan.Arrange(in)))
	require.NoError(t, preplan.WritePDF(&again, preplan.Arrange(cases(t)["mixed-draft"])))
	assert.Equal(t, first.Bytes(), again.Bytes())
	assert.Equal(t, htmlOf(t, in), htmlOf(t, cases(t)["mixed-draft"]))
	in.PrintedAt = in.PrintedAt.AddDate(0, 0, 1)
	again.Reset()
	require.NoError(t, preplan.WritePDF(&again, preplan.Arrange(in)))
	assert.NotEqual(t, first.Bytes(), again.Bytes())
}

func TestSheetsAreWrittenSideBySide(t *testing.T) {
	s := preplan.Arrange(cases(t)["wild-text"])
	var want bytes.Buffer
	require.NoError(t, preplan.WritePDF(&want, s))
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			var got bytes.Buffer
			assert.NoError(t, preplan.WritePDF(&got, s))
			assert.Equal(t, want.Len(), got.Len())
		})
	}
	wg.Wait()
}

// raster renders one page at 150 dots to the inch.
func raster(t testing.TB, file string, page int) image.Image {
	out := filepath.Join(t.TempDir(), "page")
	n := strconv.Itoa(page)
	tool(t, "pdftoppm", "-r", "150", "-f", n, "-l", n, "-singlefile", "-png", file, out)
	f, err := os.Open(out + ".png")
	require.NoError(t, err)
	defer f.Close()
	img, _, err := image.Decode(f)
	require.NoError(t, err)
	return img
}

func TestCodesOnThePage(t *testing.T) {
	for _, paper := range []preplan.Paper{preplan.A4, preplan.Letter} {
		for _, address := range []string{"", "https://atlas.example.org/sites/R-07", "http://192.0.2.17:8080/sites/" + strings.Repeat("long-", 12)} {
			in := input(t)
			in.Paper, in.Address = paper, address
			file := pdfOf(t, in)
			out := filepath.Join(t.TempDir(), "page")
			tool(t, "pdftoppm", "-r", "150", "-f", "1", "-l", "1", "-singlefile", "-png", file, out)
			codes := strings.Fields(tool(t, "zbarimg", "-q", "--raw", out+".png"))
			want := []string{"geo:38.205100,-84.412300"}
			if address != "" {
				want = append(want, address)
			} else {
				assert.Contains(t, pagesOf(t, file)[0], "No code for the address of this site")
			}
			assert.ElementsMatch(t, want, codes)
		}
	}
	in := input(t)
	in.Address = "https://atlas.example.org/" + strings.Repeat("x", 3000)
	assert.Contains(t, flat(pagesOf(t, pdfOf(t, in))[0]), "the address is too long", "a code holds 2,331 bytes (ISO/IEC 18004, version 40-M)")
}

// word is a word on a page where the reader sees it, in millimetres.
type word struct {
	Text string  `xml:",chardata"`
	X0   float64 `xml:"xMin,attr"`
	Y0   float64 `xml:"yMin,attr"`
	X1   float64 `xml:"xMax,attr"`
	Y1   float64 `xml:"yMax,attr"`
}

type pageWords struct {
	W     float64 `xml:"width,attr"`
	H     float64 `xml:"height,attr"`
	Words []word  `xml:"word"`
}

func wordsOf(t testing.TB, file string) []pageWords {
	out := tool(t, "pdftotext", "-bbox", file, "-")
	out = out[strings.Index(out, "<doc>"):strings.Index(out, "</body>")]
	var doc struct {
		Pages []pageWords `xml:"page"`
	}
	require.NoError(t, xml.Unmarshal([]byte(out), &doc))
	const mm = 25.4 / 72
	for i := range doc.Pages {
		p := &doc.Pages[i]
		p.W, p.H = p.W*mm, p.H*mm
		for j := range p.Words {
			w := &p.Words[j]
			w.X0, w.X1, w.Y0, w.Y1 = w.X0*mm, w.X1*mm, w.Y0*mm, w.Y1*mm
		}
	}
	return doc.Pages
}

// A scale bar of so many feet or metres must measure what the scale beside it
// says, within half a millimetre, on the page as rendered.
func TestScaleBarsAreTrueOnTheRenderedPage(t *testing.T) {
	for _, paper := range []preplan.Paper{preplan.A4, preplan.Letter} {
		t.Run(string(paper), func(t *testing.T) { scaleBarsAreTrue(t, paper) })
	}
}

func scaleBarsAreTrue(t *testing.T, paper preplan.Paper) {
	in := input(t)
	in.Paper = paper
	file := pdfOf(t, in)
	units := map[string]float64{"ft": 304.8, "m": 1000}
	for page, least := range map[int]int{1: 2, 3: 6} {
		img := raster(t, file, page)
		words := wordsOf(t, file)[page-1].Words
		const dot = 25.4 / 150
		dark := func(x, y int) bool {
			r, g, b, _ := img.At(x, y).RGBA()
			return r+g+b < 3*0x8000
		}
		measured := 0
		for i := 0; i+1 < len(words); i++ {
			figure, err := strconv.ParseFloat(words[i].Text, 64)
			unit, ok := units[words[i+1].Text]
			scale := scaleUnder(words, words[i])
			if err != nil || !ok || scale == 0 {
				continue
			}
			// The bar ends a millimetre left of the figure, its middle as high as the middle of the figure.
			y := int(math.Round((words[i].Y0 + words[i].Y1) / 2 / dot))
			best := 0
			for dy := -4; dy <= 4; dy++ {
				x := int((words[i].X0 - 0.6) / dot)
				for !dark(x, y+dy) && x > int((words[i].X0-2)/dot) {
					x--
				}
				run := 0
				for dark(x-run, y+dy) {
					run++
				}
				best = max(best, run)
			}
			assert.InDelta(t, figure*unit/scale, float64(best)*dot, 0.5, "page %d: %s %s at 1:%.0f", page, words[i].Text, words[i+1].Text, scale)
			measured++
		}
		assert.GreaterOrEqual(t, measured, least, "page %d", page)
	}
}

// scaleUnder returns the scale written under the figure of a scale bar, or 0
// where a word belongs to none.
func scaleUnder(words []word, figure word) float64 {
	for i, w := range words[:len(words)-1] {
		if w.Text != "scale" || w.Y0 < figure.Y0 || w.Y0 > figure.Y0+8 || figure.X0 < w.X0 || figure.X0 > w.X0+45 {
			continue
		}
		v, err := strconv.ParseFloat(strings.ReplaceAll(strings.TrimPrefix(words[i+1].Text, "1:"), ",", ""), 64)
		if err == nil {
			return v
		}
	}
	return 0
}

// layoutIsSound holds every page to this: no word over another, none off the
// page or in its margins.
func layoutIsSound(t testing.TB, file string) {
	for n, p := range wordsOf(t, file) {
		for i := range p.Words {
			// The reader's boxes reach a little past the letters: leave out a
			// fifth of the height above and below.
			w := &p.Words[i]
			inset := 0.2 * (w.Y1 - w.Y0)
			if w.X1-w.X0 > 0.6*(w.Y1-w.Y0) || len(w.Text) < 3 {
				w.Y0, w.Y1 = w.Y0+inset, w.Y1-inset
			} else {
				w.X0, w.X1 = w.X0+0.2*(w.X1-w.X0), w.X1-0.2*(w.X1-w.X0)
			}
			assert.True(t, w.X0 > 11 && w.X1 < p.W-11 && w.Y0 > 8 && w.Y1 < p.H-8, "page %d: %q in the margin at %.1f..%.1f, %.1f..%.1f", n+1, w.Text, w.X0, w.X1, w.Y0, w.Y1)
			for _, v := range p.Words[:i] {
				if w.X0 < v.X1-0.1 && v.X0 < w.X1-0.1 && w.Y0 < v.Y1-0.1 && v.Y0 < w.Y1-0.1 {
					assert.Fail(t, "overlap", "page %d: %q and %q at %.1f, %.1f", n+1, w.Text, v.Text, w.X0, w.Y0)
				}
			}
		}
	}
}

func TestNoWordLiesOverAnother(t *testing.T) {
	for name, in := range cases(t) {
		t.Run(name, func(t *testing.T) { layoutIsSound(t, pdfOf(t, in)) })
	}
}

func TestNothingIsDropped(t *testing.T) {
	in := cases(t)["wild-text"]
	for i := range 300 {
		in.Site.Notes += fmt.Sprintf(" token%03d", i)
	}
	pages := pagesOf(t, pdfOf(t, in))
	all := flat(strings.Join(pages, " "))
	for i := range 300 {
		assert.Contains(t, all, fmt.Sprintf("token%03d", i))
	}
	squeezed := regexp.MustCompile(`\s`).ReplaceAllString(all, "")
	assert.GreaterOrEqual(t, strings.Count(squeezed, "W"), 700)
	assert.GreaterOrEqual(t, strings.Count(all, "Über die Brücke, dann links."), 130, "a text of 4,000 characters is printed in full")
	assert.GreaterOrEqual(t, strings.Count(all, "pulled slowly,"), 200)
	assert.GreaterOrEqual(t, strings.Count(squeezed, "asourcewithoutend"), 115)
	assert.GreaterOrEqual(t, strings.Count(all, "no end of notes"), 200)
	assert.Equal(t, 40, strings.Count(squeezed[strings.Index(squeezed, "AboutthesiteR-07"):], "–hazardx"), "every hazard")
	assert.GreaterOrEqual(t, strings.Count(squeezed, "x"), 40*300, "in full")
	first := flat(pages[0])
	assert.Regexp(t, `… \(in full: page \d+\)`, first)
	assert.Regexp(t, `and \d+ more: page \d+`, first)
	for _, want := range []string{"Łęg Świętojański", "Ωμέγα", "Щучье", "[U+1F30A]", "[U+6CB3]", "[U+1F692]", "stands for a character that these letters cannot print"} {
		assert.Contains(t, first, want)
	}
	assert.Contains(t, first, "שלום", "right-to-left text reads in its own order")
	n, err := strconv.Atoi(regexp.MustCompile(`in full: page (\d+)`).FindStringSubmatch(first)[1])
	require.NoError(t, err)
	assert.Contains(t, pages[n-1], "About the site", "the page named is the right one")
}

func TestSixtyPointsEachHaveTheirPage(t *testing.T) {
	in := cases(t)["sixty-points"]
	pages := pagesOf(t, pdfOf(t, in))
	titled := map[string]bool{}
	for _, p := range pages {
		for _, line := range strings.Split(p, "\n") {
			if name, ok := strings.CutPrefix(line, "Point "); ok && !strings.Contains(name, "continued") {
				titled[strings.Fields(name)[0]] = true
			}
		}
	}
	for _, p := range in.Points {
		assert.True(t, titled[p.Point.Label], p.Point.Label)
	}
}

func anyInput(t *rapid.T, in preplan.Input) preplan.Input {
	text := func(name string, most int) string {
		return rapid.OneOf(rapid.StringN(0, most, -1), rapid.Just(strings.Repeat("mud ", most/4)), rapid.Just(strings.Repeat("x", most)), rapid.Just("")).Draw(t, name)
	}
	in.Paper = rapid.SampledFrom([]preplan.Paper{preplan.A4, preplan.Letter}).Draw(t, "paper")
	in.Policy.Units = rapid.SampledFrom([]survey.Units{survey.UnitsUS, survey.UnitsSI}).Draw(t, "units")
	s := &in.Site
	s.Name, s.Code, s.District = text("name", 120), text("code", 16), text("district", 120)
	s.Access, s.Staging, s.Notes = text("access", 4000), text("staging", 4000), text("notes", 8000)
	s.Hazards = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) string { return rapid.StringN(0, 500, -1).Draw(t, "hazard") }), 0, 12).Draw(t, "hazards")
	s.Review = survey.Review{State: rapid.SampledFrom([]survey.ReviewState{"", survey.Draft, survey.Reviewed, survey.Signed}).Draw(t, "review"), By: text("by", 60)}
	in.Points = nil
	for range rapid.IntRange(0, 3).Draw(t, "points") {
		kind := rapid.SampledFrom([]func(string, [2]float64) preplan.PointInput{
			func(l string, p [2]float64) preplan.PointInput { return good(l, p) },
			func(l string, p [2]float64) preplan.PointInput { return short(l, p) },
			func(l string, p [2]float64) preplan.PointInput { return unknown(l, p) },
		}).Draw(t, "kind")
		p := kind(text("label", 40), along(rapid.Float64Range(-200, 200).Draw(t, "at"), 0))
		p.Answer.Sentence = text("sentence", 300)
		p.Point.SurveyedBy = text("surveyor", 100)
		in.Points = append(in.Points, p)
	}
	return in
}

func TestAnyTextMakesASoundSheet(t *testing.T) {
	base := input(t)
	inputs := rapid.Custom(func(t *rapid.T) preplan.Input { return anyInput(t, base) })
	for seed := range 20 {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			in := inputs.Example(seed)
			layoutIsSound(t, pdfOf(t, in))
			htmlOf(t, in)
		})
	}
}

func FuzzNotes(f *testing.F) {
	for _, s := range []string{"", "plain", "a\x00b\n\n\tc", "e\u0301🌊\U0010FFFF", strings.Repeat("\n", 300), "\xff\xfe", "סוף\u202Eabc"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		in := preplan.Input{PrintedAt: printed, Site: survey.Site{Name: s, Access: s, Notes: s, Hazards: []string{s}}}
		var b bytes.Buffer
		require.NoError(t, preplan.WritePDF(&b, preplan.Arrange(in)))
		require.NoError(t, preplan.WriteHTML(&b, preplan.Arrange(in), "x.css"))
	})
}

// A browser prints the page with the same banner, revisions and page numbers
// on every sheet of paper.
func TestHTMLPrints(t *testing.T) {
	in := cases(t)["mixed-draft"]
	dir := t.TempDir()
	var b bytes.Buffer
	require.NoError(t, preplan.WriteHTML(&b, preplan.Arrange(in), "sheet.css"))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "sheet.html"), b.Bytes(), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "sheet.css"), []byte(preplan.Stylesheet), 0o644))
	file := filepath.Join(dir, "printed.pdf")
	tool(t, "chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
		"--user-data-dir="+filepath.Join(dir, "profile"), "--no-pdf-header-footer", "--print-to-pdf="+file, "file://"+filepath.Join(dir, "sheet.html"))
	assert.Contains(t, tool(t, "pdfinfo", file), "(letter)")
	pages := pagesOf(t, file)
	require.Greater(t, len(pages), 5)
	for i, p := range pages {
		p = flat(p)
		assert.Contains(t, p, "NOT SIGNED: this preplan is a draft.")
		assert.Contains(t, p, "STALE SURVEY: P3, P4")
		assert.Contains(t, p, "atlas revision 812")
		assert.Contains(t, p, fmt.Sprintf("page %d of %d", i+1, len(pages)))
	}
	first := flat(pages[0])
	assert.Contains(t, first, "P1: two 3-2-1 rigs")
	assert.Contains(t, first, "Planning aid", "the first page holds everything it should")
}
