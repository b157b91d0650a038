package preplan_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/preplan"
)

var update = flag.Bool("update", false, "write the golden sheets anew")

// cases are the sites kept as golden files and put through every check.
func cases(t testing.TB) map[string]preplan.Input {
	full := input(t)
	full.Points[0].Sharing = sharing()

	mixed := input(t)
	mixed.Points = append(mixed.Points, short("P3", along(-70, 1)), unknown("P4", along(100, 2)))
	mixed.Site.Review = survey.Review{State: survey.Draft}
	mixed.Paper = preplan.Letter

	none := input(t)
	none.Points = []preplan.PointInput{unknown("P1", here), short("P2", along(60, 0.5))}
	none.Policy.Units = survey.UnitsSI
	for i := range none.Points[1].Answer.Options {
		o := &none.Points[1].Answer.Options[i]
		o.Verdict, o.Main.Verdict = answer.No, answer.No
		o.Main.Checks = append(o.Main.Checks, check("buried utilities", true, false, true, "8 in gas at 0.3 m: inside the 0.61 m tolerance zone", "move the rig: keep every stake 0.61 m clear"))
	}

	empty := preplan.Input{PrintedAt: printed}

	wild := input(t)
	wild.Paper = preplan.Letter
	p := &wild.Points[0]
	wild.Site.Name = "Łęg Świętojański – Ωμέγα – Щучье – שלום – سلام 🌊 " + strings.Repeat("very long ", 6)
	wild.Site.Access = strings.Repeat("Über die Brücke, dann links. ", 140)
	wild.Site.Staging = "河岸 beside the pump house 🚒🚒"
	wild.Site.Notes = strings.Repeat("W", 700) + " " + strings.Repeat("no end of notes\n", 200)
	for range 40 {
		wild.Site.Hazards = append(wild.Site.Hazards, "hazard "+strings.Repeat("x", 300))
		wild.Site.Contacts = append(wild.Site.Contacts, survey.Contact{Who: "Señora Núñez " + strings.Repeat("de la ", 20)})
	}
	p.Point.PullTests[0].Note = strings.Repeat("pulled slowly, held, ", 200)
	p.Answer.Sentence = strings.Repeat("A very long answer. ", 60)
	p.Answer.Options[0].Main.Reasons = []string{strings.Repeat("because ", 300)}
	p.Answer.Options[0].Main.Anchor.Evidence[0].Source = strings.Repeat("a source without end ", 120)
	p.Answer.Options[0].Kit.Short = []string{strings.Repeat("more stakes ", 40)}

	many := input(t)
	many.Points = nil
	for i := range 60 {
		pt := good("P"+string(rune('A'+i/26))+string(rune('A'+i%26)), along(float64(i)*4-120, 0.5))
		if i%3 == 1 {
			pt = short(pt.Point.Label, pt.Point.Position)
		}
		if i%7 == 3 {
			pt = unknown(pt.Point.Label, pt.Point.Position)
		}
		many.Points = append(many.Points, pt)
	}
	return map[string]preplan.Input{"full": full, "mixed-draft": mixed, "nothing-holds": none, "empty": empty, "wild-text": wild, "sixty-points": many}
}

var drawings = regexp.MustCompile(`(?s)<svg.*?</svg>`)

func htmlOf(t testing.TB, in preplan.Input) string {
	var b bytes.Buffer
	require.NoError(t, preplan.WriteHTML(&b, preplan.Arrange(in), "/style/sheet.css"))
	return b.String()
}

