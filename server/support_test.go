package server_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// missing skips a test that needs something this machine lacks; in CI that is
// a failure.
func missing(t testing.TB, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") != "" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// tool returns the path of an outside program that a test needs.
func tool(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, "this test needs the program %s", name)
	}
	return path
}

// screens goes through day and night at some widths.
func (b *tab) screens(t *testing.T, widths []int64, see func(lit string, width int64)) {
	t.Helper()
	for _, lit := range []string{"day", "night"} {
		b.lit(t, lit)
		for _, width := range widths {
			b.do(t, chromedp.EmulateViewport(width, 900))
			see(lit, width)
		}
	}
}

// wcag names the rules of WCAG 2.2, level AA, to axe-core.
var wcag = []string{"wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"}

// needsAxe is for tests that are of no use without axe-core.
func needsAxe(t *testing.T) {
	t.Helper()
	if os.Getenv("HOLDFAST_AXE") == "" {
		missing(t, "HOLDFAST_AXE does not name axe-core's axe.js")
	}
}

// accessible requires that axe-core finds no failure on the open page: of the
// rules named or, when none is, of WCAG and of axe-core's advice on good
// practice. Where axe-core is not at hand only CI fails.
func (b *tab) accessible(t *testing.T, rules ...string) {
	t.Helper()
	if os.Getenv("HOLDFAST_AXE") == "" && os.Getenv("CI") == "" {
		return
	}
	needsAxe(t)
	axe, err := os.ReadFile(os.Getenv("HOLDFAST_AXE"))
	require.NoError(t, err)
	if rules == nil {
		rules = append(rules, append(wcag, "best-practice")...)
	}
	only, err := json.Marshal(rules)
	require.NoError(t, err)
	eval[bool](t, b, string(axe)+"; true")
	found := eval[json.RawMessage](t, b, `axe.run(document, {runOnly: `+string(only)+`})
		.then((r) => r.violations.map((v) => ({rule: v.id, help: v.help, nodes: v.nodes.map((n) => n.html.slice(0, 160) + ' ' + n.failureSummary)})))`)
	assert.JSONEq(t, `[]`, string(found))
}

// fits requires that the open page is no wider than the screen and that what
// is touched on it is at least 48 px high.
func (b *tab) fits(t *testing.T, width int64) {
	t.Helper()
	assert.LessOrEqual(t, eval[int64](t, b, `document.documentElement.scrollWidth`), width)
	assert.Empty(t, eval[[]string](t, b, `[...document.querySelectorAll('button, .button, input:not([type=hidden]), select, textarea, summary')]
		.filter((e) => e.checkVisibility()).map((e) => [e, (e.closest('label') ?? e).getBoundingClientRect()])
		.filter(([, r]) => r.height < 47.5).map(([e, r]) => e.outerHTML.slice(0, 100) + ' ' + r.width + 'x' + r.height)`), "controls lower than 48 px")
}

// lookedAt are the widths at which people look at pictures of the pages: of a
// phone, of a tablet and of a desk.
var lookedAt = []int64{360, 820, 1440}

// needsShots is for tests that only take pictures for people to look at.
func needsShots(t *testing.T) {
	t.Helper()
	if os.Getenv("HOLDFAST_SHOTS") == "" {
		t.Skip("HOLDFAST_SHOTS names no folder for pictures")
	}
}

// keepShot keeps a file for people to look at, when HOLDFAST_SHOTS names a
// folder for it.
func keepShot(t *testing.T, name string, content []byte) {
	t.Helper()
	if dir := os.Getenv("HOLDFAST_SHOTS"); dir != "" {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), content, 0o644))
	}
}

// shoot takes a picture of what is on the screen, shootAll of the whole page.
func (b *tab) shoot(t *testing.T, name string) {
	t.Helper()
	b.picture(t, name, chromedp.CaptureScreenshot())
}

func (b *tab) shootAll(t *testing.T, name string) {
	t.Helper()
	b.picture(t, name, chromedp.FullScreenshot(100))
}

func (b *tab) picture(t *testing.T, name string, take chromedp.Action[[]byte]) {
	t.Helper()
	if os.Getenv("HOLDFAST_SHOTS") == "" {
		return
	}
	png, err := chromedp.Run(b, take)
	require.NoError(t, err)
	keepShot(t, strings.ReplaceAll(name, "/", "-")+".png", png)
}
