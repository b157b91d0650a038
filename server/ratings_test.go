package server_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
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

var (
	anInput  = regexp.MustCompile(`<input([^>]*)>`)
	aSelect  = regexp.MustCompile(`(?s)<select[^>]* name="([^"]*)"[^>]*>(.*?)</select>`)
	chosen   = regexp.MustCompile(`<option value="([^"]*)" selected`)
	anyValue = regexp.MustCompile(`<option value="([^"]*)"`)
)

func attribute(tag, name string) string {
	m := regexp.MustCompile(` ` + name + `="([^"]*)"`).FindStringSubmatch(tag)
	if m == nil {
		return ""
	}
	return html.UnescapeString(m[1])
}

// fields are the fields of the form that changes the policy, as a browser would
// send them.
func fields(t *testing.T, page string) url.Values {
	t.Helper()
	_, form, ok := strings.Cut(page, `action="/ratings/try#tried"`)
	require.True(t, ok, "the page has no form to change the policy")
	form, _, _ = strings.Cut(form, "</form>")
	out := url.Values{}
	for _, m := range anInput.FindAllStringSubmatch(form, -1) {
		if name := attribute(m[1], "name"); name != "" && attribute(m[1], "type") != "checkbox" {
			out.Set(name, attribute(m[1], "value"))
		}
	}
	for _, m := range aSelect.FindAllStringSubmatch(form, -1) {
		picked := chosen.FindStringSubmatch(m[2])
		if picked == nil {
			picked = anyValue.FindStringSubmatch(m[2])
		}
		out.Set(html.UnescapeString(m[1]), html.UnescapeString(picked[1]))
	}
	return out
}

// setting is what the form that puts a tried policy in force would send.
func setting(t *testing.T, page string) url.Values {
	t.Helper()
	_, form, ok := strings.Cut(page, `method="post" action="/ratings">`)
	require.True(t, ok, "the page offers nothing to put in force")
	form, _, _ = strings.Cut(form, "</form>")
	out := url.Values{}
	for _, m := range anInput.FindAllStringSubmatch(form, -1) {
		out.Set(attribute(m[1], "name"), attribute(m[1], "value"))
	}
	return out
}

// change opens the form and sends it with some fields changed.
func change(t *testing.T, h http.Handler, values ...string) (int, string) {
	t.Helper()
	v := fields(t, bodyOf(t, call(t, h, http.MethodGet, "/ratings/change", "")))
	v.Set("/reason", "spring review")
	for i := 0; i < len(values); i += 2 {
		v.Set(values[i], values[i+1])
	}
	res := call(t, h, http.MethodPost, "/ratings/try", v.Encode(), form)
	return res.StatusCode, bodyOf(t, res)
}

func TestRatingsRoom(t *testing.T) {
	h, store := fixture(t)
	// k_n for three tests of unknown scatter is 3.37 (EN 1990:2002, Table D1). With
	// 20, 22 and 24 kN, by a pocket calculator: m 3.0883, s 0.0912,
	// exp(m - 3.37 s) 16.1 kN.
	row, err := store.Point(t.Context(), "p-good")
	require.NoError(t, err)
	for _, kN := range []float64{20, 22, 24} {
		row.Item.PullTests = append(row.Item.PullTests, survey.PullTest{Rig: "1-1-1", ForceKN: kN, Outcome: survey.Moved, MovementMM: survey.Known(kN), Moisture: survey.Moist, Instrument: "dynamometer <7>"})
	}
	_, err = store.PutPoint(t.Context(), row.Item, author, survey.Known(row.Revision))
	require.NoError(t, err)

	res := call(t, h, http.MethodGet, "/ratings", "")
	require.Equal(t, http.StatusOK, res.StatusCode)
	page := bodyOf(t, res)
	// NAVEDTRA 14251 rates the single stake at 700 lbf, which is 3.11 kN.
	table := section(t, page, "table-ratings")
	assert.Contains(t, table, "700 lbf (3.1 kN)")
	assert.Contains(t, table, "NAVEDTRA 14251")
	assert.Contains(t, section(t, page, "lines-1"), "10:1")
	assert.NotContains(t, page, "<td></td><td></td><td></td><td></td>")

	pulls := section(t, page, "pulls")
	assert.Contains(t, pulls, "Rig 1-1-1, class A, cohesive")
	assert.Contains(t, pulls, "16.1 kN")
	assert.Contains(t, pulls, "3.37")
	assert.Contains(t, pulls, "dynamometer &lt;7&gt;")
	assert.Contains(t, pulls, "<svg")
}