// The golden files are the pages in HTML without their drawings, which have
// golden files of their own.
func TestGolden(t *testing.T) {
	for name, in := range cases(t) {
		if name == "sixty-points" {
			continue
		}
		t.Run(name, func(t *testing.T) {
			got := drawings.ReplaceAllString(htmlOf(t, in), "<svg/>")
			file := filepath.Join("testdata", name, "sheet.html")
			if *update {
				require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			assert.Equal(t, string(want), got, "look at the sheet, then go test -update")
		})
	}
}

func TestHTMLKeepsTheContentSecurityPolicy(t *testing.T) {
	for name, in := range cases(t) {
		t.Run(name, func(t *testing.T) {
			page := htmlOf(t, in)
			for _, no := range []string{"<style", "<script", " style=", "javascript:", " onload=", "http://", "https://"} {
				assert.NotContains(t, strings.ReplaceAll(page, `xmlns="http://www.w3.org/2000/svg"`, ""), no)
			}
			assert.Contains(t, page, `<link rel="stylesheet" href="/style/sheet.css">`)
			assert.Contains(t, page, `lang="en-US"`)
			ids := regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1)
			seen := map[string]bool{}
			for _, id := range ids {
				assert.False(t, seen[id[1]], "id %s stands twice", id[1])
				seen[id[1]] = true
			}
		})
	}
}

func TestHTMLEscapesWhatPeopleWrite(t *testing.T) {
	in := input(t)
	in.Site.Notes = `<script>alert(1)</script> & "quotes"`
	in.Points[0].Point.Label = `<b>P1`
	page := htmlOf(t, in)
	assert.NotContains(t, page, "<script>")
	assert.NotContains(t, page, "<b>P1")
	assert.Contains(t, page, "&lt;script&gt;alert(1)&lt;/script&gt;")
}

// field returns the text of a named field.
func field(t *testing.T, fs []preplan.Field, name string) preplan.Field {
	for _, f := range fs {
		if f.Name == name {
			return f
		}
	}
	require.Fail(t, "there is no field "+name)
	return preplan.Field{}
}

func TestFrontPageAnswersFirst(t *testing.T) {
	f := preplan.Arrange(input(t)).Front
	require.NotNil(t, f.Best)
	assert.Equal(t, "Best anchor for the two-person load, 600 lbf (2.7 kN) on the anchor", f.Heading)
	assert.Equal(t, "P1: two 3-2-1 rigs, belay on tree T1", f.Best.Title)
	assert.Equal(t, "pull 214° true, 219° magnetic", f.Best.Pull)
	// The converter's own figure: GeoConvert -m -p 0 (GeographicLib 2.1.2) gives 16SGH2657731737.
	assert.Equal(t, "16S GH 26577 31737", f.Grid)
	assert.Equal(t, "geo:38.205100,-84.412300", f.GeoURI, "RFC 5870: latitude first")
	assert.Equal(t, "8,000 lbf (35 kN), estimate: handbook", field(t, f.Best.Rows, "Holds").Text)
	assert.Equal(t, "13:1, required 10:1", field(t, f.Best.Rows, "Ratio").Text)
	assert.Equal(t, "back-bearing 034° true, 039° magnetic", field(t, f.Best.Rows, "Line up on").Text)
	assert.Contains(t, field(t, f.Best.Rows, "Kit").Text, "12 stakes (pickets), 2 drivers, 10 webbing pieces, 74 ft (22.5 m) of rope")
	assert.Contains(t, field(t, f.Best.Rows, "Belay").Text, "SHORT")
	assert.True(t, field(t, f.Best.Rows, "Belay").Loud)
	require.NotNil(t, f.Second)
	assert.Equal(t, "P2: two 3-2-1 rigs, belay on tree T1", f.Second.Title, "the second choice is elsewhere where that is as good")
	assert.Len(t, f.Cautions, 4)
}

func TestFrontPageWhenNothingHolds(t *testing.T) {
	in := input(t)
	in.Points = []preplan.PointInput{short("P3", here)}
	f := preplan.Arrange(in).Front
	require.NotNil(t, f.Best)
	assert.Equal(t, answer.Short, f.Best.Verdict, "short is offered, and said to be short")
	assert.Equal(t, "NOT RUN: buried utilities; failed, shown only: age of the survey", field(t, f.Best.Rows, "Checks").Text)
	assert.Contains(t, field(t, f.Best.Rows, "Belay").Text, "none")
	assert.Nil(t, f.Second)

	in = cases(t)["nothing-holds"]
	f = preplan.Arrange(in).Front
	assert.Nil(t, f.Best, "an anchor that fails is not offered")
	assert.Contains(t, f.None, "no anchor at the surveyed points is known to hold it")
	assert.Contains(t, f.None, "take the pull bearing on the ground")
}

