package server_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// afoot opens the Walk of the department, as somebody, over a line.
func afoot(t *testing.T, who string) (*tab, *line, department) {
	t.Helper()
	d := newDepartment(t)
	l := &line{next: d}
	web := httptest.NewServer(l)
	t.Cleanup(web.Close)
	b := newTab(t, web.URL)
	b.as(t, d, who)
	b.do(t, chromedp.EmulateViewport(360, 740))
	b.open(t, "/walk")
	b.until(t, walkReady)
	return b, l, d
}

const noNetwork = `document.querySelector('#state-net').textContent.startsWith('No network')`

// standing waits until an item of the outbox is in a state.
func (b *tab) standing(t *testing.T, id, state string) {
	t.Helper()
	b.until(t, fmt.Sprintf(`location.hash === '#outbox' && document.querySelector('[data-id="%s"]')?.dataset.state === %q`, id, state))
}

// TestWalkGoesOnPastASignOff: a site that was signed meanwhile, and one that the
// server refuses, hold back nothing else of the outbox.
func TestWalkGoesOnPastASignOff(t *testing.T) {
	b, l, d := afoot(t, "surveyor")
	l.cut.Store(true)
	point := func(label string) string {
		eval[string](t, b, `location.hash = '#home'`)
		b.settled(t, label)
		return b.inHand(t)
	}
	first := point("F1")
	b.question(t, "hazards")
	b.write(t, "#dangers", "Weir pool")
	b.queue(t)
	b.until(t, noNetwork)
	b.standing(t, "s-alder", "waiting")
	b.press(t, "Hold it back")
	b.standing(t, "s-alder", "draft")
	b.press(t, "Send it")
	b.standing(t, "s-alder", "waiting")

	row, err := d.store.Site(t.Context(), "s-alder")
	require.NoError(t, err)
	row.Item.Review.By = "The lead"
	_, err = d.store.PutSite(t.Context(), row.Item, sqlite.Author{Who: "The lead"}, survey.Known(row.Revision))
	require.NoError(t, err)
	l.cut.Store(false)
	b.press(t, "Send now")
	b.standing(t, first, "sent")
	b.standing(t, "s-alder", "conflict")

	l.cut.Store(true)
	second := point("F2")
	b.queue(t)
	b.until(t, noNetwork)
	b.press(t, "Choose")
	b.until(t, `(() => { const f = [...document.querySelectorAll('.versions')].find((f) => f.querySelector('legend').textContent.includes('review')); const e = f?.querySelector('input[value=yours]'); e?.click(); return e })()`)
	b.press(t, "Send what I chose") // the signature that was, as only a lead may
	b.standing(t, "s-alder", "waiting")
	l.cut.Store(false)
	b.press(t, "Send now")
	b.standing(t, second, "sent")
	b.standing(t, "s-alder", "refused")
	b.says(t, "Your account does not allow this. It needs leave to sign")
	b.press(t, "Hold it back")
	b.press(t, "Throw it away")
	eval[bool](t, b, `document.querySelector('[data-id="s-alder"] details button').click(), true`)
	b.until(t, `!document.querySelector('[data-id="s-alder"]')`)
	now, err := d.store.Site(t.Context(), "s-alder")
	require.NoError(t, err)
	assert.Equal(t, "The lead", now.Item.Review.By)
}

// TestWalkStartsOnOneScreen: on a phone the start has both ways to begin a
// survey on its first screen, under a line of state that takes one line.
func TestWalkStartsOnOneScreen(t *testing.T) {
	b, _, _ := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	assert.LessOrEqual(t, eval[float64](t, b, `document.querySelector('#state').getBoundingClientRect().height`), 70.0, "48 px to touch, and its edge")
	assert.Less(t, eval[float64](t, b, `[...document.querySelectorAll('summary')].find((e) => e.textContent === 'Survey a point again').getBoundingClientRect().bottom`), 740.0)
	assert.InDelta(t, eval[float64](t, b, `document.querySelector('.display button').getBoundingClientRect().top`), eval[float64](t, b, `document.querySelector('.who a').getBoundingClientRect().top`), 2, "the head stands on one line")
}

// TestWalkClearsNothingUnsent: what another page of the device recorded after
// this one was drawn is not cleared away.
func TestWalkClearsNothingUnsent(t *testing.T) {
	b, _, _ := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	store := func(do string) {
		eval[bool](t, b, fmt.Sprintf(`new Promise((done, failed) => { const ask = indexedDB.open('holdfast-walk'); ask.onerror = failed; ask.onsuccess = () => {
			const t = ask.result.transaction(['kept', 'items', 'photos'], 'readwrite'); %s; t.oncomplete = () => { ask.result.close(); done(true) } } })`, do))
	}
	const photo = `{ id: 'f-else', point: 'p-good', name: 'bank.jpg', state: 'waiting', since: '2026-05-04T08:00:00Z', tries: 0 }`
	store(`t.objectStore('photos').put(` + photo + `)`)
	b.press(t, "Take everything off this device")
	b.press(t, "Take it off")
	b.says(t, "There is work on it that was not sent")
	store(`t.objectStore('photos').getAll().onsuccess = (e) => (window.left = e.target.result.length)`)
	store(`t.objectStore('kept').count().onsuccess = (e) => (window.kept = e.target.result)`)
	assert.Equal(t, 1, eval[int](t, b, `window.left`))
	assert.Positive(t, eval[int](t, b, `window.kept`), "and the area stays with it")
	store(`t.objectStore('photos').put({ ...` + photo + `, state: 'sent' })`)
	b.press(t, "Take it off")
	b.until(t, `location.pathname === '/'`)
	store(`window.left = 0; for (const s of ['kept', 'items', 'photos']) t.objectStore(s).count().onsuccess = (e) => (window.left += e.target.result)`)
	assert.Zero(t, eval[int](t, b, `window.left`))
}

