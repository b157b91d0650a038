package server_test

import (
	"encoding/xml"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestSheet(t *testing.T) {
	s, _ := fixture(t)
	const page, api = "/sites/s-alder/sheet", "/api/collections/sites/items/s-alder/sheet"
	for name, c := range map[string]struct {
		target, accept, want string
	}{
		"page":            {page, "text/html", "text/html; charset=utf-8"},
		"page as PDF":     {page + ".pdf", "text/html", "application/pdf"},
		"by code":         {"/sites/ab-1/sheet.pdf?paper=a4", "*/*", "application/pdf"},
		"API, any form":   {api, "*/*", "application/pdf"},
		"API, by Accept":  {api, "text/html", "text/html; charset=utf-8"},
		"API, by f":       {api + "?f=pdf", "text/html", "application/pdf"},
		"API, other form": {api + "?f=html&paper=Letter", "application/pdf", "text/html; charset=utf-8"},
	} {
		t.Run(name, func(t *testing.T) {
			res := call(t, s, http.MethodGet, c.target, "", "Accept: "+c.accept)
			require.Equal(t, http.StatusOK, res.StatusCode)
			assert.Equal(t, c.want, res.Header.Get("Content-Type"))
			checkHeaders(t, res)
			text := bodyOf(t, res)
			if c.want == "application/pdf" {
				assert.True(t, strings.HasPrefix(text, "%PDF-"))
				assert.Equal(t, "inline; filename=AB-1.pdf", res.Header.Get("Content-Disposition"))
				return
			}
			assert.Contains(t, text, "Alder Bend")
			assert.NotContains(t, text, "style=", "an inline style is refused by the browser")
			assert.NotContains(t, text, "<script")
		})
	}
	assert.Equal(t, http.StatusNotFound, call(t, s, http.MethodGet, "/sites/none/sheet.pdf", "").StatusCode)
	checkProblem(t, call(t, s, http.MethodGet, api+"?paper=A3", ""), http.StatusBadRequest)
	checkProblem(t, call(t, s, http.MethodGet, api, "", "Accept: image/png"), http.StatusNotAcceptable)

	once := bodyOf(t, call(t, s, http.MethodGet, page+".pdf", ""))
	assert.True(t, once == bodyOf(t, call(t, s, http.MethodGet, page+".pdf", "")), "the same sheet has other bytes")
}

func TestSheetStyle(t *testing.T) {
	s, _ := fixture(t)
	res := call(t, s, http.MethodGet, "/sheet.css?display=night", "")
	require.Equal(t, http.StatusOK, res.StatusCode)
	assert.Equal(t, "text/css; charset=utf-8", res.Header.Get("Content-Type"))
	assert.Contains(t, bodyOf(t, res), "color-scheme:dark")
	again := call(t, s, http.MethodGet, "/sheet.css?display=night", "", "If-None-Match: "+res.Header.Get("ETag"))
	assert.Equal(t, http.StatusNotModified, again.StatusCode)
}

// The first bytes of a layout say what it is; both are offered as files.
func TestLayouts(t *testing.T) {
	s, _ := fixture(t)
	for target, want := range map[string][3]string{
		"/points/p-good/layout.svg":                 {"image/svg+xml", "<?xml", "AB-1-A1-layout.svg"},
		"/points/p-good/layout.dxf":                 {"image/vnd.dxf", "999\nlayout of an anchor; coordinates: WGS 84 / UTM zone", "layout-utm"},
		"/points/p-good/layout.svg?load=one-person": {"image/svg+xml", "<?xml", ".svg"},
	} {
		res := call(t, s, http.MethodGet, target, "")
		require.Equal(t, http.StatusOK, res.StatusCode, target)
		checkHeaders(t, res)
		assert.Equal(t, want[0], res.Header.Get("Content-Type"))
		assert.Contains(t, res.Header.Get("Content-Disposition"), want[2])
		assert.True(t, strings.HasPrefix(bodyOf(t, res), want[1]), target)
	}
	assert.Equal(t, http.StatusNotFound, call(t, s, http.MethodGet, "/points/none/layout.svg", "").StatusCode)
	assert.Equal(t, http.StatusBadRequest, call(t, s, http.MethodGet, "/points/p-good/layout.dxf?colour=red", "").StatusCode)
}

// A drawing of a page opens alone, as an SVG in the colours of the display; the
// address keeps what was asked.
func TestDrawingsAlone(t *testing.T) {
	s, _ := fixture(t)
	link := regexp.MustCompile(`href="(/(?:sites|points)/[^"]*drawing=1[^"]*)"`)
	for _, page := range []string{"/sites/s-alder", "/points/p-good?load=one-person&tonight=wet"} {
		found := link.FindStringSubmatch(bodyOf(t, call(t, s, http.MethodGet, page, "")))
		require.NotNil(t, found, page)
		href := html.UnescapeString(found[1])
		at, err := url.Parse(href)
		require.NoError(t, err)
		asked, err := url.Parse(page)
		require.NoError(t, err)
		for name, values := range asked.Query() {
			assert.Equal(t, values, at.Query()[name], href)
		}
		night := call(t, s, http.MethodGet, href, "", "Cookie: display=night")
		require.Equal(t, http.StatusOK, night.StatusCode, href)
		checkHeaders(t, night)
		assert.Equal(t, "image/svg+xml", night.Header.Get("Content-Type"))
		body := bodyOf(t, night)
		assert.Contains(t, body, "css/night.css")
		read := xml.NewDecoder(strings.NewReader(body))
		for err = error(nil); err == nil; {
			_, err = read.Token()
		}
		require.ErrorIs(t, err, io.EOF, "it is whole XML")
		day := bodyOf(t, call(t, s, http.MethodGet, href, "", "Cookie: display=day"))
		assert.NotContains(t, day, "css/night.css")
		for _, none := range []string{"0", "99", "x"} {
			assert.Equal(t, http.StatusBadRequest, call(t, s, http.MethodGet, strings.Replace(href, "drawing=1", "drawing="+none, 1), "").StatusCode, none)
		}
	}
}

// Checks that failed stand first, then those that were not run; those that
// passed are folded, and counted.
func TestChecksForemostFirst(t *testing.T) {
	s, _ := fixture(t)
	marks := regexp.MustCompile(`class="check (failed|unrun|passed)"`)
	seen := map[string]bool{}
	for _, point := range []string{"p-good", "p-weak", "p-barred", "p-bare"} {
		body := bodyOf(t, call(t, s, http.MethodGet, "/points/"+point, ""))
		for _, list := range strings.Split(body, `<ul class="checks"`)[1:] {
			list, after, _ := strings.Cut(list, "</ul>")
			var ends []string
			for _, m := range marks.FindAllStringSubmatch(list, -1) {
				ends, seen[m[1]] = append(ends, m[1]), true
			}
			if slices.Contains(ends, "passed") {
				assert.Equal(t, []string{"passed"}, slices.Compact(slices.Clone(ends)))
				assert.True(t, strings.HasPrefix(after, "</details>"), "they are folded")
				assert.Regexp(t, fmt.Sprintf(`<summary>%d checks? passed</summary>`, len(ends)), body)
			}
			assert.True(t, slices.IsSorted(ends), "failed before unrun: %v", ends)
		}
	}
	assert.Len(t, seen, 3, "the fixture has checks of every end")
}

func TestBookOverHTTP(t *testing.T) {
	s, _ := fixture(t)
	res := call(t, s, http.MethodGet, "/book.pdf?paper=a4", "")
	require.Equal(t, http.StatusOK, res.StatusCode)
	assert.Equal(t, "application/pdf", res.Header.Get("Content-Type"))
	checkHeaders(t, res)
	whole := bodyOf(t, res)
	assert.True(t, strings.HasPrefix(whole, "%PDF-") && strings.HasSuffix(whole, "%%EOF\n"))
	one := call(t, s, http.MethodGet, "/book.pdf?sites=AB-1", "")
	require.Equal(t, http.StatusOK, one.StatusCode)
	assert.Less(t, len(bodyOf(t, one)), len(whole))
	assert.Equal(t, http.StatusNotFound, call(t, s, http.MethodGet, "/book.pdf?sites=AB-1,none", "").StatusCode)
	assert.Equal(t, http.StatusBadRequest, call(t, s, http.MethodGet, "/book.pdf?paper=A3", "").StatusCode)
	assert.Equal(t, http.StatusBadRequest, call(t, s, http.MethodGet, "/book.pdf?sites="+strings.Repeat("x,", 251), "").StatusCode, "more than the server prints")
}

// The code on the sheet leads to where the server was reached.
func TestSheetCarriesTheAddressOfTheServer(t *testing.T) {
	s, _ := fixture(t)
	assert.Contains(t, bodyOf(t, call(t, s, http.MethodGet, "/sites/s-alder/sheet", "")), "http://localhost/sites/AB-1")
}