func TestSecondChoice(t *testing.T) {
	in := input(t)
	in.Points = in.Points[:1]
	f := preplan.Arrange(in).Front
	require.NotNil(t, f.Second)
	assert.Equal(t, answer.Short, f.Second.Verdict)
	assert.Equal(t, "P1: 3-2-1 rig, belay on tree T1", f.Second.Title, "the same point's next option, when there is no other point")

	in.Points = append(in.Points, short("P3", along(-70, 1)))
	f = preplan.Arrange(in).Front
	assert.True(t, strings.HasPrefix(f.Second.Title, "P3"), "of two that are short, the one elsewhere")
}

func TestBanners(t *testing.T) {
	signed := survey.Review{State: survey.Signed, By: "x", At: survey.Known(day(2026, 11, 5))}
	tests := map[string]struct {
		surveyed survey.Opt[time.Time]
		review   survey.Review
		want     []string
	}{
		"fresh and signed":     {survey.Known(day(2026, 11, 2)), signed, nil},
		"24 months to the day": {survey.Known(time.Date(2024, 11, 25, 3, 12, 0, 0, time.UTC)), signed, nil},
		"a day over 24 months": {survey.Known(time.Date(2024, 11, 24, 3, 12, 0, 0, time.UTC)), signed, []string{"STALE SURVEY: P1 (oldest 24 Nov 2024, due after 24 months). Re-check."}},
		"no date":              {survey.Opt[time.Time]{}, signed, []string{"STALE SURVEY: P1 (date missing or in the future). Re-check."}},
		"date in the future":   {survey.Known(day(2027, 1, 1)), signed, []string{"STALE SURVEY: P1 (date missing or in the future). Re-check.", "NOT SIGNED FOR: P1 surveyed or tested after the site was signed."}},
		"draft":                {survey.Known(day(2026, 11, 2)), survey.Review{State: survey.Draft}, []string{"NOT SIGNED: this preplan is a draft."}},
		"never reviewed":       {survey.Known(day(2026, 11, 2)), survey.Review{}, []string{"NOT SIGNED: no review of this preplan is recorded."}},
		"reviewed only":        {survey.Known(day(2026, 11, 2)), survey.Review{State: survey.Reviewed}, []string{"NOT SIGNED: reviewed, but nobody has signed this preplan."}},
		"sign-off run out": {
			survey.Known(day(2026, 11, 2)),
			survey.Review{State: survey.Signed, By: "x", Due: survey.Known(day(2026, 11, 20))},
			[]string{"SIGN-OFF OVERDUE: review was due 20 Nov 2026."},
		},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			in := input(t)
			in.Points = in.Points[:1]
			in.Points[0].Point.SurveyedAt, in.Site.Review = tt.surveyed, tt.review
			assert.Equal(t, tt.want, preplan.Arrange(in).Banners)
		})
	}
	assert.Equal(t, []string{"NO POINT SURVEYED: this site has no surveyed anchor point.", "NOT SIGNED: no review of this preplan is recorded."},
		preplan.Arrange(preplan.Input{PrintedAt: printed}).Banners)
}

func TestEveryFigureCarriesItsEvidence(t *testing.T) {
	in := input(t)
	a := &in.Points[0].Answer.Options[0].Main.Anchor
	for grade, want := range map[survey.Evidence]string{
		survey.TestedHere: "8,000 lbf (35 kN), tested here: one rig was pulled, 2 are taken alike", survey.TestedGround: "8,000 lbf (35 kN), estimate: tested in this ground",
		survey.Mechanics: "8,000 lbf (35 kN), estimate: mechanics", survey.Assumed: "8,000 lbf (35 kN), estimate: assumed", "": "8,000 lbf (35 kN), evidence not recorded",
	} {
		a.Governs = grade
		assert.Equal(t, want, field(t, preplan.Arrange(in).Front.Best.Rows, "Holds").Text)
	}
	a.HoldingN = survey.Opt[float64]{}
	assert.Equal(t, "holding power unknown", field(t, preplan.Arrange(in).Front.Best.Rows, "Holds").Text)
}

