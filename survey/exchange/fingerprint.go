package exchange

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Fingerprint is the content of a file.
type Fingerprint struct {
	Size   int64  // bytes
	SHA256 string // hexadecimal
}

// TakeFingerprint reads a file to its end. Of a folder, and of a Shapefile,
// which is several files, it takes them all: in the order of their names, each
// after its name.
func TakeFingerprint(ctx context.Context, path string) (Fingerprint, error) {
	parts, err := partsOf(path)
	if err != nil {
		return Fingerprint{}, fmt.Errorf("read %s: %w", filepath.Base(path), err)
	}
	h := sha256.New()
	var f Fingerprint
	for _, part := range parts {
		if len(parts) > 1 {
			fmt.Fprintf(h, "%s\n", filepath.Base(part))
		}
		n, err := addFile(ctx, h, part)
		if err != nil {
			return f, fmt.Errorf("read %s: %w", filepath.Base(part), err)
		}
		f.Size += n
	}
	f.SHA256 = hex.EncodeToString(h.Sum(nil))
	return f, nil
}

func partsOf(path string) ([]string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	dir, stem := path, ""
	if !info.IsDir() {
		if !strings.EqualFold(filepath.Ext(path), ".shp") {
			return []string{path}, nil
		}
		dir, stem = filepath.Split(strings.TrimSuffix(path, filepath.Ext(path)))
		if dir == "" {
			dir = "."
		}
	}
	all, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, one := range all { // sorted by name
		name := one.Name()
		if one.Type().IsRegular() && (stem == "" || strings.EqualFold(strings.TrimSuffix(name, filepath.Ext(name)), stem)) {
			out = append(out, filepath.Join(dir, name))
		}
	}
	return slices.Clip(out), nil
}

func addFile(ctx context.Context, to io.Writer, path string) (int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	return io.Copy(to, &cancelled{ctx, f})
}

// cancelled is a reader that ends with its context.
type cancelled struct {
	ctx context.Context //nolint:containedctx // it is only handed on
	r   io.Reader
}

func (c *cancelled) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}
