package server_test

import (
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// mainAtStake is an invented gas main that runs across where the stakes of the
// fixture's good point stand.
const mainAtStake = `{"type":"Feature","id":"g-9","geometry":{"type":"LineString","coordinates":[[-91.2055,44.65131],[-91.2035,44.65131]]},"properties":{"name":"new gas main"}}`

// incoming writes a file to send.
func incoming(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// enter goes by Tab to an element and presses Enter.
func (b *tab) enter(t *testing.T, selector string) {
	t.Helper()
	b.tabTo(t, selector)
	b.do(t, chromedp.KeyEvent(kb.Enter))
}

// TestGISJourney is the work of the GIS person by keys alone: a buried main is
// brought in, the check of a point near it changes, the import is undone, and
// the check changes back.
func TestGISJourney(t *testing.T) {
	s, _ := fixture(t)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	web := httptest.NewServer(s)
	t.Cleanup(web.Close)
	b := newTab(t, web.URL)
	b.do(t, chromedp.EmulateViewport(1280, 900))
	verdict := func() string {
		b.open(t, "/points/p-good")
		return eval[string](t, b, `document.querySelector('.answer .verdict').className + ' ' +
			[...document.querySelectorAll('.checks li')].filter((e) => /buried/i.test(e.textContent)).map((e) => e.querySelector('.check').className).join()`)
	}
	before := verdict()
	require.Contains(t, before, "holds")
	require.Contains(t, before, "check passed")

	b.open(t, "/")
	b.enter(t, `nav a[href="/layers"]`)
	b.until(t, `location.pathname === '/layers' && document.readyState === 'complete'`)
	b.tabTo(t, `#file`)
	b.do(t, chromedp.SetUploadFiles(`#file`, []string{incoming(t, "mains.geojson", mainAtStake)})) // the system's own window
	b.enter(t, `form[action="/layers/files"] button`)
	b.until(t, `document.querySelector('#title') && document.readyState === 'complete'`)
	b.tabTo(t, `#role`)
	b.do(t, chromedp.KeyEvent("buried"))
	require.Equal(t, "buried utility", eval[string](t, b, `document.querySelector('#role').value`))
	b.enter(t, `form[action$="/look"] button`)
	b.until(t, `document.querySelector('form[action$="/take"]') && document.readyState === 'complete'`)
	b.enter(t, `form[action$="/take"] button`)
	b.until(t, `document.querySelector('h1')?.textContent.includes('is in') && document.readyState === 'complete'`)

	after := verdict()
	assert.NotContains(t, after, "holds")
	assert.Contains(t, after, "check failed")

	b.open(t, "/layers")
	b.enter(t, `a[href="/imports/1/undo"]`)
	b.until(t, `document.querySelector('form[action="/imports/1/undo"]') && document.readyState === 'complete'`)
	b.enter(t, `form[action="/imports/1/undo"] button`)
	b.until(t, `location.pathname === '/layers' && document.body?.textContent.includes('undone')`)
	assert.Equal(t, before, verdict())
	b.clean(t)
}

// roomPages are the pages of the Layers room in every state, with something to
// see on each.
func roomPages(t *testing.T) (origin string, pages map[string]string) {
	t.Helper()
	s, store := fixture(t)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	layer := bring(t, s, "mains.geojson", mainAtStake)
	fillIn(t, s, layer+"/look", "as", "layer", "title", "New mains", "role", "buried utility")
	ended(t, s, layer)
	fillIn(t, s, layer+"/take", "keep", "")
	ended(t, s, layer)
	require.NoError(t, store.RemoveLayer(t.Context(), "roads", author))
	form := []string{"as", "points", "site", "AB-1", "values", "ground.class: Type B = B", "col0", "label", "col1", "ground.class"}
	points := bring(t, s, "county survey.csv", "NO,lon,lat,SOIL\nN1,-91.2041,44.6514,Type B\nN2,-91.2042,44.6514,Peat\nA1,-91.20451,44.6513,Type B\nA-1,-91.20451,44.65131,Type B\n")
	fillIn(t, s, points+"/look", form...)
	ended(t, s, points)
	newer := bring(t, s, "mains.geojsonl", strings.Replace(mainAtStake, "new gas", "renamed", 1)+"\n"+strings.Replace(mainAtStake, "g-9", "g-10", 1)+"\n")
	fillIn(t, s, newer+"/look", "as", "layer", "title", "New mains", "role", "buried utility")
	ended(t, s, newer)
	web := httptest.NewServer(s)
	t.Cleanup(web.Close)
	return web.URL, map[string]string{
		"layers": "/layers", "file-layer": newer + "?as=layer", "file-points": points + "?as=points", "look-points": points + "/work",
		"look-layer": newer + "/work", "taken": layer + "/work", "undo": "/imports/1/undo", "remove": "/layers/river/remove", "describe": "/layers/river/describe",
	}
}

// TestLayersAccessible holds the Layers room to what TestAccessible and
// TestPagesFit ask of every page.
func TestLayersAccessible(t *testing.T) {
	needsAxe(t)
	origin, pages := roomPages(t)
	b := newTab(t, origin)
	b.screens(t, []int64{320, 1280}, func(lit string, width int64) {
		for name, path := range pages {
			t.Run(fmt.Sprintf("%s by %s at %d", name, lit, width), func(t *testing.T) {
				b.open(t, path)
				b.accessible(t)
				b.fits(t, width)
			})
		}
	})
}

// TestLayersLook takes pictures of the room; see TestLook.
func TestLayersLook(t *testing.T) {
	needsShots(t)
	origin, pages := roomPages(t)
	b := newTab(t, origin)
	b.screens(t, lookedAt, func(lit string, width int64) {
		for name, path := range pages {
			b.open(t, path)
			b.shootAll(t, fmt.Sprintf("%s-%s-%d", name, lit, width))
		}
	})
}
