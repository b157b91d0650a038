package server_test

import (
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/cdproto/storage"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// meter counts what a server sends and how often it is asked.
type meter struct {
	next           http.Handler
	bytes, answers atomic.Int64
}

func (m *meter) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	m.answers.Add(1)
	m.next.ServeHTTP(metered{w, m}, r)
}

type metered struct {
	http.ResponseWriter
	m *meter
}

func (w metered) Write(b []byte) (int, error) {
	n, err := w.ResponseWriter.Write(b)
	w.m.bytes.Add(int64(n))
	return n, err
}

// visit is what one visit of a page cost.
type visit struct {
	Paint  float64 // ms until something was seen
	Live   float64 // ms until no task of more than 50 ms followed
	Work   float64 // ms that the main thread ran, all in all
	Script float64 // ms of it in scripts
	kb     float64
	asked  int64
}

// speedMost bounds each of the two parts.
const speedMost = 20 * time.Minute

// speedRuns is how often each visit is measured; its figure is the median.
const speedRuns = 5

// TestSpeed measures every room on a processor that is four times slower, and
// panning of the map with very many points on one that is not, and writes the
// table to the file that HOLDFAST_SPEED names. It asserts nothing: its figures
// mean something only on a machine that does nothing else.
func TestSpeed(t *testing.T) {
	to := os.Getenv("HOLDFAST_SPEED")
	if to == "" {
		t.Skip("HOLDFAST_SPEED names no file for the table")
	}
	var out strings.Builder
	fmt.Fprintf(&out, "On %s, %s, %d processors, %s. Processor slowed 4 times; median of %d visits, and the slowest.\n\n", time.Now().Format(time.DateOnly), loadOf(), runtime.NumCPU(), browserOf(t), speedRuns)
	out.WriteString("| room | visit | painted, ms | interactive, ms | work of the page, ms | of it in scripts, ms | sent, KB | requests |\n|---|---|--:|--:|--:|--:|--:|--:|\n")
	for _, room := range speedRooms(t) {
		for _, kind := range []string{"first", "again"} {
			all := room.visits[kind]
			slices.SortFunc(all, func(a, b visit) int { return int(1000 * (a.Live - b.Live)) })
			of := func(f func(visit) float64) string {
				list := make([]float64, len(all))
				for i, v := range all {
					list[i] = f(v)
				}
				slices.Sort(list)
				return fmt.Sprintf("%.0f (%.0f)", list[len(list)/2], list[len(list)-1])
			}
			m := all[len(all)/2]
			fmt.Fprintf(&out, "| %s | %s | %s | %s | %s | %.0f | %.0f | %d |\n", room.name, kind, of(func(v visit) float64 { return v.Paint }),
				of(func(v visit) float64 { return v.Live }), of(func(v visit) float64 { return v.Work }), m.Script, m.kb, m.asked)
		}
	}
	out.WriteString("\n| map of 100,000 points dragged, at zoom | frames/s | 95 of 100 within, ms | longest, ms | work of a frame, ms |\n|---|--:|--:|--:|--:|\n")
	for _, p := range speedPans(t, 100_000) {
		fmt.Fprintf(&out, "| %s | %.0f | %.0f | %.0f | %.1f |\n", p.zoom, p.Rate, p.Most, p.Longest, p.Work)
	}
	t.Log("\n" + out.String())
	require.NoError(t, os.WriteFile(to, []byte(out.String()), 0o644))
}

type speedRoom struct {
	name, path, ready string
	visits            map[string][]visit // first and again
}

