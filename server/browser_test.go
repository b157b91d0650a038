package server_test

import (
	"context"
	"fmt"
	"log/slog"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/demo"
	"holdfast/survey/sqlite"
)

// tab is a browser tab with everything it asked for and complained of.
type tab struct {
	context.Context
	origin string

	mu         sync.Mutex
	requests   []string
	complaints []string
}

func newTab(t *testing.T, origin string) *tab {
	t.Helper()
	return newTabFor(t, origin, 3*time.Minute)
}

// newTabFor opens a tab that may be used for so long.
func newTabFor(t *testing.T, origin string, most time.Duration) *tab {
	t.Helper()
	path := tool(t, "chromium")
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	ctx, stop := context.WithTimeout(t.Context(), most)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	b := &tab{Context: ctx, origin: origin}
	require.NoError(t, chromedp.Listen(ctx, b.hear))
	return b
}

func (b *tab) hear(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch ev := ev.(type) {
	case *network.EventRequestWillBeSent:
		b.requests = append(b.requests, ev.Request.URL)
	case *log.EventEntryAdded:
		if ev.Entry.Level == "error" || ev.Entry.Level == "warning" {
			b.complaints = append(b.complaints, string(ev.Entry.Level)+": "+ev.Entry.Text+" "+ev.Entry.URL)
		}
	case *runtime.EventConsoleAPICalled:
		if ev.Type == "error" || ev.Type == "warning" {
			b.complaints = append(b.complaints, fmt.Sprintf("console.%s %s", ev.Type, describe(ev.Args)))
		}
	case *runtime.EventExceptionThrown:
		b.complaints = append(b.complaints, "exception: "+ev.ExceptionDetails.Text+" "+describe([]*runtime.RemoteObject{ev.ExceptionDetails.Exception}))
	}
}

func describe(args []*runtime.RemoteObject) string {
	var out []string
	for _, a := range args {
		if a != nil {
			out = append(out, a.Description+string(a.Value))
		}
	}
	return strings.Join(out, " ")
}

// clean requires that nothing was asked of elsewhere and nothing went wrong.
func (b *tab) clean(t *testing.T) {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	assert.NotEmpty(t, b.requests)
	for _, url := range b.requests {
		ours := strings.HasPrefix(url, b.origin+"/") || strings.HasPrefix(url, "data:") || strings.HasPrefix(url, "blob:")
		assert.True(t, ours, "the page asked for %s", url)
	}
	assert.Empty(t, b.complaints)
}

func (b *tab) do(t *testing.T, actions ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	require.NoError(t, chromedp.Do(b, actions...))
}

func (b *tab) open(t *testing.T, path string) {
	t.Helper()
	if strings.HasPrefix(path, "/") { // else it is elsewhere
		path = b.origin + path
	}
	b.do(t, chromedp.Navigate(path))
}

// eval runs an expression, waiting for it when it is a promise.
func eval[T any](t *testing.T, b *tab, expression string) T {
	t.Helper()
	v, err := chromedp.Run(b, chromedp.Evaluate[T](expression, func(p *runtime.EvaluateParams) {
		yes := true
		p.AwaitPromise = &yes
	}))
	require.NoError(t, err, expression)
	return v
}

// until waits for an expression to be true.
func (b *tab) until(t *testing.T, expression string) {
	t.Helper()
	require.Eventually(t, func() bool { return eval[bool](t, b, "!!("+expression+")") }, 20*time.Second, 50*time.Millisecond, expression)
}

// lit sets how the screen is lit, as the switch does.
func (b *tab) lit(t *testing.T, d string) {
	t.Helper()
	_, err := chromedp.Call(b, network.SetCookie, network.SetCookieParams{Name: "display", Value: d, URL: b.origin + "/"})
	require.NoError(t, err)
}

const mapReady = `document.querySelector('#map').dataset.ready && document.querySelectorAll('#ledger [data-id]').length >= 4 && document.querySelector('#place').textContent`

func browse(t *testing.T) *tab {
	t.Helper()
	s, _ := fixture(t)
	web := httptest.NewServer(s)
	t.Cleanup(web.Close)
	return newTab(t, web.URL)
}