func TestTryAndSetPolicy(t *testing.T) {
	h, store := fixture(t)
	before, err := store.Policy(t.Context())
	require.NoError(t, err)

	code, page := change(t, h, "/setback_m/value", "60")
	require.Equal(t, http.StatusOK, code, page)
	tried := section(t, page, "tried")
	assert.Contains(t, tried, "6 ft 7 in (2.00 m)")
	assert.Contains(t, tried, "60 ft (18.3 m)")
	assert.Contains(t, tried, "AB-1 A1")
	assert.Contains(t, tried, "the crest is", "the new sentence says why")
	now, err := store.Policy(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, now, "a trial changes nothing")

	set := setting(t, page)
	res := call(t, h, http.MethodPost, "/ratings", set.Encode(), form)
	require.Equal(t, http.StatusSeeOther, res.StatusCode)
	now, err = store.Policy(t.Context())
	require.NoError(t, err)
	assert.InDelta(t, 60*0.3048, float64(now.SetbackM.Value), 1e-9, "60 feet, by the international foot")
	now.SetbackM, now.Version, now.Reason = before.SetbackM, before.Version, ""
	assert.Equal(t, before, now, "every other figure keeps all its digits")

	past := section(t, bodyOf(t, call(t, h, http.MethodGet, "/ratings", "")), "past")
	assert.Contains(t, past, "spring review")
	assert.Contains(t, past, "60 ft (18.3 m)")

	t.Run("the same trial again", func(t *testing.T) {
		res := call(t, h, http.MethodPost, "/ratings", set.Encode(), form)
		assert.Equal(t, http.StatusBadRequest, res.StatusCode)
		assert.Contains(t, bodyOf(t, res), "on record")
	})
	t.Run("the file of a version", func(t *testing.T) {
		res := call(t, h, http.MethodGet, "/ratings/policy.json?version="+before.Version, "")
		require.Equal(t, http.StatusOK, res.StatusCode)
		got, err := survey.ParsePolicy([]byte(bodyOf(t, res)))
		require.NoError(t, err)
		assert.Equal(t, before, got)
		assert.Equal(t, http.StatusNotFound, call(t, h, http.MethodGet, "/ratings/policy.json?version=none", "").StatusCode)
	})
}

// What was tried against a policy that is no longer in force is refused, kept,
// and can be tried again.
func TestPolicyChangedMeanwhile(t *testing.T) {
	h, store := fixture(t)
	_, page := change(t, h, "/required_ratio/value", "8")
	set := setting(t, page)
	other, err := store.Policy(t.Context())
	require.NoError(t, err)
	other.Version, other.Kit.Stakes.Value = "theirs", 99
	require.NoError(t, store.SetPolicy(t.Context(), other, author))

	res := call(t, h, http.MethodPost, "/ratings", set.Encode(), form)
	assert.Equal(t, http.StatusPreconditionFailed, res.StatusCode)
	page = bodyOf(t, res)
	assert.Contains(t, page, "meanwhile")
	kept := fields(t, page)
	assert.Equal(t, "8", kept.Get("/required_ratio/value"))
	now, err := store.Policy(t.Context())
	require.NoError(t, err)
	assert.Equal(t, "theirs", now.Version)

	res = call(t, h, http.MethodPost, "/ratings/try", kept.Encode(), form)
	require.Equal(t, http.StatusOK, res.StatusCode)
	tried := bodyOf(t, res)
	assert.Contains(t, section(t, tried, "tried"), "99", "what the other changed is shown as changed back")
	assert.Equal(t, http.StatusSeeOther, call(t, h, http.MethodPost, "/ratings", setting(t, tried).Encode(), form).StatusCode)
}

