package server_test

import (
	"bytes"
	"context"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/serviceworker"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey/sqlite"
)

const former, newer = "former-edition-1", "newer-edition-22"

// renewed serves the program as some edition of it: its files stand under an
// address of their own, and those of any other edition are not there.
type renewed struct {
	next  http.Handler
	hash  string                 // what the program calls its files
	as    atomic.Pointer[string] // what they are called here
	stall atomic.Bool            // the page is never answered, as on a network that is all but gone
}

func (e *renewed) to(edition string) { e.as.Store(&edition) }

func (e *renewed) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path == "/walk" && e.stall.Load() {
		<-r.Context().Done()
		panic(http.ErrAbortHandler)
	}
	as := *e.as.Load()
	if strings.HasPrefix(r.URL.Path, "/static/") && !strings.Contains(r.URL.Path, "/"+as+"/") {
		http.NotFound(w, r)
		return
	}
	in := r.Clone(r.Context())
	in.URL.Path = strings.ReplaceAll(r.URL.Path, as, e.hash)
	in.URL.RawQuery = strings.ReplaceAll(r.URL.RawQuery, as, e.hash)
	in.Header.Del("Accept-Encoding")
	out := httptest.NewRecorder()
	e.next.ServeHTTP(out, in)
	for name, values := range out.Header() {
		w.Header()[name] = values
	}
	body := out.Body.Bytes()
	if kind := out.Header().Get("Content-Type"); strings.Contains(kind, "html") || strings.Contains(kind, "javascript") || strings.Contains(kind, "manifest") {
		body = bytes.ReplaceAll(body, []byte(e.hash), []byte(as))
	}
	w.Header().Del("Content-Length")
	w.WriteHeader(out.Code)
	_, _ = w.Write(body)
}

// renewing opens the Walk of the former edition on a device.
func renewing(t *testing.T) (*tab, *line, *renewed, *sqlite.Store) {
	t.Helper()
	s, store := fixture(t)
	hash := regexp.MustCompile(`/static/([0-9a-f]{16})/`).FindStringSubmatch(bodyOf(t, call(t, s, http.MethodGet, "/walk", "", "Accept: text/html")))[1]
	e := &renewed{next: s, hash: hash}
	e.to(former)
	l := &line{next: e}
	web := httptest.NewServer(l)
	t.Cleanup(web.Close)
	b := newTab(t, web.URL)
	b.do(t, chromedp.EmulateViewport(360, 740))
	b.open(t, "/walk")
	b.until(t, walkReady)
	return b, l, e, store
}

// second opens another tab of the same browser.
func (b *tab) second(t *testing.T) *tab {
	t.Helper()
	ctx, stop := chromedp.NewContext(b.Context)
	t.Cleanup(stop)
	other := &tab{Context: ctx, origin: b.origin}
	other.do(t, chromedp.EmulateViewport(360, 740))
	return other
}

// begun is a Walk that can be used, with a network or without.
const begun = `document.querySelector('#walk')?.dataset.ready`

// editions are those that the page was made of, wherever its files came from:
// the addresses of all that it loaded carry their edition.
func (b *tab) editions(t *testing.T) []string {
	t.Helper()
	return eval[[]string](t, b, `[...new Set([document.querySelector('#walk').dataset.edition,
		...performance.getEntriesByType('resource').flatMap(({ name }) => name.match(/(?:\/static\/|[?]edition=)([^/]+)/)?.[1] ?? [])])].sort()`)
}

// becomes waits until the page has begun again as another edition; a page that
// goes away meanwhile gives no answer.
func (b *tab) becomes(t *testing.T, edition string) {
	t.Helper()
	require.Eventually(t, func() bool {
		soon, stop := context.WithTimeout(b, 5*time.Second)
		defer stop()
		is, err := chromedp.Run(soon, chromedp.Evaluate[bool](`Boolean(document.querySelector('#walk')?.dataset.edition === '`+edition+`' && `+begun+`)`))
		return err == nil && is
	}, 30*time.Second, 50*time.Millisecond)
}

// records is what was recorded on the device, in full.
func (b *tab) records(t *testing.T) string {
	t.Helper()
	return eval[string](t, b, `new Promise((done, failed) => { const ask = indexedDB.open('holdfast-walk'); ask.onerror = failed; ask.onsuccess = () => {
		const out = []; const t = ask.result.transaction(['items', 'photos']);
		for (const s of ['items', 'photos']) t.objectStore(s).getAll().onsuccess = (e) => out.push(e.target.result.map(({ tries, attempts, state, ...x }) => x));
		t.oncomplete = () => { ask.result.close(); done(JSON.stringify(out)) } } })`)
}