// speedRooms visits the rooms of the invented district: with nothing kept, and
// after two visits, when the browser has also kept the scripts compiled.
func speedRooms(t *testing.T) []speedRoom {
	t.Helper()
	m := &meter{next: inventedServer(t)}
	web := httptest.NewServer(m)
	t.Cleanup(web.Close)
	b := newTabFor(t, web.URL, speedMost)
	b.do(t, chromedp.EmulateViewport(412, 915, chromedp.EmulateMobile))
	b.open(t, "/")
	b.until(t, mapReady)
	link := func(e string) string {
		return eval[string](t, b, `document.querySelector('`+e+`').getAttribute('href')`)
	}
	rooms := []speedRoom{
		{name: "Map", path: "/", ready: mapReadyAt},
		{name: "Site", path: link(".site-line a")},
		{name: "Point", path: link(".entry:has(.holds) a")},
		{name: "Walk", path: "/walk", ready: walkReady},
		{name: "Layers", path: "/layers"},
		{name: "Ratings", path: "/ratings"},
		{name: "Upkeep", path: "/upkeep"},
		{name: "People", path: "/people"},
	}
	_, err := chromedp.Call(b, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
	require.NoError(t, err)
	_, err = chromedp.Call(b, performance.Enable, performance.EnableParams{TimeDomain: performance.EnableTimeDomainThreadTicks})
	require.NoError(t, err)
	_, err = chromedp.Call(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{
		Source: `window.busyUntil = 0; new PerformanceObserver((list) => { for (const e of list.getEntries()) window.busyUntil = e.startTime + e.duration }).observe({type: 'longtask'})`,
	})
	require.NoError(t, err)
	for i := range rooms {
		room := &rooms[i]
		room.visits = map[string][]visit{}
		for range speedRuns {
			b.forget(t)
			room.visits["first"] = append(room.visits["first"], b.timed(t, m, *room))
			b.timed(t, m, *room)
			room.visits["again"] = append(room.visits["again"], b.timed(t, m, *room))
		}
	}
	return rooms
}

// forget has the browser forget everything it has kept.
func (b *tab) forget(t *testing.T) {
	t.Helper()
	b.open(t, "about:blank")
	_, err := chromedp.Call(b, storage.ClearDataForOrigin, storage.ClearDataForOriginParams{Origin: b.origin, StorageTypes: "all"})
	require.NoError(t, err)
	_, err = chromedp.Call(b, network.ClearBrowserCache, struct{}{})
	require.NoError(t, err)
}

// timed visits a room and waits until it is ready and has had nothing to do
// for two seconds.
func (b *tab) timed(t *testing.T, m *meter, room speedRoom) visit {
	t.Helper()
	b.open(t, "about:blank")
	bytes, answers := m.bytes.Load(), m.answers.Load()
	before := b.worked(t)
	b.open(t, room.path)
	ready := room.ready
	if ready == "" {
		ready = "true"
	}
	v := eval[visit](t, b, `new Promise((done) => { const look = () => { const paint = performance.getEntriesByName('first-contentful-paint')[0];
		if (paint && document.readyState === 'complete' && (`+ready+`) && performance.now() - Math.max(window.busyUntil, paint.startTime) > 2000)
			done({Paint: paint.startTime, Live: Math.max(paint.startTime, window.busyUntil)});
		else setTimeout(look, 200) }; look() })`)
	after := b.worked(t)
	v.Work, v.Script = 1000*(after["TaskDuration"]-before["TaskDuration"]), 1000*(after["ScriptDuration"]-before["ScriptDuration"])
	v.kb, v.asked = float64(m.bytes.Load()-bytes)/1000, m.answers.Load()-answers
	return v
}

// worked is what the main thread has done so far, in seconds of its own clock,
// which other work on the machine does not move.
func (b *tab) worked(t *testing.T) map[string]float64 {
	t.Helper()
	got, err := chromedp.Call(b, performance.GetMetrics, struct{}{})
	require.NoError(t, err)
	out := map[string]float64{}
	for _, m := range got.Metrics {
		out[m.Name] = m.Value
	}
	return out
}

// pan is how a map followed a finger.
type pan struct {
	zoom                string
	Rate, Most, Longest float64 // frames a second; ms between two, of 95 in 100 and at the most
	Work                float64 // ms that the main thread ran, for each frame
}

// dragged drags the map about and counts frames.
func (b *tab) dragged(t *testing.T) pan {
	t.Helper()
	x, y := b.middle(t, "#map")
	eval[bool](t, b, `(() => { window.frames_ = []; const tick = (at) => { window.frames_.push(at); window.ticking = requestAnimationFrame(tick) }; requestAnimationFrame(tick); return true })()`)
	press := func(kind input.DispatchMouseEventType, dx, dy float64) {
		_, err := chromedp.Call(b, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x + dx, Y: y + dy, Button: input.MouseButtonLeft, Buttons: 1, ClickCount: 1})
		require.NoError(t, err)
	}
	before := b.worked(t)
	press(input.DispatchMouseEventTypeMousePressed, 0, 0)
	for i := range 90 {
		press(input.DispatchMouseEventTypeMouseMoved, 3*float64(i)*math.Cos(float64(i)/15), 2*float64(i)*math.Sin(float64(i)/15))
	}
	press(input.DispatchMouseEventTypeMouseReleased, 0, 0)
	p := eval[pan](t, b, `(() => { cancelAnimationFrame(window.ticking); const f = window.frames_; const gaps = f.slice(1).map((v, i) => v - f[i]).sort((a, b) => a - b);
		return {Rate: 1000 * gaps.length / (f.at(-1) - f[0]), Most: gaps[Math.floor(gaps.length * 0.95)], Longest: gaps.at(-1), Work: gaps.length} })()`)
	after := b.worked(t)
	p.Work = 1000 * (after["TaskDuration"] - before["TaskDuration"]) / p.Work
	return p
}

