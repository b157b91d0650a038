package server_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"path"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// line is the network between a device and the server: it can be cut, made
// slow, and made to lose answers after they did their work.
type line struct {
	next http.Handler
	cut  atomic.Bool
	slow atomic.Int64 // milliseconds before anything is answered
	lose atomic.Int64 // that many answers to writes get lost
	puts atomic.Int64 // writes that arrived
}

func (l *line) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if l.cut.Load() {
		panic(http.ErrAbortHandler)
	}
	time.Sleep(time.Duration(l.slow.Load()) * time.Millisecond)
	if r.Method == http.MethodPut {
		l.puts.Add(1)
		if l.lose.Add(-1) >= 0 {
			l.next.ServeHTTP(httptest.NewRecorder(), r)
			panic(http.ErrAbortHandler)
		}
	}
	l.next.ServeHTTP(w, r)
}

// onFoot serves the fixture over a line and opens the Walk on a device.
func onFoot(t *testing.T) (*tab, *line, *sqlite.Store) {
	t.Helper()
	s, store := fixture(t)
	l := &line{next: s}
	web := httptest.NewServer(l)
	web.Config.ErrorLog = nil
	t.Cleanup(web.Close)
	b := newTab(t, web.URL)
	b.do(t, chromedp.EmulateViewport(360, 740))
	return b, l, store
}

const walkReady = `document.querySelector('#walk').dataset.ready && document.querySelector('#state-net').textContent.startsWith('Ready')`

// says waits for a text somewhere in the Walk.
func (b *tab) says(t *testing.T, text string) {
	t.Helper()
	b.until(t, fmt.Sprintf(`document.querySelector('main').textContent.includes(%q)`, text))
}

// press presses the button or follows the link of that name.
func (b *tab) press(t *testing.T, name string) {
	t.Helper()
	b.until(t, fmt.Sprintf(`(() => { const all = [...document.querySelectorAll('main button, main a, main summary')].filter((e) => e.checkVisibility() && !e.disabled);
		const e = all.find((e) => e.textContent.trim() === %[1]q) ?? all.find((e) => e.textContent.includes(%[1]q)); e?.click(); return e })()`, name))
}

// choose picks the answer of that name.
func (b *tab) choose(t *testing.T, name string) {
	t.Helper()
	b.until(t, fmt.Sprintf(`(() => { const e = [...document.querySelectorAll('.choice')].find((e) => (e.querySelector('b') ?? e).textContent.trim() === %q); e?.querySelector('input').click(); return e })()`, name))
}

// write types into a field and leaves it.
func (b *tab) write(t *testing.T, selector, text string) {
	t.Helper()
	b.until(t, fmt.Sprintf(`(() => { const e = document.querySelector(%q); if (!e) return false; e.focus(); e.value = %q; e.dispatchEvent(new Event('input', {bubbles: true})); e.dispatchEvent(new Event('change', {bubbles: true})); return true })()`, selector, text))
}

// question goes to a question of the survey on screen.
func (b *tab) question(t *testing.T, id string) {
	t.Helper()
	eval[string](t, b, fmt.Sprintf(`location.hash = location.hash.replace(/^#(\w+)\/([^/]+).*/, '#q/$2/%s')`, id))
	b.until(t, fmt.Sprintf(`location.hash.endsWith('/%s') && document.querySelector('#walk').dataset.view === 'q'`, id))
}