func TestUnknownIsNeverBlank(t *testing.T) {
	page := htmlOf(t, cases(t)["empty"])
	for _, want := range []string{"a site without a name", "not recorded", "grid reference unknown", "no point of this site has been surveyed", "NO POINT SURVEYED"} {
		assert.Contains(t, page, want)
	}
	in := input(t)
	in.Points = []preplan.PointInput{unknown("P4", here)}
	page = htmlOf(t, in)
	for _, want := range []string{
		"pull bearing unknown", "class unknown", "texture not recorded", "slope not recorded", "setback of the point not recorded", "STALE: not recorded",
		"<dt>Locate</dt><dd>of buried utilities: not recorded", "no layer in the atlas, so not known from files: buried utility, overhead line, road, water", "none recorded at this point",
	} {
		assert.Contains(t, page, want)
	}
	for _, cell := range []string{"<td></td>", "<dd></dd>", "<li></li>", "NaN", "%!"} {
		assert.NotContains(t, strings.ReplaceAll(page, `<th scope="col"></th>`, ""), cell)
	}
}

func TestChecksAreMarkedThreeWays(t *testing.T) {
	in := input(t)
	in.Points = []preplan.PointInput{short("P3", here)}
	page := htmlOf(t, in)
	failed, idle, passed := strings.Index(page, "✗ FAILED"), strings.Index(page, "○ NOT RUN"), strings.Index(page, "Passed: ✓ ground: class B, provisional")
	require.True(t, failed > 0 && idle > 0 && passed > 0)
	assert.True(t, failed < idle && idle < passed, "what is wrong comes first")
}

// Stakes are set out by hand at known offsets from the mark: row 2 of a 1-1
// rig lies 1.2192 m behind it, on the back-bearing 214° - 180° = 034°; the
// compass there is 5.3° west of true, so it reads 039°.
func TestStakeTable(t *testing.T) {
	in := input(t)
	in.Points = in.Points[:1]
	o := &in.Points[0].Answer.Options[0]
	o.Main.Anchor.Rig, o.Main.Anchor.Count = "1-1", 1
	o.Main.Layout = layout(here, 214, 1, 1, 1)
	var rows []preplan.Row
	for _, b := range preplan.Arrange(in).Parts[1].Blocks {
		for _, c := range b.Columns {
			if h := c.Blocks[0]; h.Table != nil && h.Heading == "Main: 1-1 rig" {
				assert.Equal(t, []string{"row", "no.", "true", "mag.", "distance", "USNG 16S GH"}, h.Table.Columns)
				rows = h.Table.Rows
			}
		}
	}
	require.Len(t, rows, 2)
	assert.Equal(t, []string{"1", "1", "mark", "mark", "0 in (0 mm)", "26577 31737"}, rows[0].Cells)
	assert.Equal(t, []string{"2", "1", "034°", "039°", "4 ft (1.22 m)", "26577 31738"}, rows[1].Cells, "GeodSolve and GeoConvert give 16SGH2657731738")
}

func TestKitIsSetAgainstWhatIsCarried(t *testing.T) {
	in := input(t)
	in.Points = in.Points[:1]
	in.Policy.Kit.Stakes.Value, in.Policy.Kit.RopeM.Value = 8, 20
	page := htmlOf(t, in)
	assert.Regexp(t, `stakes</th><td>12</td><td>8</td><td>SHORT by 4</td>`, page)
	assert.Regexp(t, `rope to the toe</th><td>74 ft \(22.5 m\)</td><td>66 ft \(20.0 m\)</td><td>SHORT</td>`, page)
	in.Points[0].Answer.Options[0].Kit.RopeM = survey.Opt[geo.Length]{}
	assert.Regexp(t, `rope to the toe</th><td>unknown</td>`, htmlOf(t, in))
}