// Whatever is wrong stands beside its field, and everything typed is kept.
func TestPolicyFormErrors(t *testing.T) {
	h, store := fixture(t)
	before, err := store.Policy(t.Context())
	require.NoError(t, err)
	for name, c := range map[string]struct {
		pointer, typed, says string
	}{
		"no figure":               {"/kit/stakes/value", "many", "Give a number"},
		"nothing":                 {"/required_ratio/value", "", "Give a number"},
		"no number":               {"/required_ratio/value", "NaN", "Give a number"},
		"an exponent":             {"/ratings/0/holding_n", "1e4", `"1e4" is not a number`},
		"a comma for one of two":  {"/ratings/0/holding_n", "1,800", "write 1800 or 1.8"},
		"a ratio below one":       {"/required_ratio/value", "0.5", "Give 1 to 100"},
		"no source":               {"/required_ratio/source", " ", "name where the figure comes from"},
		"a rig that is none":      {"/ratings/0/rig", "3-x", "is no rig"},
		"a rating of nothing":     {"/ratings/1/holding_n", "0", "lbf"},
		"a factor above one":      {"/ground_factors/0/factor", "1.5", "Give 0 to 1"},
		"a load case of no name":  {"/load_cases/0/id", "", "missing"},
		"no reason":               {"/reason", "", "Say why"},
		"a version on record":     {"/version", before.Version, "on record"},
		"rows closer than 3 ft":   {"/stake/spacing_m/value", "12", "Give 35.5 to 72.8 in"}, // NAVEDTRA 14251: 3 to 6 ft
		"a haul there is not":     {"/load_cases/0/haul", "7:1", "is not one of"},
		"markup in a short field": {"/kit/people/value", `"><b>6`, "Give a number"},
	} {
		t.Run(name, func(t *testing.T) {
			code, page := change(t, h, c.pointer, c.typed, "/department_note", "ignored", "/kit/drivers/value", "7")
			assert.Equal(t, http.StatusBadRequest, code)
			id := "f" + strings.ReplaceAll(c.pointer, "/", "-")
			assert.Contains(t, page, `href="#`+id+`"`, "the list leads to it")
			_, beside, ok := strings.Cut(page, `id="`+id+`-wrong">`)
			require.True(t, ok, "nothing is said beside the field")
			beside, _, _ = strings.Cut(beside, "</p>")
			assert.Contains(t, html.UnescapeString(beside), c.says)
			again := fields(t, page)
			if c.pointer != "/load_cases/0/haul" { // a list cannot show what is not in it
				assert.Equal(t, strings.TrimSpace(c.typed), again.Get(c.pointer), "what was typed is kept")
			}
			assert.Equal(t, "7", again.Get("/kit/drivers/value"), "and the rest too")
			now, err := store.Policy(t.Context())
			require.NoError(t, err)
			assert.Equal(t, before, now)
		})
	}
}

// A form sent as it was shown changes no figure, whichever the units: they are
// shown rounded and kept whole.
func TestPolicyFormKeepsDigits(t *testing.T) {
	for _, u := range []survey.Units{survey.UnitsUS, survey.UnitsSI} {
		h, store := fixture(t)
		p, err := store.Policy(t.Context())
		require.NoError(t, err)
		p.Version, p.Units, p.SetbackM.Value = "odd", u, 2.123456789123
		require.NoError(t, store.SetPolicy(t.Context(), p, author))
		code, page := change(t, h)
		require.Equal(t, http.StatusOK, code)
		assert.Contains(t, section(t, page, "tried"), "No figure differs", u)
	}
}

