package server_test

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
)

const form = "Content-Type: application/x-www-form-urlencoded"

// section returns what a page says from one heading to the next section.
func section(t *testing.T, page, id string) string {
	t.Helper()
	_, rest, ok := strings.Cut(page, `id="`+id+`"`)
	require.True(t, ok, "the page has no part %q", id)
	text, _, _ := strings.Cut(rest, "</section>")
	return text
}

func TestUpkeep(t *testing.T) {
	h, store := fixture(t)
	res := call(t, h, http.MethodGet, "/upkeep", "")
	require.Equal(t, http.StatusOK, res.StatusCode)
	page := bodyOf(t, res)

	vouch := section(t, page, "vouch")
	assert.Contains(t, vouch, "QR-2", "nobody reviewed it")
	assert.NotContains(t, vouch, "AB-1", "signed and due next year")
	stale := section(t, page, "stale")
	assert.Contains(t, stale, ">A2<", "surveyed three years ago")
	assert.Contains(t, stale, "Top &lt;gate&gt; &amp; fence", "no day is recorded")
	assert.NotContains(t, stale, ">A1<")

	t.Run("the gaps of the map's own list", func(t *testing.T) {
		link := regexp.MustCompile(`href="(/\?coverage=1&amp;q=[^"]+)"`)
		here := link.FindAllStringSubmatch(section(t, page, "coverage"), -1)
		require.NotEmpty(t, here)
		assert.Equal(t, link.FindAllStringSubmatch(bodyOf(t, call(t, h, http.MethodGet, "/map/coverage", "")), -1), here)
		assert.Equal(t, http.StatusOK, call(t, h, http.MethodGet, html.UnescapeString(here[0][1]), "").StatusCode)
	})
	t.Run("a point changed after the signature", func(t *testing.T) {
		row, err := store.Point(t.Context(), "p-good")
		require.NoError(t, err)
		row.Item.Ground.Moisture = survey.Wet
		_, err = store.PutPoint(t.Context(), row.Item, author, survey.Known(row.Revision))
		require.NoError(t, err)
		vouch := section(t, bodyOf(t, call(t, h, http.MethodGet, "/upkeep", "")), "vouch")
		assert.Contains(t, vouch, "changed since it was signed: A1")
	})
}

func TestAfterFloodPage(t *testing.T) {
	h, _ := fixture(t)
	ask := func(query string) (int, string) {
		res := call(t, h, http.MethodGet, "/upkeep?"+query, "")
		return res.StatusCode, section(t, bodyOf(t, res), "flood")
	}
	// The river polygon of the fixture passes some 20 m south of A1 and more than
	// 300 m from the cutting.
	code, text := ask("ended=2026-04-30&within=150")
	assert.Equal(t, http.StatusOK, code)
	assert.Contains(t, text, ">A1<")
	assert.NotContains(t, text, "Top &lt;gate&gt;")
	code, text = ask("ended=2026-04-30&within=150&stage=12")
	assert.Equal(t, http.StatusOK, code)
	assert.Contains(t, text, "Top &lt;gate&gt;", "with a stage and no elevation it cannot be told")
	_, text = ask("ended=2026-04-01&within=150")
	assert.NotContains(t, text, ">A1<", "surveyed on 12 April, after that flood")

	for query, wrong := range map[string]string{
		"ended=2027-01-01&within=10":           "ended-wrong",
		"ended=soon&within=10":                 "ended-wrong",
		"ended=2026-04-30&within=-1":           "within-wrong",
		"ended=2026-04-30&within=NaN":          "within-wrong",
		"ended=2026-04-30&within=10&stage=old": "stage-wrong",
	} {
		code, text := ask(query)
		assert.Equal(t, http.StatusBadRequest, code, query)
		assert.Contains(t, text, `id="`+wrong+`"`, query)
	}
}