// TestWalkOffline surveys a point with the network off from the first visit on,
// through a reload in the middle of the form, and sends it when it is back.
func TestWalkOffline(t *testing.T) {
	b, l, store := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	b.lit(t, "night") // on another page; the kept one must not flash white
	b.open(t, "/walk")
	b.until(t, `document.querySelector('#walk').dataset.ready && document.documentElement.dataset.display === 'night'`)
	l.cut.Store(true)
	b.open(t, "/walk")
	b.until(t, `document.querySelector('#walk').dataset.ready && document.documentElement.dataset.display === 'night'`)

	b.press(t, "Survey a new point")
	b.until(t, `location.hash.endsWith('/position')`)
	b.write(t, "#typed", "44.6513, -91.2046")
	b.press(t, "Read it")
	b.says(t, "15T XK")
	b.press(t, "Next")
	b.choose(t, "Alder Bend")
	b.press(t, "Next")
	b.write(t, "#label", "F1")
	b.question(t, "texture")
	b.choose(t, "Clay")
	b.question(t, "penetrometer")
	b.write(t, "#reading", "1.6")
	b.press(t, "Add the reading")
	b.says(t, "1.6 tsf")

	b.open(t, "/walk")
	b.until(t, `document.querySelector('#walk').dataset.ready`)
	b.press(t, "F1, Alder Bend")
	b.press(t, "Go on")
	b.until(t, `location.hash.endsWith('/penetrometer')`)
	b.says(t, "1.6 tsf")

	for _, q := range []struct{ id, answer string }{
		{"moisture", "Moist"}, {"disturbed", "No"}, {"fissured", "No"}, {"seeping", "No"}, {"vibration", "No"}, {"layers", "No"}, {"buried", "Don’t know"}, {"overhead", "None"},
	} {
		b.question(t, q.id)
		b.choose(t, q.answer)
	}
	b.question(t, "setback")
	b.write(t, "#number", "20")
	b.says(t, "20 ft = 6.1 m")
	b.question(t, "fall")
	b.write(t, "#deg", "200")
	b.says(t, "true")
	b.until(t, `document.querySelector('.strip').dataset.verdict`)
	b.press(t, "All questions")
	b.press(t, "Look it over and send")
	b.says(t, "What would settle it")
	b.press(t, "Put it in the outbox")
	b.until(t, `document.querySelector('[data-state="waiting"]') && document.querySelector('#state-net').textContent.startsWith('No network')`)
	assert.Equal(t, "1", eval[string](t, b, `document.querySelector('#state-outbox').dataset.unsent`))

	eval[bool](t, b, `(() => { const made = URL.createObjectURL; URL.createObjectURL = (blob) => { window.saved = blob; return made.call(URL, blob) }; return true })()`)
	b.press(t, "Save unsent work as a file")
	b.until(t, `window.saved`)
	saved := 0
	for r := range geojson.Records(strings.NewReader(eval[string](t, b, `window.saved.text()`))) {
		require.NoError(t, r.Err)
		_, err := survey.ParsePoint(r.Feature)
		require.NoError(t, err)
		saved++
	}
	assert.Equal(t, 1, saved, "the file can be imported")

	l.cut.Store(false)
	b.press(t, "Send now")
	b.until(t, `document.querySelector('[data-state="sent"]')`)
	rows, err := store.Points(t.Context(), sqlite.Filter{Site: "s-alder", Text: "F1"})
	require.NoError(t, err)
	require.Len(t, rows, 1)
	p := rows[0].Item
	assert.Equal(t, survey.Clay, p.Ground.Texture)
	assert.Equal(t, survey.No, p.Ground.Disturbed)
	assert.Equal(t, survey.BuriedUnknown, p.BuriedUtilities.State, "what is not known is not a no")
	setback, _ := p.Terrain.SetbackM.Get()
	assert.InDelta(t, 20*0.3048, setback.Metres(), 1e-3)
	require.Len(t, p.Ground.Tests, 1)
}

