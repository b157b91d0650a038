package preplan_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
)

// structure reads the tags of a document as poppler sees them.
func structure(t testing.TB, file string) string { return tool(t, "pdfinfo", "-struct-text", file) }

var letters = regexp.MustCompile(`\s+`)

func TestPDFIsTagged(t *testing.T) {
	for _, name := range []string{"full", "mixed-draft", "empty", "nothing-holds"} {
		t.Run(name, func(t *testing.T) {
			in := cases(t)[name]
			file := pdfOf(t, in)
			tree := structure(t, file)
			require.True(t, strings.HasPrefix(tree, "Document\n  Sect"), "%.80s", tree)
			roles := regexp.MustCompile(`(?m)^ *(\w+)(?: \(\w+\))?:?$`).FindAllStringSubmatch(tree, -1)
			count := map[string]int{}
			level := 0
			for _, r := range roles {
				count[r[1]]++
				if n, err := strconv.Atoi(strings.TrimPrefix(r[1], "H")); err == nil && strings.HasPrefix(r[1], "H") {
					assert.LessOrEqual(t, n, level+1, "no level of heading is skipped")
					level = n
				}
			}
			assert.Equal(t, 1, count["H1"], "one site, one first heading")
			for _, role := range []string{"H2", "H3", "P", "L", "LI", "Lbl", "LBody", "Table", "TR", "TH", "TD"} {
				assert.NotZero(t, count[role], role)
			}
			// Every figure says in words what it shows.
			shape := tool(t, "pdfinfo", "-struct", file)
			figures := strings.Count(shape, "Figure")
			if name != "empty" {
				assert.GreaterOrEqual(t, figures, 4)
			}
			plain := filepath.Join(t.TempDir(), "plain.pdf")
			tool(t, "qpdf", "--qdf", "--object-streams=disable", file, plain)
			raw, err := os.ReadFile(plain)
			require.NoError(t, err)
			assert.Equal(t, bytes.Count(raw, []byte("/S /Figure")), bytes.Count(raw, []byte("/Alt ")))
			// What is read aloud is what is printed, but for the lines that every page repeats.
			aloud := letters.ReplaceAllString(tree, "")
			for i, p := range pagesOf(t, file) {
				for _, line := range strings.Split(strings.TrimSpace(p), "\n") {
					word := letters.ReplaceAllString(line, "")
					repeated := strings.HasPrefix(word, "atlasrevision") || strings.HasPrefix(word, "surveyed") || strings.HasPrefix(word, "page") || strings.Contains(word, ",continued") || strings.Contains(word, "standsfor")
					if len(word) < 6 || repeated || i > 0 {
						continue
					}
					for _, w := range strings.Fields(line) {
						assert.Contains(t, aloud, w, "page %d: %s", i+1, line)
					}
				}
			}
		})
	}
}

// Whatever people write is on the page and in the HTML: accents, other
// alphabets, signs these letters do not have, long notes, a missing elevation.
func TestAnyTextIsOnThePage(t *testing.T) {
	in := input(t)
	in.Site.Access = "Zażółć gęślą jaźń, naïve façade, Ελλάδα, Ёж, ქართული, עברית, مرحبا, 水辺, 🚒👩‍🚒"
	in.Site.Notes = ""
	for i := range 500 {
		in.Site.Notes += fmt.Sprintf("note%03d ", i) // 4,000 characters
	}
	require.Len(t, in.Site.Notes, 4000)
	in.Points[0].Point.ElevationM = survey.Opt[geo.Length]{}
	all := flat(strings.Join(pagesOf(t, pdfOf(t, in)), " "))
	for _, want := range []string{"Zażółć gęślą jaźń, naïve façade, Ελλάδα, Ёж, ქართული,", "עברית", "[U+6C34][U+8FBA]", "[U+1F692][U+1F469][U+1F692]", "elevation not recorded"} {
		assert.Contains(t, strings.ReplaceAll(all, "] [", "]["), want)
	}
	page := htmlOf(t, in)
	for _, want := range []string{"ქართული, עברית, مرحبا, 水辺, 🚒👩‍🚒", "elevation not recorded"} {
		assert.Contains(t, page, want, "a browser has other letters to print with")
	}
	for i := range 500 {
		note := fmt.Sprintf("note%03d", i)
		assert.Contains(t, all, note)
		assert.Contains(t, page, note)
	}
}
