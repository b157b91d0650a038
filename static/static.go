// Package static holds everything the browser loads: style sheets, scripts,
// typefaces and the map library. All of it is served by the program itself;
// nothing is fetched from elsewhere.
package static

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"slices"
	"strconv"
	"strings"
)

//go:embed css/*.css js/*.js js/walk/*.js js/walk/worker/*.js icon/*.png engine/engine.wasm.gz engine/*.js engine/*.txt lib/*.js lib/*.txt font/*.woff2 font/*.txt icon.svg
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

// List returns the addresses of the files that match any of the patterns of
// path.Match, sorted.
func (f *Files) List(patterns ...string) ([]string, error) {
	var out []string
	for _, p := range patterns {
		names, err := fs.Glob(files, p)
		if err != nil {
			return nil, fmt.Errorf("list embedded files: %w", err)
		}
		for _, name := range names {
			out = append(out, f.Path(strings.TrimSuffix(name, packedEnding)))
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// Read returns the content of a file that is not kept packed.
func (f *Files) Read(name string) ([]byte, error) {
	b, err := files.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read embedded file: %w", err)
	}
	return b, nil
}

// Hash names this edition of the files.
func (f *Files) Hash() string { return f.hash }

// ServeHTTP serves a file under the current hash. Another hash belongs to
// another version of the program and is not found.
func (f *Files) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	name, ok := strings.CutPrefix(r.URL.Path, f.prefix+f.hash+"/")
	if !ok || name == "" || strings.HasSuffix(name, "/") {
		http.NotFound(w, r)
		return
	}
	if _, err := fs.Stat(files, name+packedEnding); err == nil {
		f.servePacked(w, r, name)
		return
	}
	if info, err := fs.Stat(files, name); err != nil || info.IsDir() {
		http.NotFound(w, r)
		return
	}
	f.keep(w.Header())
	http.StripPrefix(f.prefix+f.hash, f.server).ServeHTTP(w, r)
}

func (f *Files) keep(h http.Header) {
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("ETag", `"`+f.hash+`"`)
}

// packedEnding marks a file that is kept packed and served under its own name.
const packedEnding = ".gz"

// servePacked serves a packed file as it is, or unpacked to a client that does
// not take gzip.
func (f *Files) servePacked(w http.ResponseWriter, r *http.Request, name string) {
	b, err := files.ReadFile(name + packedEnding)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	f.keep(h)
	h.Add("Vary", "Accept-Encoding")
	h.Set("Content-Type", mime.TypeByExtension(path.Ext(name)))
	if path.Ext(name) == ".wasm" {
		h.Set("Content-Type", "application/wasm") // whatever this machine's table says
	}
	if !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		plain, err := gzip.NewReader(bytes.NewReader(b))
		if err != nil {
			http.Error(w, "This file is damaged.", http.StatusInternalServerError)
			return
		}
		_, _ = io.Copy(w, plain) // a client that has gone hears of no error
		return
	}
	h.Set("Content-Encoding", "gzip")
	h.Set("Content-Length", strconv.Itoa(len(b)))
	_, _ = w.Write(b)
}