// settled answers enough of a new point on screen for a verdict.
func (b *tab) settled(t *testing.T, label string) {
	t.Helper()
	b.press(t, "Survey a new point")
	b.until(t, `location.hash.endsWith('/position')`)
	b.write(t, "#typed", "44.6513, -91.2046")
	b.press(t, "Read it")
	b.says(t, "15T XK")
	b.question(t, "site")
	b.choose(t, "Alder Bend")
	b.question(t, "label")
	b.write(t, "#label", label)
	for _, q := range []struct{ id, answer string }{
		{"texture", "Clay"}, {"moisture", "Moist"}, {"disturbed", "No"}, {"fissured", "No"}, {"seeping", "No"}, {"vibration", "No"}, {"layers", "No"},
	} {
		b.question(t, q.id)
		b.choose(t, q.answer)
	}
	b.question(t, "penetrometer")
	b.write(t, "#reading", "1.6")
	b.press(t, "Add the reading")
	b.says(t, "1.6 tsf")
}

// walkScreens are the screens of the Walk, each with what has to be on it.
var walkScreens = []struct{ name, hash, until string }{
	{"home", "#home", `document.querySelector('#begin')`},
	{"position", "#q/ITEM/position", `document.querySelector('.grid-ref')`},
	{"site", "#q/ITEM/site", `document.querySelector('.choice')`},
	{"texture", "#q/ITEM/texture", `document.querySelector('.choice')`},
	{"penetrometer", "#q/ITEM/penetrometer", `document.querySelector('.entries')`},
	{"class", "#q/ITEM/class", `document.querySelector('.choice')`},
	{"height", "#q/ITEM/height", `document.querySelector('#number')`},
	{"pull", "#q/ITEM/pull", `document.querySelector('#deg')`},
	{"anchors", "#q/ITEM/anchors", `document.querySelector('#add-entry')`},
	{"buried", "#q/ITEM/buried", `document.querySelector('#ticket')`},
	{"hazards", "#q/ITEM/hazards", `document.querySelector('#dangers')`},
	{"photos", "#q/ITEM/photos", `document.querySelector('#photo')`},
	{"list", "#list/ITEM", `document.querySelector('.asked')`},
	{"end", "#end/ITEM", `document.querySelector('#queue')`},
	{"outbox", "#outbox", `document.querySelector('#send')`},
	{"map", "#map", `document.querySelector('.walk-map').dataset.ready && document.querySelectorAll('.entries li').length > 3`},
}

// walked opens each screen of the Walk with a survey in hand.
func (b *tab) walked(t *testing.T, item string, look func(name string)) {
	t.Helper()
	for _, s := range walkScreens {
		hash := strings.Replace(s.hash, "ITEM", item, 1)
		eval[string](t, b, fmt.Sprintf(`location.hash = %q`, hash))
		b.until(t, fmt.Sprintf(`document.querySelector('#walk').dataset.view === %q && (%s)`, strings.Split(hash[1:], "/")[0], s.until))
		look(s.name)
	}
}

// inHand is the id of the survey on screen.
func (b *tab) inHand(t *testing.T) string {
	t.Helper()
	return eval[string](t, b, `location.hash.split('/')[1]`)
}

// TestWalkLook takes pictures of the Walk for people to look at.
func TestWalkLook(t *testing.T) {
	needsShots(t)
	b, _, _ := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	b.settled(t, "F1")
	item := b.inHand(t)
	for _, lit := range []string{"day", "night"} {
		b.until(t, fmt.Sprintf(`(() => { document.querySelector('form.display button[value=%s]').click(); return document.documentElement.dataset.display === %[1]q })()`, lit))
		for _, width := range []int64{360, 820, 1440} {
			b.do(t, chromedp.EmulateViewport(width, 780))
			b.walked(t, item, func(name string) {
				b.shoot(t, fmt.Sprintf("walk-%s-%s-%d", name, lit, width))
			})
		}
	}
}

