package server_test

import (
	"fmt"
	"net/http/httptest"
	"testing"

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
