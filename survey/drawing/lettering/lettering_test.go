package lettering_test

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"codeberg.org/go-fonts/dejavu/dejavusansbold"
	"codeberg.org/go-pdf/fpdf"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"pgregory.net/rapid"

	"holdfast/survey/drawing/lettering"
)

// The PDF library reads the font files with a parser of its own: what it says
// of a width is what a viewer will advance by.
func TestWidthAgreesWithThePDFLibrary(t *testing.T) {
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.AddUTF8FontFromBytes("d", "", dejavusans.TTF)
	pdf.AddUTF8FontFromBytes("d", "B", dejavusansbold.TTF)
	for _, face := range []lettering.Face{lettering.Regular, lettering.Bold} {
		pdf.SetFont("d", map[lettering.Face]string{lettering.Regular: "", lettering.Bold: "B"}[face], 11)
		seen := 0
		for r := rune(0x20); r < 0xFFFF; r++ {
			if !lettering.Has(r) {
				continue
			}
			seen++
			if got, want := lettering.Width(face, 11, string(r)), pdf.GetStringWidth(string(r)); assert.InDelta(t, want, got, 1e-9, "%U", r) == false {
				return
			}
		}
		assert.Greater(t, seen, 5000, "DejaVu Sans has more than 5,000 characters")
	}
}

func TestClean(t *testing.T) {
	tests := map[string]struct {
		in, want string
		replaced bool
	}{
		"plain":              {"T1: oak, 18 in", "T1: oak, 18 in", false},
		"accents composed":   {"Cafe\u0301 Łódź", "Café Łódź", false},
		"line ends":          {"a\r\nb\rc\u2028d", "a\nb\nc\nd", false},
		"tab and thin space": {"a\tb\u2009c", "a b c", false},
		"Greek and Cyrillic": {"Ωμέγα Щука", "Ωμέγα Щука", false},
		"emoji":              {"mud 🌊!", "mud [U+1F30A]!", true},
		"joined emoji":       {"👩‍🚒", "[U+1F469][U+1F692]", true},
		"Chinese":            {"河岸", "[U+6CB3][U+5CB8]", true},
		"control character":  {"a\x07b", "a[U+0007]b", true},
		"broken bytes":       {"a\xffb", "a\uFFFDb", false},
		"direction override": {"abc\u202Edef", "abcdef", false},
		"no-break space":     {"4\u00A0ft", "4\u00A0ft", false},
		"not a character":    {"\uFFFF", "[U+FFFF]", true},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			got, replaced := lettering.Clean(tt.in)
			assert.Equal(t, tt.want, got)
			assert.Equal(t, tt.replaced, replaced)
		})
	}
	line, _ := lettering.Line("a\n  b\t c ")
	assert.Equal(t, "a b c", line)
}

func FuzzClean(f *testing.F) {
	for _, s := range []string{"", "a\x00b", "e\u0301", "🌊", "\xff\xfe", "שלום עולם", "سلام 12"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, _ := lettering.Clean(s)
		require.True(t, utf8.ValidString(got))
		for _, r := range got {
			require.True(t, r == '\n' || lettering.Has(r), "%U cannot be printed", r)
		}
		again, replaced := lettering.Clean(got)
		require.Equal(t, got, again)
		require.False(t, replaced)
		for _, r := range lettering.Visual(got) {
			require.True(t, r == '\n' || lettering.Has(r), "%U cannot be printed", r)
		}
	})
}

func letters(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return -1
		}
		return r
	}, s)
}

func TestWrapKeepsEveryLetterAndTheMargin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`[a-zA-ZäéŁ0-9,./\-]{1,40}`)
		s := strings.Join(rapid.SliceOfN(word, 0, 30).Draw(t, "words"), rapid.SampledFrom([]string{" ", "  ", "\n", "-"}).Draw(t, "between"))
		width := rapid.Float64Range(8, 200).Draw(t, "width")
		pt := rapid.Float64Range(7, 24).Draw(t, "size")
		lines := lettering.Wrap(lettering.Regular, pt, width, s)
		assert.Equal(t, letters(s), letters(strings.Join(lines, "")), "nothing is lost, nothing is added")
		for _, l := range lines {
			if utf8.RuneCountInString(l) > 1 {
				assert.LessOrEqual(t, lettering.Width(lettering.Regular, pt, l), width+1e-9, "%q", l)
			}
		}
	})
}