// TestWalkAccessible lets axe-core look at every screen of the Walk by day and
// by night, and requires that each fits a narrow screen.
func TestWalkAccessible(t *testing.T) {
	needsAxe(t)
	b, _, _ := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	b.settled(t, "F1")
	item := b.inHand(t)
	for _, lit := range []string{"day", "night"} {
		b.until(t, fmt.Sprintf(`(() => { document.querySelector('form.display button[value=%s]').click(); return document.documentElement.dataset.display === %[1]q })()`, lit))
		b.do(t, chromedp.EmulateViewport(320, 640))
		b.walked(t, item, func(name string) {
			t.Run(name+" by "+lit, func(t *testing.T) {
				b.accessible(t)
				b.fits(t, 320)
			})
		})
	}
	b.open(t, "/points/p-good")
	eval[bool](t, b, `document.querySelectorAll('details').forEach((d) => d.open = true); true`)
	b.accessible(t) // the forms of a point's page
	b.clean(t)
}

// TestWalkIsKeptWhole: everything that a device is told to keep is there, and
// among it every module of the Walk.
func TestWalkIsKeptWhole(t *testing.T) {
	s, _ := fixture(t)
	res := call(t, s, http.MethodGet, "/walk/worker.js", "")
	require.Equal(t, http.StatusOK, res.StatusCode)
	assert.Equal(t, "/walk", res.Header.Get("Service-Worker-Allowed"))
	line, script, _ := strings.Cut(bodyOf(t, res), "\n")
	assert.NotEmpty(t, script)
	var known struct {
		Edition, Page string
		Files         []string
	}
	require.NoError(t, json.Unmarshal([]byte(strings.TrimSuffix(strings.TrimPrefix(line, "self.known = "), ";")), &known))
	assert.NotEmpty(t, known.Edition)
	kept := map[string]bool{}
	for _, f := range append(known.Files, known.Page) {
		res := call(t, s, http.MethodGet, f, "")
		require.Equal(t, http.StatusOK, res.StatusCode, f)
		kept[f] = true
		if !strings.HasSuffix(f, ".js") {
			continue
		}
		for _, m := range regexp.MustCompile(`(?:from|import\()\s*'(\.[^']+)'`).FindAllStringSubmatch(bodyOf(t, res), -1) {
			assert.Contains(t, known.Files, path.Join(path.Dir(f), m[1]), "%s imports it", f)
		}
	}
	assert.True(t, kept["/walk"] && kept["/walk/engine.js?edition="+known.Edition])
	page := bodyOf(t, call(t, s, http.MethodGet, "/walk", "", "Accept: text/html"))
	for _, m := range regexp.MustCompile(`(?:href|src)="(/static/[^"]+)"`).FindAllStringSubmatch(page, -1) {
		assert.True(t, kept[m[1]], "the page loads %s", m[1])
	}
}

func TestWalkArea(t *testing.T) {
	s, _ := fixture(t)
	type area struct {
		District      string
		Sites, Points []struct{ Revision int64 }
		Roles         []string
		Layers        []struct{ Features []any }
		Policy        struct{ Version string }
		Bounds        [4]float64
	}
	whole := parse[area](t, call(t, s, http.MethodGet, "/walk/area", ""))
	assert.Len(t, whole.Sites, 2)
	assert.Len(t, whole.Points, 4)
	assert.ElementsMatch(t, []string{"water", "bank crest", "buried utility", "road", "overhead line"}, whole.Roles)
	assert.NotEmpty(t, whole.Policy.Version)
	for _, one := range whole.Points {
		assert.Positive(t, one.Revision)
	}
	north := parse[area](t, call(t, s, http.MethodGet, "/walk/area?district=North", ""))
	assert.Equal(t, "North", north.District)
	assert.Equal(t, whole.Bounds, north.Bounds, "both sites are of that district")
	assert.Equal(t, http.StatusNotFound, call(t, s, http.MethodGet, "/walk/area?district=Nowhere", "").StatusCode)
	assert.Equal(t, http.StatusBadRequest, call(t, s, http.MethodGet, "/walk/area?region=North", "").StatusCode)
	assert.JSONEq(t, `[{"name": "North", "sites": 2}]`, bodyOf(t, call(t, s, http.MethodGet, "/walk/districts", "")))
}
