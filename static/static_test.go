package static_test

import (
	"bytes"
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/static"
)

func get(t *testing.T, f *static.Files, path string) *http.Response {
	t.Helper()
	w := httptest.NewRecorder()
	f.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, path, nil))
	return w.Result()
}

func TestFiles(t *testing.T) {
	f, err := static.New("/static/")
	require.NoError(t, err)
	hashed := f.Path("css/base.css")
	assert.Regexp(t, regexp.MustCompile(`^/static/[0-9a-f]{16}/css/base\.css$`), hashed)

	t.Run("a file is kept for good", func(t *testing.T) {
		res := get(t, f, hashed)
		assert.Equal(t, http.StatusOK, res.StatusCode)
		assert.Equal(t, "text/css; charset=utf-8", res.Header.Get("Content-Type"))
		assert.Contains(t, res.Header.Get("Cache-Control"), "immutable")
		assert.NotEmpty(t, res.Header.Get("ETag"))
	})
	for name, path := range map[string]string{
		"another version":        strings.Replace(hashed, hashed[8:24], "0123456789abcdef", 1),
		"no hash":                "/static/css/base.css",
		"a folder":               f.Path("css/"),
		"a folder without slash": f.Path("css"),
		"a missing file":         f.Path("css/none.css"),
		"out of the tree":        f.Path("../static.go"),
		"the build folder":       f.Path("lib/build/package.json"),
	} {
		t.Run(name+" is not found", func(t *testing.T) {
			assert.Equal(t, http.StatusNotFound, get(t, f, path).StatusCode)
		})
	}
}

// TestPacked requires that a file kept packed unpacks to the same bytes for a
// client that takes gzip and for one that does not.
func TestPacked(t *testing.T) {
	f, err := static.New("/static/")
	require.NoError(t, err)
	plain := get(t, f, f.Path("engine/engine.wasm"))
	require.Equal(t, http.StatusOK, plain.StatusCode)
	assert.Equal(t, "application/wasm", plain.Header.Get("Content-Type"))
	assert.Empty(t, plain.Header.Get("Content-Encoding"))
	want, err := io.ReadAll(plain.Body)
	require.NoError(t, err)
	assert.Equal(t, "\x00asm", string(want[:4])) // WebAssembly Core Specification 2.0, 5.5.16

	w := httptest.NewRecorder()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, f.Path("engine/engine.wasm"), nil)
	r.Header.Set("Accept-Encoding", "gzip, br")
	f.ServeHTTP(w, r)
	assert.Equal(t, "gzip", w.Header().Get("Content-Encoding"))
	assert.Contains(t, w.Header().Get("Cache-Control"), "immutable")
	unpacked, err := gzip.NewReader(w.Body)
	require.NoError(t, err)
	got, err := io.ReadAll(unpacked)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(want, got))

	_, err = f.List("[")
	assert.Error(t, err)
	list, err := f.List("engine/*.gz", "css/b*.css")
	require.NoError(t, err)
	assert.Equal(t, []string{f.Path("css/base.css"), f.Path("engine/engine.wasm")}, list)
}

// TestNothingFromElsewhere reads what a page loads and requires that none of
// it names another host; the addresses in licences and comments load nothing.
func TestNothingFromElsewhere(t *testing.T) {
	f, err := static.New("/static/")
	require.NoError(t, err)
	loads := regexp.MustCompile(`(?:from\s*|import\s*\(?\s*|url\(\s*)["']?([^"')\s]+)`)
	paths, err := f.List("css/*.css", "js/*.js", "js/walk/*.js", "js/walk/worker/*.js")
	require.NoError(t, err)
	require.Greater(t, len(paths), 20)
	for _, name := range paths {
		t.Run(name, func(t *testing.T) {
			w := httptest.NewRecorder()
			f.ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, name, nil))
			require.Equal(t, http.StatusOK, w.Code)
			for _, m := range loads.FindAllStringSubmatch(w.Body.String(), -1) {
				assert.NotContains(t, m[1], "//", "%s loads %s", name, m[1])
			}
		})
	}
}