func TestReviewForm(t *testing.T) {
	h, store := fixture(t)
	site := func() (survey.Site, int64) {
		row, err := store.Site(t.Context(), "s-cutting")
		require.NoError(t, err)
		return row.Item, row.Revision
	}
	_, revision := site()
	post := func(h http.Handler, values ...string) *http.Response {
		v := url.Values{"revision": {fmt.Sprint(revision)}, "state": {"signed"}, "by": {"R. Vale"}, "due": {"2027-05-04"}}
		for i := 0; i < len(values); i += 2 {
			v.Set(values[i], values[i+1])
		}
		return call(t, h, http.MethodPost, "/sites/s-cutting/review", v.Encode(), form)
	}
	for name, c := range map[string]struct {
		values []string
		code   int
	}{
		"nobody":                        {[]string{"by", " "}, 400},
		"a signature without an end":    {[]string{"due", ""}, 400},
		"due in the past":               {[]string{"due", "2020-01-01"}, 400},
		"a state that there is not":     {[]string{"state", "perfect"}, 400},
		"no version":                    {[]string{"revision", ""}, 400},
		"a version that is not current": {[]string{"revision", "1"}, 412},
	} {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, c.code, post(h, c.values...).StatusCode)
			now, same := site()
			assert.Equal(t, revision, same)
			assert.Empty(t, now.Review.State)
		})
	}
	t.Run("read-only", func(t *testing.T) {
		shut, err := server.New(server.Config{Store: store, ReadOnly: true})
		require.NoError(t, err)
		assert.Equal(t, http.StatusForbidden, post(shut).StatusCode)
	})
	res := post(h)
	require.Equal(t, http.StatusSeeOther, res.StatusCode)
	assert.Equal(t, "/sites/s-cutting#review", res.Header.Get("Location"))
	signed, _ := site()
	assert.Equal(t, survey.Signed, signed.Review.State)
	assert.Equal(t, "R. Vale", signed.Review.By)
	at, _ := signed.Review.At.Get()
	assert.Equal(t, now, at)
	assert.NotContains(t, section(t, bodyOf(t, call(t, h, http.MethodGet, "/upkeep", "")), "vouch"), "QR-2")
}

// TestSignOffByKeys goes from the list of what is unsigned to a signed site
// with the keyboard alone.
func TestSignOffByKeys(t *testing.T) {
	b := browse(t)
	b.open(t, "/upkeep")
	b.tabTo(t, `a[href="/sites/s-cutting#review"]`)
	b.do(t, chromedp.KeyEvent(kb.Enter))
	b.until(t, `location.pathname === '/sites/s-cutting' && document.readyState === 'complete'`)
	b.tabTo(t, `#review summary`)
	b.do(t, chromedp.KeyEvent(kb.Enter))
	b.tabTo(t, `#by`)
	b.do(t, chromedp.KeyEvent("R. Vale"), chromedp.KeyEvent(kb.Enter))
	b.until(t, `document.readyState === 'complete' && document.querySelector('#review dd')?.textContent === 'signed'`)
	b.open(t, "/upkeep")
	assert.NotContains(t, eval[string](t, b, `document.querySelector('#vouch').parentElement.textContent`), "QR-2")
	b.clean(t)
}

// TestUnsettled: what two stations recorded differently is on the list of the
// rescue lead and across the top of the sheet until somebody chooses.
func TestUnsettled(t *testing.T) {
	h, store := fixture(t)
	assert.NotContains(t, bodyOf(t, call(t, h, http.MethodGet, "/upkeep", "")), "unsettled")
	dispute(t, store)
	list := section(t, bodyOf(t, call(t, h, http.MethodGet, "/upkeep", "")), "unsettled")
	assert.Contains(t, list, `<a href="/points/p-good">A1</a>`)
	assert.Contains(t, list, "Bank, slope")
	assert.Contains(t, list, `<a href="/points/p-bare">`, "taken out by one, changed by the other")
	sheet := bodyOf(t, call(t, h, http.MethodGet, "/sites/s-alder/sheet", ""))
	assert.Contains(t, sheet, "NOT SETTLED: two stations recorded A1 differently")
}