// TestMapInBrowser looks at the map as a person with a keyboard does: the
// points are there, one can be chosen on the map, and the ledger leads on.
func TestMapInBrowser(t *testing.T) {
	b := browse(t)
	b.do(t, chromedp.EmulateViewport(1280, 800))
	b.open(t, "/")
	b.until(t, mapReady)

	inked := `(() => { const c = document.querySelector('#map canvas'); const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
		let n = 0; for (let i = 3; i < d.length; i += 4) if (d[i]) n++; return n })()`
	assert.Greater(t, eval[int](t, b, inked), 5000, "the map is blank")
	assert.Equal(t, 4, eval[int](t, b, `document.querySelectorAll('#ledger [data-id]').length`))

	// From the top of the page by Tab alone to the first point, and in.
	b.tabTo(t, `a[href^="/points/"]`)
	assert.True(t, eval[bool](t, b, `document.activeElement.matches(':focus-visible')`))
	b.do(t, chromedp.KeyEvent(kb.Enter))
	b.until(t, `location.pathname.startsWith('/points/') && document.querySelector('.answer .verdict')`)
	b.clean(t)
}

// tabTo presses Tab until an element has the focus.
func (b *tab) tabTo(t *testing.T, selector string) {
	t.Helper()
	for range 60 {
		b.do(t, chromedp.KeyEvent(kb.Tab))
		if eval[bool](t, b, `document.activeElement.matches(`+"`"+selector+"`"+`)`) {
			return
		}
	}
	t.Fatalf("the Tab key does not reach %s", selector)
}

// TestKeysToSheet goes from the map to a site and its sheet by keys alone.
func TestKeysToSheet(t *testing.T) {
	b := browse(t)
	b.do(t, chromedp.EmulateViewport(1280, 800))
	b.open(t, "/")
	b.until(t, mapReady)
	b.tabTo(t, `.site-line a[href="/sites/s-alder"]`)
	b.do(t, chromedp.KeyEvent(kb.Enter))
	b.until(t, `location.pathname === '/sites/s-alder' && document.readyState === 'complete'`)
	b.tabTo(t, `a[href="/sites/s-alder/sheet"]`)
	b.do(t, chromedp.KeyEvent(kb.Enter))
	b.until(t, `location.pathname === '/sites/s-alder/sheet' && document.readyState === 'complete'`)
	assert.Contains(t, eval[string](t, b, `document.body.textContent`), "Alder Bend")
	b.clean(t)
}

// TestChoosePoint clicks a point on the map and follows its card.
func TestChoosePoint(t *testing.T) {
	b := browse(t)
	b.do(t, chromedp.EmulateViewport(1280, 800))
	b.open(t, "/#18/44.6513/-91.2045")
	b.until(t, `document.querySelector('#map').dataset.ready && document.querySelector('#ledger [data-id="p-good"]')`)
	box := eval[[]float64](t, b, `(() => { const r = document.querySelector('#map').getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2] })()`)
	b.do(t, chromedp.MouseClickXY(box[0], box[1]))
	b.until(t, `!document.querySelector('#card').hidden`)
	assert.Equal(t, "Alder Bend, A1", eval[string](t, b, `document.querySelector('#card h2').textContent`))
	assert.Equal(t, "true", eval[string](t, b, `document.querySelector('#ledger [data-id="p-good"]').dataset.chosen`))
	b.do(t, chromedp.KeyEvent(kb.Escape))
	b.until(t, `document.querySelector('#card').hidden`)
	b.clean(t)
}

var looked = map[string]string{
	"map-asked": "/?casualty=44.6511,-91.2044&coverage=1&measure=44.65,-91.2%3B44.651,-91.2", "map-print": "/map/print?bbox=-91.21,44.64,-91.19,44.66&casualty=44.6511,-91.2044",
	"map": "/", "search": "/?q=alder", "site": "/sites/s-alder", "site-bare": "/sites/s-cutting", "point": "/points/p-good", "point-weak": "/points/p-weak",
	"point-barred": "/points/p-barred", "point-bare": "/points/p-bare", "upkeep": "/upkeep?ended=2026-04-30&within=150", "about": "/about", "error": "/sites/nowhere", "sheet": "/sites/s-alder/sheet", "ratings": "/ratings", "ratings-change": "/ratings/change", "history": "/points/p-good/revisions", "revision": "/points/p-good/revisions/4",
	"api": "/api/collections?f=html", "api-item": "/api/collections/points/items/p-good?f=html",
}