func TestDangersTellUnknownFromClear(t *testing.T) {
	in := input(t)
	in.Points = append(in.Points, short("P3", along(-70, 1)), unknown("P4", along(100, 2)))
	in.Points[1].Point.BuriedUtilities.Until = survey.Known(day(2026, 11, 20))
	d := preplan.Arrange(in).Front.Dangers
	buried := field(t, d, "Buried").Text
	assert.Contains(t, buried, "marked clear until 3 Dec 2026: P1")
	assert.Contains(t, buried, "the locate ran out on 20 Nov 2026: P2")
	assert.Contains(t, buried, "NOT LOCATED, do not drive: P3")
	over := field(t, d, "Overhead").Text
	assert.Contains(t, over, "PRESENT, 12 kV, clearance 29 ft 6 in (9.00 m): P3")
	assert.Contains(t, over, "not known, look up: P4")

	in.Points = []preplan.PointInput{unknown("P4", here)}
	assert.Contains(t, field(t, preplan.Arrange(in).Front.Dangers, "Buried").Text, "no buried utility layer in the atlas, so nothing is known from files")
}

func TestArrangeLeavesItsInputAlone(t *testing.T) {
	in, again := input(t), input(t)
	checks := in.Points[0].Answer.Options[0].Main.Checks
	preplan.Arrange(in)
	assert.Equal(t, again.Points[0].Answer.Options[0].Main.Checks, checks)
	assert.Equal(t, again.Site, in.Site)
	assert.Equal(t, again.Points[0].Answer, in.Points[0].Answer)
}

func TestOtherLoadsAreNotMixed(t *testing.T) {
	in := input(t)
	in.Points[0].Answer.LoadCase.ID, in.Points[0].Answer.LoadCase.Title = "one-person", "one-person load"
	f := preplan.Arrange(in).Front
	assert.True(t, strings.HasPrefix(f.Best.Title, "P2"), "P1 was answered for another load")
}

func TestKitThatIsNotCarriedRanksBehind(t *testing.T) {
	in := input(t)
	in.Points[0].Answer.Options[0].Kit.Short = []string{"stakes: 12 needed, 8 carried"}
	f := preplan.Arrange(in).Front
	assert.True(t, strings.HasPrefix(f.Best.Title, "P2"), "P2 holds as well, with what is carried")
	assert.Equal(t, "stakes: 12 needed, 8 carried", field(t, f.Second.Rows, "Not carried").Text)
}

func TestTonightIsSaid(t *testing.T) {
	in := input(t)
	in.Points = in.Points[:1]
	p := &in.Points[0]
	p.Answer.Ifs = []answer.If{{Moisture: survey.Wet, Class: survey.ClassB, Verdict: answer.Short, Ratio: survey.Known(6.6), Anchor: "three 3-2-1 rigs", SameVerdict: answer.No, SameRatio: survey.Known(1.5)}, {Moisture: survey.Submerged, Class: survey.ClassC, Verdict: answer.No, Anchor: "1-1 rig", SameVerdict: answer.No}}
	page := htmlOf(t, in)
	assert.Contains(t, page, "if wet tonight: class B, this anchor NO 1.5:1, the best then three 3-2-1 rigs SHORT 6.6:1; if submerged tonight: class C, this anchor NO")
	p.Answer.Tonight, p.Near.PastCrest = survey.Wet, true
	page = htmlOf(t, in)
	assert.Contains(t, page, "ANSWERED FOR GROUND THAT IS WET TONIGHT")
	assert.Contains(t, page, "THE CREST LINE ON FILE LIES BEHIND THE POINT")
}

func TestWhatIsShownOnlyIsNotHidden(t *testing.T) {
	in := input(t)
	in.Points = in.Points[:1]
	o := &in.Points[0].Answer.Options[0]
	o.Belay = nil
	o.Main.Checks = []answer.Check{check("ground", true, true, true, "class A", ""), check("road and traffic", true, false, false, "within 3 m of Mill Road", "close the lane")}
	f := field(t, preplan.Arrange(in).Front.Best.Rows, "Checks")
	assert.Equal(t, "failed, shown only: road and traffic", f.Text)
	assert.False(t, f.Loud)
	assert.Contains(t, htmlOf(t, in), "all that matter passed; failed, shown only: road and traffic")
}