// TestRatingsAreSaidOnTheSafeSide: the same figure in the table as in the log on
// the page, and neither promises more than is on record. 1,800 lbf are 8.0068 kN
// and 600 lbf 2.6689 kN (NIST SP 811, appendix B.8).
func TestRatingsAreSaidOnTheSafeSide(t *testing.T) {
	h, store := fixture(t)
	p, err := store.Policy(t.Context())
	require.NoError(t, err)
	p.Version, p.Units = "si", survey.UnitsSI
	p.Ratings[0].HoldingN, p.LoadCases[0].LoadN = 8006.788897, 2668.932967
	p.LoadCases[0].ID = "two"
	p.HaulPerPersonN.Value = 258.9
	require.NoError(t, store.SetPolicy(t.Context(), p, author))
	page := bodyOf(t, call(t, h, http.MethodGet, "/ratings", ""))
	assert.Contains(t, section(t, page, "table-ratings"), ">8 kN<")
	assert.Contains(t, section(t, page, "table-load_cases"), ">2.7 kN<")
	assert.Contains(t, page, ">0.25 kN<", "what one person hauls")

	t.Run("a change too small for the words is told by its digits", func(t *testing.T) {
		code, page := change(t, h, "/ratings/0/holding_n", "8.05")
		require.Equal(t, http.StatusOK, code)
		tried := section(t, page, "tried")
		assert.Contains(t, tried, "8.007 kN")
		assert.Contains(t, tried, "8.05 kN")
	})
}

func TestPolicyRows(t *testing.T) {
	h, _ := fixture(t)
	code, page := change(t, h, "/ratings/1/remove", "yes", "/ratings/5/rig", "4-3", "/ratings/5/holding_n", "5000", "/ratings/5/source", "department")
	require.Equal(t, http.StatusOK, code)
	tried := section(t, page, "tried")
	assert.Contains(t, tried, "Rating table, 1-1:")
	assert.Contains(t, tried, "taken out")
	assert.Contains(t, tried, "5,000 lbf (22 kN)", "22.24 kN, as 1 lbf is 4.4482 N, never rounded up")
	p, err := survey.ParsePolicy([]byte(setting(t, page).Get("document")))
	require.NoError(t, err)
	var rigs []string
	for _, r := range p.Ratings {
		rigs = append(rigs, r.Rig)
	}
	assert.Equal(t, []string{"1", "1-1-1", "2-1", "3-2-1", "4-3"}, rigs)

	t.Run("an error after a row that was taken out", func(t *testing.T) {
		code, page := change(t, h, "/ratings/0/remove", "yes", "/ratings/3/holding_n", "heavy")
		assert.Equal(t, http.StatusBadRequest, code)
		again := fields(t, page)
		assert.Equal(t, "2-1", again.Get("/ratings/2/rig"))
		assert.Equal(t, "heavy", again.Get("/ratings/2/holding_n"))
	})
}

func TestPolicyFile(t *testing.T) {
	h, store := fixture(t)
	send := func(body string) (int, string) {
		var b bytes.Buffer
		m := multipart.NewWriter(&b)
		f, err := m.CreateFormFile("file", "policy.json")
		require.NoError(t, err)
		_, err = f.Write([]byte(body))
		require.NoError(t, err)
		require.NoError(t, m.Close())
		res := call(t, h, http.MethodPost, "/ratings/try", b.String(), "Content-Type: "+m.FormDataContentType())
		return res.StatusCode, bodyOf(t, res)
	}
	p, err := store.Policy(t.Context())
	require.NoError(t, err)
	p.Version, p.Reason, p.RequiredRatio.Value = "by file", "the county's", 7
	raw, err := json.Marshal(p)
	require.NoError(t, err)
	code, page := send(string(raw))
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, section(t, page, "tried"), "7:1")

	code, page = send(strings.Replace(string(raw), `"sector_deg"`, `"sektor_deg"`, 1))
	assert.Equal(t, http.StatusBadRequest, code)
	assert.Contains(t, page, "sektor_deg")
	for _, bad := range []string{"", "[]", "{", "null", `"text"`, "{}", `{"ratings":7,"stake":[]}`} {
		code, _ = send(bad)
		assert.Equal(t, http.StatusBadRequest, code, bad)
	}
}