// kept counts what the device keeps, by store; the area by itself.
func (b *tab) kept(t *testing.T) map[string]int {
	t.Helper()
	return eval[map[string]int](t, b, `new Promise((done, failed) => { const ask = indexedDB.open('holdfast-walk'); ask.onerror = failed; ask.onsuccess = () => {
		const out = {}; const t = ask.result.transaction(['kept', 'items', 'photos']);
		for (const s of ['kept', 'items', 'photos']) t.objectStore(s).count().onsuccess = (e) => (out[s] = e.target.result);
		t.objectStore('kept').count('area').onsuccess = (e) => (out.area = e.target.result);
		t.oncomplete = () => { ask.result.close(); done(out) } } })`)
}

// anew opens a page as if none had been open.
func (b *tab) anew(t *testing.T, path string) {
	t.Helper()
	b.do(t, chromedp.Navigate("about:blank"))
	b.open(t, path)
}

// TestWalkIsOfOneAccount: a device that people hand on shows nobody what another
// took along, and sends nothing under another name than that of who recorded it.
func TestWalkIsOfOneAccount(t *testing.T) {
	b, l, d := afoot(t, "surveyor")
	l.cut.Store(true)
	b.settled(t, "F1")
	id := b.inHand(t)
	b.queue(t)
	b.until(t, noNetwork)
	b.anew(t, "/walk#home")
	b.says(t, "Area: the whole atlas")
	l.cut.Store(false)

	b.as(t, d, "nobody")
	b.anew(t, "/walk#home") // the kept page
	b.says(t, "Sign in to go on")
	b.says(t, "1 record by The surveyor not sent yet is kept on this device")
	assert.Equal(t, map[string]int{"kept": 1, "area": 0, "items": 1, "photos": 0}, b.kept(t))
	assert.NotContains(t, eval[string](t, b, `document.body.innerText`), "Alder")
	b.shoot(t, "walk-sign-in")
	eval[bool](t, b, `(() => { const made = URL.createObjectURL; URL.createObjectURL = (blob) => { window.saved = blob; return made.call(URL, blob) }; return true })()`)
	b.press(t, "Save unsent work as a file")
	b.until(t, `window.saved`)
	l.cut.Store(true)
	b.anew(t, "/walk#list/"+id)
	b.says(t, "Sign in to go on")
	l.cut.Store(false)

	b.as(t, d, "viewer")
	b.anew(t, "/walk#home")
	b.says(t, "Your account does not allow this. It needs leave to")

	b.as(t, d, "lead")
	b.anew(t, "/walk#outbox")
	b.says(t, "recorded by The surveyor: sign in as The surveyor to send it")
	b.press(t, "Send now")
	b.until(t, walkReady)
	eval[string](t, b, `location.hash = '#home'`)
	b.says(t, "Area: the whole atlas")
	assert.Equal(t, "Outbox: 1 of another account", eval[string](t, b, `document.querySelector('#state-outbox').textContent`))
	_, err := d.store.Point(t.Context(), id)
	require.ErrorIs(t, err, survey.ErrNotFound)
	assert.Zero(t, l.puts.Load())

	b.as(t, d, "surveyor")
	b.anew(t, "/walk#outbox")
	b.standing(t, id, "sent")
	past, err := d.store.History(t.Context(), sqlite.Points, id)
	require.NoError(t, err)
	require.Len(t, past, 1)
	assert.Equal(t, "The surveyor", past[0].Who)

	b.open(t, "/sites/s-alder") // a page that is not kept, with who is signed in
	b.do(t, chromedp.Click(`.who button`))
	b.until(t, `location.pathname === '/sign-in' && document.readyState === 'complete'`)
	require.Eventually(t, func() bool { k := b.kept(t); return k["kept"]+k["items"]+k["photos"] == 0 }, 20*time.Second, 100*time.Millisecond, "signing out with nothing to send leaves nothing")
}

// TestWalkAccount: a device learns whose it is with the area, and what was
// recorded under one account is not taken from another.
func TestWalkAccount(t *testing.T) {
	d := newDepartment(t)
	type account struct{ ID, Name string }
	me := account{d.people["surveyor"].ID, "The surveyor"}
	surveyor := d.key(t, "surveyor")
	assert.Equal(t, me, parse[account](t, call(t, d, http.MethodGet, "/walk/account", "", surveyor)))
	assert.Equal(t, me, parse[struct{ Account account }](t, call(t, d, http.MethodGet, "/walk/area", "", surveyor)).Account)
	lent := parse[account](t, call(t, d, http.MethodGet, "/walk/account", "", d.key(t, "device")))
	assert.Equal(t, d.people["lead"].ID, lent.ID, "a lent device is its owner's")
	open, _ := fixture(t)
	assert.Equal(t, account{}, parse[account](t, call(t, open, http.MethodGet, "/walk/account", "")))

	const f = `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"site":"s-alder","label":"Z1"}}`
	put := func(who, owner string) int {
		return call(t, d, http.MethodPut, "/api/collections/points/items/z1", f, "Content-Type: application/geo+json", "If-None-Match: *", "Holdfast-Account: "+owner, who).StatusCode
	}
	assert.Equal(t, http.StatusUnauthorized, put(d.key(t, "lead"), me.ID))
	assert.Equal(t, http.StatusCreated, put(surveyor, me.ID))
}