// TestAccessible lets axe-core look at every page by day and by night for
// failures of WCAG 2.2, level AA, and of its own advice on good practice; the
// sheet, which is laid out as paper, is held to WCAG alone.
func TestAccessible(t *testing.T) {
	needsAxe(t)
	b := browse(t)
	b.screens(t, []int64{360, 1280}, func(lit string, width int64) {
		for name, path := range looked {
			t.Run(fmt.Sprintf("%s by %s at %d", name, lit, width), func(t *testing.T) {
				b.open(t, path)
				if name == "map" || name == "map-asked" {
					b.until(t, mapReadyAt)
				}
				if name == "sheet" {
					b.accessible(t, wcag...)
				} else {
					b.accessible(t)
				}
			})
		}
	})
}

// TestPagesFit requires that no page is wider than a narrow screen, and that
// what is touched there is large enough.
func TestPagesFit(t *testing.T) {
	b := browse(t)
	b.do(t, chromedp.EmulateViewport(320, 640, chromedp.EmulateMobile))
	for name, path := range looked {
		t.Run(name, func(t *testing.T) {
			b.open(t, path)
			b.fits(t, 320)
		})
	}
}

// TestNightIsDark requires that a night page is dark from its first byte: the
// colour scheme is in the head and the canvas is near black.
func TestNightIsDark(t *testing.T) {
	b := browse(t)
	b.lit(t, "night")
	b.open(t, "/points/p-good")
	assert.Equal(t, "dark", eval[string](t, b, `document.querySelector('meta[name=color-scheme]').content`))
	light := eval[float64](t, b, `Math.max(...[...document.querySelectorAll('html, body, main, section, .answer, .option, table, .loud, input, select, .button')]
		.map((e) => getComputedStyle(e).backgroundColor.match(/[\d.]+/g).map(Number)).filter((c) => c[3] !== 0)
		.map(([r, g, b]) => Math.max(g, b)))`)
	assert.Less(t, light, 120.0, "green and blue light spoil night sight")
}

// district serves the invented district of the demo.
func district(t *testing.T) *tab {
	t.Helper()
	return newTab(t, invented(t))
}

// invented serves the invented district.
func invented(t *testing.T) string {
	t.Helper()
	web := httptest.NewServer(inventedServer(t))
	t.Cleanup(web.Close)
	return web.URL
}

func inventedServer(t *testing.T) *server.Server {
	t.Helper()
	policy, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	clock := func() time.Time { return now }
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Policy: policy, Now: clock})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, store.Close()) })
	require.NoError(t, demo.Fill(t.Context(), store, data.Demo, now))
	s, err := server.New(server.Config{Store: store, Now: clock, Demo: true, Version: "test", Log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))})
	require.NoError(t, err)
	return s
}

// TestLook takes pictures of the pages at three widths by day and night when
// HOLDFAST_SHOTS names a folder for them, for people to look at.
func TestLook(t *testing.T) {
	needsShots(t)
	b := district(t)
	b.open(t, "/")
	b.until(t, mapReady)
	site := eval[string](t, b, `document.querySelector('.site-line a').getAttribute('href')`)
	point := func(v string) string {
		return eval[string](t, b, `document.querySelector('.entry:has(.`+v+`) a').getAttribute('href')`)
	}
	pages := map[string]string{
		"map": "/", "search": "/?q=QR", "map-casualty": "/?casualty=44.64635,-91.2101&rope_m=91.44#17.3/44.64650/-91.21000", "map-reach": "/?coverage=1", "map-print": "/map/print?bbox=-91.2130,44.6445,-91.2060,44.6480&casualty=44.64635,-91.2101", "site": site, "point-holds": point("holds"), "point-short": point("short"), "point-no": point("no"),
		"point-unknown": point("unknown"), "sheet": site + "/sheet", "upkeep": "/upkeep?ended=2026-04-30&within=150", "ratings": "/ratings", "ratings-change": "/ratings/change", "about": "/about", "error": "/sites/nowhere", "api": "/api/collections?f=html", "api-items": "/api/collections/points/items?f=html",
	}
	b.screens(t, lookedAt, func(lit string, width int64) {
		for name, path := range pages {
			b.open(t, path)
			name = fmt.Sprintf("%s-%s-%d", name, lit, width)
			if onMap := eval[bool](t, b, `!!document.querySelector('#map')`); onMap {
				b.until(t, mapReadyAt)
				b.shoot(t, name)
			} else {
				b.shootAll(t, name)
			}
		}
	})
}