// TestWalkNewEdition: the program is renewed at headquarters while the Walk is
// open on a device. It does not change over while another page is open, nothing
// that was recorded or half typed is gone, no page is made of two editions, and
// what waits is sent once.
func TestWalkNewEdition(t *testing.T) {
	b, l, e, store := renewing(t)
	b.settled(t, "F8")
	id := b.inHand(t)
	l.lose.Store(1000) // the server stores it, and no device hears so
	b.queue(t)
	b.until(t, `document.querySelector('[data-state="waiting"]')`)
	eval[string](t, b, `location.hash = '#home'`)
	b.settled(t, "F9")
	inHand := b.inHand(t)
	e.to(newer)

	// The page that is open goes on as it is, also with what it has not loaded yet.
	eval[string](t, b, `location.hash = '#map'`)
	b.until(t, `document.querySelector('.walk-map')?.dataset.ready`)
	assert.Equal(t, []string{former}, b.editions(t))

	// So does another one, which fetches the newer edition and has a line half typed.
	other := b.second(t)
	other.open(t, "/walk#q/"+inHand+"/anchors")
	other.press(t, "Add an anchor")
	other.write(t, `.entry-form [id$="condition"]`, "living, rooted")
	b.open(t, "/walk")
	b.says(t, "A newer edition of this program is on the device.")
	b.press(t, "Change over now")
	b.says(t, "The Walk is open in another tab or window.")
	b.shoot(t, "walk-newer-refused")
	for _, page := range []*tab{b, other} {
		assert.Equal(t, []string{former}, page.editions(t))
	}
	assert.Equal(t, "living, rooted", eval[string](t, other, `document.querySelector('.entry-form [id$="condition"]').value`))
	other.press(t, "Keep it")
	other.says(t, "N1, tree, living, rooted")
	require.NoError(t, chromedp.Cancel(other)) // the tab is closed
	before := b.records(t)
	require.Contains(t, before, "living, rooted")

	e.stall.Store(true)
	b.open(t, "/walk")
	b.press(t, "Change over now")
	b.becomes(t, newer)
	e.stall.Store(false)
	assert.Equal(t, []string{newer}, b.editions(t))
	assert.Equal(t, []string{"walk-" + newer}, eval[[]string](t, b, `caches.keys()`))
	assert.Equal(t, before, b.records(t), "nothing that was recorded is gone")

	// It starts and judges without a network, and what waited is sent once.
	l.cut.Store(true)
	b.open(t, "/walk#map")
	b.do(t, chromedp.Reload())
	b.until(t, `document.querySelector('.walk-map')?.dataset.ready`)
	eval[string](t, b, `location.hash = '#list/`+inHand+`'`)
	b.until(t, `document.querySelector('.strip')?.dataset.verdict`)
	assert.Equal(t, []string{newer}, b.editions(t))
	l.lose.Store(0)
	l.cut.Store(false)
	eval[string](t, b, `location.hash = '#outbox'`)
	b.press(t, "Send now")
	b.until(t, `document.querySelector('[data-state="sent"]')`)
	past, err := store.History(t.Context(), sqlite.Points, id)
	require.NoError(t, err)
	assert.Len(t, past, 1)
}

// TestWalkNewEditionAfterClosing: without the button, the newer edition is used
// once every page of the Walk was closed.
func TestWalkNewEditionAfterClosing(t *testing.T) {
	b, l, e, _ := renewing(t)
	e.to(newer)
	b.open(t, "/walk")
	b.says(t, "A newer edition of this program is on the device.")
	b.open(t, "/about") // elsewhere, from where one can see it take over
	eval[bool](t, b, `navigator.serviceWorker.getRegistration('/walk').then(({ waiting: w }) => w ? new Promise((done) => { w.onstatechange = () => w.state === 'activated' && done(true) }) : true)`)
	l.cut.Store(true)
	b.open(t, "/walk")
	b.becomes(t, newer)
	assert.Equal(t, []string{newer}, b.editions(t))
}

// TestWalkTakenOver: a page that another edition takes over all the same, as
// one opened in that moment would be, is left alone as long as something may be
// half typed on it, and begins again with its next screen.
func TestWalkTakenOver(t *testing.T) {
	b, _, e, _ := renewing(t)
	b.settled(t, "F9")
	e.to(newer)
	other := b.second(t)
	other.open(t, "/walk")
	other.says(t, "A newer edition of this program is on the device.")
	b.question(t, "anchors")
	b.press(t, "Add an anchor")
	b.write(t, `.entry-form [id$="condition"]`, "living, rooted")
	_, err := chromedp.Call(other, serviceworker.Enable, cdp.Empty{})
	require.NoError(t, err)
	_, err = chromedp.Call(other, serviceworker.SkipWaiting, serviceworker.SkipWaitingParams{ScopeURL: b.origin + "/walk"})
	require.NoError(t, err)
	other.becomes(t, newer)
	assert.Equal(t, []string{newer}, other.editions(t))
	assert.Equal(t, []string{former}, b.editions(t))
	b.press(t, "Keep it")
	b.says(t, "N1, tree, living, rooted")
	eval[string](t, b, `location.hash = '#map'`)
	b.becomes(t, newer)
	b.until(t, `document.querySelector('.walk-map')?.dataset.ready`)
	assert.Equal(t, []string{newer}, b.editions(t))
	assert.Contains(t, b.records(t), "living, rooted")
}
