// Package source tells which source the engine for the browser is compiled
// from, so that a test can tell when the compiled one is older.
package source

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"go/build"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
)

const module = "holdfast/"

// Digest digests all that the engine is compiled from: the Go files of the
// module's packages as a browser gets them, the files they embed, the language
// version and the versions of the modules they import.
func Digest(root fs.FS) (string, error) {
	h := sha256.New()
	note := func(name string) error {
		b, err := fs.ReadFile(root, name)
		if err != nil {
			return err
		}
		fmt.Fprintf(h, "%s %d\n", name, len(b))
		_, err = h.Write(b)
		return err
	}
	seen := map[string]bool{}
	var foreign []string
	queue := []string{"cmd/engine"}
	for len(queue) > 0 {
		folder := queue[0]
		queue = queue[1:]
		if seen[folder] {
			continue
		}
		seen[folder] = true
		files, imports, err := sources(root, folder)
		if err != nil {
			return "", fmt.Errorf("digest engine: %w", err)
		}
		for _, f := range files {
			if err := note(f); err != nil {
				return "", fmt.Errorf("digest engine: %w", err)
			}
		}
		for _, p := range imports {
			if own, is := strings.CutPrefix(p, module); is {
				queue = append(queue, own)
			} else {
				foreign = append(foreign, p)
			}
		}
	}
	versions, err := versions(root, foreign)
	if err != nil {
		return "", fmt.Errorf("digest engine: %w", err)
	}
	fmt.Fprint(h, versions)
	return hex.EncodeToString(h.Sum(nil)), nil
}

// versions returns the lines of go.mod that name the language version and the
// modules of the imported packages.
func versions(root fs.FS, imported []string) (string, error) {
	b, err := fs.ReadFile(root, "go.mod")
	if err != nil {
		return "", err
	}
	var out strings.Builder
	for line := range strings.Lines(string(b)) {
		f := strings.Fields(strings.TrimPrefix(line, "require "))
		if len(f) < 2 {
			continue
		}
		if f[0] == "go" || slices.ContainsFunc(imported, func(p string) bool { return p == f[0] || strings.HasPrefix(p, f[0]+"/") }) {
			fmt.Fprintln(&out, f[0], f[1])
		}
	}
	return out.String(), nil
}

// sources lists the files of a package, and the packages it imports, sorted.
func sources(root fs.FS, folder string) (files, imports []string, err error) {
	entries, err := fs.ReadDir(root, folder)
	if err != nil {
		return nil, nil, err
	}
	target := build.Default
	target.GOOS, target.GOARCH, target.CgoEnabled = "js", "wasm", false
	target.OpenFile = func(name string) (io.ReadCloser, error) { return root.Open(name) }
	target.JoinPath = path.Join
	for _, e := range entries {
		name := e.Name()
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			continue
		}
		if ok, err := target.MatchFile(folder, name); err != nil {
			return nil, nil, err
		} else if !ok {
			continue
		}
		name = path.Join(folder, name)
		b, err := fs.ReadFile(root, name)
		if err != nil {
			return nil, nil, err
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, b, parser.ImportsOnly|parser.ParseComments)
		if err != nil {
			return nil, nil, err
		}
		files = append(files, name)
		for _, i := range f.Imports {
			p, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return nil, nil, err
			}
			imports = append(imports, p)
		}
		embedded, err := embeds(root, folder, b)
		if err != nil {
			return nil, nil, err
		}
		files = append(files, embedded...)
	}
	slices.Sort(imports)
	return files, slices.Compact(imports), nil
}

// embeds lists the files that the go:embed lines of a Go file name.
func embeds(root fs.FS, folder string, file []byte) ([]string, error) {
	var out []string
	for line := range strings.Lines(string(file)) {
		patterns, ok := strings.CutPrefix(line, "//go:embed ")
		if !ok {
			continue
		}
		for pattern := range strings.FieldsSeq(patterns) {
			found, err := fs.Glob(root, path.Join(folder, pattern))
			if err != nil {
				return nil, err
			}
			out = append(out, found...)
		}
	}
	return out, nil
}
