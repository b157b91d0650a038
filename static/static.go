// Package static holds everything the browser loads: style sheets, scripts,
// typefaces and the map library. All of it is served by the program itself;
// nothing is fetched from elsewhere.
package static

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"strings"
)

//go:embed css/*.css js/*.js lib/*.js lib/*.txt font/*.woff2 font/*.txt icon.svg
var files embed.FS

// Files serves the embedded files under addresses that carry a hash of their
// content, so that a browser may keep them for good and still never mixes
// files of two versions: modules and style sheets name each other relatively
// and so stay under one hash.
type Files struct {
	prefix string
	hash   string
	server http.Handler
}

// New returns the files served under prefix, such as "/static/".
func New(prefix string) (*Files, error) {
	h := sha256.New()
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(h, "%s %d\n", name, len(b))
		_, err = h.Write(b)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read embedded files: %w", err)
	}
	hash := hex.EncodeToString(h.Sum(nil))[:16]
	return &Files{prefix: prefix, hash: hash, server: http.FileServerFS(files)}, nil
}

// Path returns the address of a file, such as "css/base.css".
func (f *Files) Path(name string) string { return f.prefix + f.hash + "/" + name }

// ServeHTTP serves a file under the current hash. Another hash belongs to
// another version of the program and is not found.
func (f *Files) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	name, ok := strings.CutPrefix(r.URL.Path, f.prefix+f.hash+"/")
	if !ok || name == "" || strings.HasSuffix(name, "/") {
		http.NotFound(w, r)
		return
	}
	if info, err := fs.Stat(files, name); err != nil || info.IsDir() {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Header().Set("ETag", `"`+f.hash+`"`)
	http.StripPrefix(f.prefix+f.hash, f.server).ServeHTTP(w, r)
}