func TestRatingsReadOnly(t *testing.T) {
	h, store := fixture(t)
	_, page := change(t, h, "/required_ratio/value", "8")
	shut, err := server.New(server.Config{Store: store, ReadOnly: true})
	require.NoError(t, err)
	assert.Equal(t, http.StatusForbidden, call(t, shut, http.MethodPost, "/ratings", setting(t, page).Encode(), form).StatusCode)
	assert.NotContains(t, bodyOf(t, call(t, shut, http.MethodGet, "/ratings", "")), "/ratings/change")
}

// FuzzPolicyForm sends any document and any figure: the form answers or
// refuses, and never fails inside.
func FuzzPolicyForm(f *testing.F) {
	for _, seed := range [][2]string{
		{"{}", "1"},
		{`{"ratings":[{"rig":"1"},7,null],"stake":{"length_m":[]},"kit":3}`, "1e400"},
		{`{"required_ratio":{"value":"ten"},"version":4}`, "-0"},
		{`null`, ""},
	} {
		f.Add(seed[0], seed[1])
	}
	h, _ := fixture(f)
	f.Fuzz(func(t *testing.T, document, figure string) {
		v := url.Values{"document": {document}, "/required_ratio/value": {figure}, "/ratings/0/rig": {figure}, "/ratings/0/holding_n": {figure}, "/stake/length_m/value": {figure}, "/reason": {"r"}, "/version": {figure}}
		res := call(t, h, http.MethodPost, "/ratings/try", v.Encode(), form)
		assert.Contains(t, []int{http.StatusOK, http.StatusBadRequest}, res.StatusCode)
	})
}

// TestChangePolicyByKeys is the rescue lead's journey with the keyboard alone:
// from the map to the ratings, another required ratio, what it would do, and
// in force. The pages on the way are looked over by axe-core.
func TestChangePolicyByKeys(t *testing.T) {
	s, store := fixture(t)
	web := httptest.NewServer(s)
	t.Cleanup(web.Close)
	b := newTab(t, web.URL)
	for i, lit := range []string{"day", "night"} {
		b.lit(t, lit)
		b.do(t, chromedp.EmulateViewport(1280, 800))
		b.open(t, "/ratings")
		b.tabTo(t, `main a[href="/ratings/change"]`)
		b.do(t, chromedp.KeyEvent(kb.Enter))
		b.until(t, `document.querySelector('#try') && document.readyState === 'complete'`)
		b.tabTo(t, `[id="f-reason"]`)
		b.do(t, chromedp.KeyEvent("by keys"))
		b.tabTo(t, `[id="f-required_ratio-value"]`) // its text is selected
		ratio := fmt.Sprint(2.5 - float64(i)/4)
		b.do(t, chromedp.KeyEvent(ratio), chromedp.KeyEvent(kb.Enter))
		b.until(t, `document.querySelector('#tried') && document.readyState === 'complete'`)
		b.accessible(t)
		assert.Contains(t, eval[string](t, b, `document.querySelector('.tried').innerText`), ratio+":1")
		for _, width := range lookedAt {
			b.do(t, chromedp.EmulateViewport(width, 900))
			b.shootAll(t, fmt.Sprintf("ratings-tried-%s-%d", lit, width))
		}
		b.tabTo(t, `#force`)
		b.do(t, chromedp.KeyEvent(kb.Enter))
		b.until(t, `location.pathname === '/ratings' && document.readyState === 'complete'`)
		now, err := store.Policy(t.Context())
		require.NoError(t, err)
		assert.Equal(t, ratio, fmt.Sprint(now.RequiredRatio.Value))
		assert.Equal(t, "by keys", now.Reason)
	}
	b.clean(t)
}
