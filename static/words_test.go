package static_test

import (
	"encoding/json"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// literal is a text in a script, in its quotes; comments, regular expressions
// and the classes and paths of elements are taken as a whole, to be left out.
var literal = regexp.MustCompile("(?s)(?:class|className|font|d|viewBox): (?:'[^']*'|`[^`]*`)|//[^\n]*|/\\*.*?\\*/|[(,=:&|!?] ?/(?:\\\\.|\\[[^\\]\n]*\\]|[^/\\\\\n])+/|'(?:\\\\.|[^'\\\\])*'|`(?:\\\\.|[^`\\\\])*`")

// prose is two words in a row, the second of which is plain text, or the
// beginning of a sentence.
var (
	prose    = regexp.MustCompile(`[A-Za-z]{2,}[,;:]? [a-z(]|^[A-Z][a-z]+\b`)
	inserted = regexp.MustCompile(`\$\{(?:[^{}]|\{[^{}]*\})*\}`)
)

// wordsOfScripts are where scripts keep what people read.
var wordsOfScripts = []string{"words.js", "walk/words.js", "walk/questions.js"}

// notProse are texts that are read by programs: values of the survey's own
// fields, names of the browser, style.
var notProse = []string{
	"bank crest", "bank toe", "buried utility", "overhead line", "marked clear", "marked present", "not located", "fall line", "tested here", "tested in this ground",
	"AbortError", "QuotaExceededError", "DeviceOrientationEvent", "Escape", "Enter", "Point", "Feature", "FeatureCollection", "Content-Type", "Idempotency-Key", "Accept", "If-Match", "If-None-Match", "Holdfast-Account",
	"input, select", "button first", "light dark", "not all", "take over",
	"screen and (prefers-color-scheme: dark)", "(prefers-reduced-motion: reduce)", "(prefers-color-scheme: dark)",
}

// programs are texts that only look like prose: ids, colours, media types, paths.
var programs = regexp.MustCompile(`^(number-error |color-mix|application/|M-?[0-9])|sans-serif$`)

// TestWordsOfScripts holds that a script has no words of its own: who corrects
// a term, or translates, finds them in three files.
func TestWordsOfScripts(t *testing.T) {
	read := 0
	err := filepath.WalkDir("js", func(path string, d fs.DirEntry, err error) error {
		name := strings.TrimPrefix(filepath.ToSlash(path), "js/")
		if err != nil || d.IsDir() || slices.Contains(wordsOfScripts, name) || strings.HasPrefix(name, "walk/worker/") { // classic scripts import nothing
			return err
		}
		read++
		for _, text := range texts(t, path) {
			assert.Fail(t, "words outside words.js", "%s: %q", name, text)
		}
		return nil
	})
	require.NoError(t, err)
	require.Greater(t, read, 30)
}

// texts are the literals of a script that people would read.
func texts(t *testing.T, path string) (out []string) {
	t.Helper()
	script, err := os.ReadFile(path)
	require.NoError(t, err)
	for _, l := range literal.FindAllString(string(script), -1) {
		if l[0] != '\'' && l[0] != '`' {
			continue
		}
		if says(l[1 : len(l)-1]) {
			out = append(out, l)
		}
	}
	return out
}

func says(text string) bool {
	text = inserted.ReplaceAllString(text, "")
	return prose.MatchString(text) && !slices.Contains(notProse, text) && !programs.MatchString(text)
}

// TestLengthsOnTheDevice holds what the Walk writes of a length to what pages
// and sheets write of it.
func TestLengthsOnTheDevice(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("no node on this machine")
		}
		t.Skip("no node on this machine")
	}
	metres := []float64{0, 0.003, 0.0241, 0.0994, 0.0996, 0.1, 0.2984, 0.3, 0.3048, 1.2192, 2, 9.118, 9.144, 9.994, 9.996, 12.34, 99.94, 99.96, 432.1, 999.4, 999.6, 1609.3, 1609.4, 4321, 98765}
	asked, err := json.Marshal(metres)
	require.NoError(t, err)
	const ask = `import { length } from "./js/walk/units.js"; console.log(JSON.stringify(JSON.parse(process.argv[1]).flatMap((m) => [length(m, "us"), length(m, "si")])))`
	out, err := exec.CommandContext(t.Context(), node, "--experimental-default-type=module", "--input-type=module", "-e", ask, string(asked)).Output()
	require.NoError(t, err)
	var got []string
	require.NoError(t, json.Unmarshal(out, &got))
	var want []string
	for _, m := range metres {
		want = append(want, wording.Length(survey.UnitsUS, geo.Length(m)), wording.Length(survey.UnitsSI, geo.Length(m)))
	}
	assert.Equal(t, want, got)
}

func TestProseOfScriptsIsTold(t *testing.T) {
	for _, text := range []string{"Sign in", "waits to be sent", "Give a name.", "${n} more: type part of the name.", "Outbox"} {
		assert.True(t, says(text), text)
	}
	for _, text := range []string{"application/geo+json, application/json", "M-8 0H8M0-8V8", "#q/${id}", "bank crest"} {
		assert.False(t, says(text), text)
	}
}
