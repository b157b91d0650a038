package server_test

import (
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
)

// TestLinksAreScanned: on the screen of whoever hands the device on, by day and
// by night, a reader of codes finds the link and nothing else.
func TestLinksAreScanned(t *testing.T) {
	zbar := tool(t, "zbarimg")
	b, d := inBrowser(t, "lead")
	for _, c := range []struct{ who, page, action, in, field string }{
		{"lead", "/account", "/account/devices", "/link/", "key-name"},
		{"admin", "/people", "/people/stations", "/station/", "screen"},
		{"admin", "/people/" + d.people["lead"].ID, "/people/" + d.people["lead"].ID + "/device", "/link/", "key-name"},
	} {
		for _, lit := range []string{"day", "night"} {
			t.Run(c.action+" by "+lit, func(t *testing.T) {
				b.do(t, chromedp.EmulateViewport(360, 800))
				b.as(t, d, c.who)
				b.lit(t, lit)
				b.open(t, c.page)
				b.fillIn(t, c.action, map[string]string{c.field: "tablet 3"})
				link := eval[string](t, b, `document.querySelector('code.secret').textContent`)
				require.True(t, strings.HasPrefix(link, b.origin+c.in), link)
				b.fits(t, 360)
				picture, err := chromedp.Run(b, chromedp.ScreenshotScale(".scan", 2)) // as dense as a phone's screen
				require.NoError(t, err)
				file := filepath.Join(t.TempDir(), "code.png")
				require.NoError(t, os.WriteFile(file, picture, 0o600))
				read, err := exec.CommandContext(t.Context(), zbar, "-q", "--raw", file).Output()
				require.NoError(t, err, "a code is found")
				assert.Equal(t, link, strings.TrimSpace(string(read)))
				assert.Contains(t, eval[string](t, b, `document.querySelector('main').textContent`), "leads to this machine only")
				b.shootAll(t, fmt.Sprintf("made-%s-%s-360", strings.Trim(c.in, "/"), lit))
			})
		}
	}
}

// TestLinksAreShownOnce, to nobody else, and lead where the server is reached.
func TestLinksAreShownOnce(t *testing.T) {
	d := newDepartment(t, func(c *server.Config) { c.Address = "https://atlas.example/" })
	lead := d.key(t, "lead")
	res := send(t, d, "/account/devices", url.Values{"name": {"tablet 3"}, "days": {"20"}}, lead)
	assert.Equal(t, "no-store", res.Header.Get("Cache-Control"))
	body := bodyOf(t, res)
	link := between(t, body, `<code class="secret">https://atlas.example/link/`, "</code>")
	assert.Contains(t, body, `<div class="scan"><svg`)
	assert.Equal(t, 1, strings.Count(body, link), "in no attribute either")
	assert.NotContains(t, body, "this machine only")
	after := bodyOf(t, call(t, d, http.MethodGet, "/account", "", lead))
	assert.Contains(t, after, "tablet 3")
	assert.NotContains(t, after, link)
	assert.NotContains(t, after, `class="scan"`)
}
