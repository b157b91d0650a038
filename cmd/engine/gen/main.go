// Command gen compiles the engine for the browser into a folder, beside the
// script of the Go distribution that starts it, and notes which source it was
// made from. The same source and toolchain give the same bytes.
package main

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"

	"holdfast/cmd/engine/source"
)

//go:generate go run . ../../.. ../../../static/engine

func main() {
	log.SetFlags(0)
	if len(os.Args) != 3 {
		log.Fatal("usage: gen MODULE FOLDER")
	}
	if err := run(os.Args[1], os.Args[2]); err != nil {
		log.Fatal(err)
	}
}

func run(module, folder string) error {
	digest, err := source.Digest(os.DirFS(module))
	if err != nil {
		return err
	}
	wasm, err := filepath.Abs(filepath.Join(folder, "engine.wasm"))
	if err != nil {
		return fmt.Errorf("find folder: %w", err)
	}
	build := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-ldflags=-s -w -buildid=", "-o", wasm, "./cmd/engine")
	build.Dir = module
	build.Env = append(os.Environ(), "GOOS=js", "GOARCH=wasm", "GOWASM=", "CGO_ENABLED=0", "GOFLAGS=")
	if out, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("compile engine: %w\n%s", err, out)
	}
	defer os.Remove(wasm)
	program, err := os.ReadFile(wasm)
	if err != nil {
		return fmt.Errorf("read engine: %w", err)
	}
	packed, err := pack(program)
	if err != nil {
		return fmt.Errorf("pack engine: %w", err)
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return fmt.Errorf("find Go: %w", err)
	}
	starter, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(root)), "lib", "wasm", "wasm_exec.js"))
	if err != nil {
		return fmt.Errorf("read starter: %w", err)
	}
	for name, b := range map[string][]byte{
		"engine.wasm.gz": packed,
		"wasm_exec.js":   starter,
		"SOURCE":         fmt.Appendf(nil, "%s %s\n", digest, runtime.Version()),
	} {
		if err := os.WriteFile(filepath.Join(folder, name), b, 0o644); err != nil {
			return fmt.Errorf("write %s: %w", name, err)
		}
	}
	fmt.Printf("engine.wasm: %d bytes, %d packed\n", len(program), len(packed))
	return nil
}

func pack(b []byte) ([]byte, error) {
	var out bytes.Buffer
	w, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(b); err != nil {
		return nil, err
	}
	err = w.Close()
	return out.Bytes(), err
}