// speedPans drags a map of so many points about at three zooms.
func speedPans(t *testing.T, n int) (out []pan) {
	t.Helper()
	s, store := fixture(t)
	many(t, store, n, -91.6, 44.3, 0.8)
	web := httptest.NewServer(s)
	t.Cleanup(web.Close)
	b := newTabFor(t, web.URL, speedMost)
	_, err := chromedp.Call(b, performance.Enable, performance.EnableParams{TimeDomain: performance.EnableTimeDomainThreadTicks})
	require.NoError(t, err)
	b.do(t, chromedp.EmulateViewport(1440, 900))
	b.open(t, "/")
	b.until(t, mapReadyAt)
	t.Logf("%d points: first map after %.0f ms", n, eval[float64](t, b, `performance.now()`))
	require.Eventually(t, func() bool {
		return eval[int](t, b, `fetch('/map/points?bbox=-92,44,-91,45').then((r) => r.json()).then((d) => d.unjudged)`) == 0
	}, 3*time.Minute, 200*time.Millisecond, "verdicts are still missing")
	b.until(t, `!document.querySelector('#unjudged')`)
	b.shoot(t, "many")
	for _, view := range []string{"9.5/44.70000/-91.20000", "12.5/44.60000/-91.25000", "15.5/44.65130/-91.20450"} {
		b.open(t, "about:blank")
		b.open(t, "/#"+view)
		b.until(t, mapReadyAt)
		p := b.dragged(t)
		p.zoom, _, _ = strings.Cut(view, "/")
		t.Logf("zoom %s: %.0f frames/s, 95 of 100 within %.0f ms, longest %.0f ms, %.1f ms of work each", p.zoom, p.Rate, p.Most, p.Longest, p.Work)
		out = append(out, p)
		b.until(t, mapReadyAt+` && document.querySelectorAll('#ledger li').length > 0`)
	}
	b.clean(t)
	return out
}

// TestPanManyPoints drags a map of more points than are judged while a request
// waits: it keeps up with the view, and every verdict is found in the end.
func TestPanManyPoints(t *testing.T) {
	require.Len(t, speedPans(t, 3000), 3)
}

func loadOf() string {
	b, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "load unknown"
	}
	load, _, _ := strings.Cut(string(b), " ")
	return "load " + load
}

func browserOf(t *testing.T) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), tool(t, "chromium"), "--version").Output()
	require.NoError(t, err)
	return strings.TrimSpace(string(out))
}