func TestWrapBreaksWhereReadersExpect(t *testing.T) {
	wrap := func(width float64, s string) []string { return lettering.Wrap(lettering.Regular, 10, width, s) }
	assert.Equal(t, []string{"one", "two"}, wrap(10, "one two"))
	assert.Equal(t, []string{"3-2-1", "rig"}, wrap(11, "3-2-1 rig"), "a rig pattern stays whole")
	assert.Equal(t, []string{"spacing", "4 ft", "(1.22 m)"}, wrap(18, "spacing 4 ft (1.22 m)"), "a number keeps its unit")
	assert.Equal(t, []string{"a", "", "b"}, wrap(50, "a\n\nb"))
	assert.Equal(t, []string{""}, wrap(50, ""))
	assert.Equal(t, []string{"[U+6CB3]", "[U+5CB8]"}, wrap(20, "[U+6CB3][U+5CB8]"))
}

// Letter forms: The Unicode Standard, code chart FE70-FEFF, Arabic
// Presentation Forms-B: FEB3 seen initial, FEE0 lam medial, FE8E alef final,
// FEE1 meem isolated. Order: Unicode Annex 9.
func TestVisual(t *testing.T) {
	assert.Equal(t, "plain 12", lettering.Visual("plain 12"))
	assert.Equal(t, "\u05DD\u05D5\u05DC\u05E9", lettering.Visual("\u05E9\u05DC\u05D5\u05DD"), "Hebrew runs from the right")
	assert.Equal(t, "\uFEE1\uFE8E\uFEE0\uFEB3", lettering.Visual("\u0633\u0644\u0627\u0645"), "Arabic letters join")
	assert.Contains(t, lettering.Visual("\u0633\u0644\u0627\u0645 [U+1F30A] ok"), "[U+1F30A]", "a number keeps its brackets")
	assert.Equal(t, "T1 \u05DD\u05D5\u05DC\u05E9", lettering.Visual("T1 \u05E9\u05DC\u05D5\u05DD"), "a Latin start stays on the left")
}

func TestFontsHoldWhatIsAskedFor(t *testing.T) {
	usual := lettering.Fonts([]rune("aé→✓"))
	assert.Less(t, len(usual[lettering.Regular]), len(dejavusans.TTF)/2, "the usual letters come from cut-down fonts")
	georgian := lettering.Fonts([]rune{'ა'})
	assert.Equal(t, len(dejavusans.TTF), len(georgian[lettering.Regular]))
	assert.Equal(t, len(dejavusansbold.TTF), len(georgian[lettering.Bold]))
}

// A cut font has a glyph of its own for every letter asked for, as wide as in
// the whole font.
func TestCut(t *testing.T) {
	var set lettering.Set
	for _, r := range "ΩZé→✓aა" {
		set.Add(r)
	}
	used := set.Runes()
	require.Equal(t, []rune("ZaéΩა→✓"), used)
	for _, face := range []lettering.Face{lettering.Regular, lettering.Bold} {
		cut, err := lettering.Cut(face, used)
		require.NoError(t, err)
		font, err := sfnt.Parse(cut.TTF)
		require.NoError(t, err)
		var b sfnt.Buffer
		seen := map[uint16]bool{}
		for i, r := range used {
			g := cut.Glyphs[i]
			assert.NotZero(t, g, "%U", r)
			assert.False(t, seen[g], "%U", r)
			seen[g] = true
			wide, err := font.GlyphAdvance(&b, sfnt.GlyphIndex(g), fixed.I(1000), 0)
			require.NoError(t, err)
			assert.InDelta(t, lettering.Advance(face, r), float64(wide)/64, 1, "%U", r)
		}
	}
}
