// Package file opens vector files of any format by their content, and creates
// them by format.
package file

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"holdfast/geo/vector"
	"holdfast/geo/vector/archive"
	"holdfast/geo/vector/csvfile"
	"holdfast/geo/vector/gpkg"
	"holdfast/geo/vector/gpx"
	"holdfast/geo/vector/jsonfile"
	"holdfast/geo/vector/kml"
	"holdfast/geo/vector/markup"
	"holdfast/geo/vector/shp"
)

// Open opens a file, or a folder of Shapefiles. What it is shows in its
// content; its name only names the layer and the files that go with it. The
// error wraps vector.ErrFormat when the content is of no format that is read.
func Open(name string, o vector.Options) (vector.Source, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, fmt.Errorf("open file: %w", err)
	}
	if info.IsDir() {
		set, err := archive.Folder(name)
		if err != nil {
			return nil, err
		}
		return withSet(set)(shp.Open(set, o))
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("open file: %w", err)
	}
	head, err := readHead(f, info.Size())
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	switch {
	case gpkg.Is(head):
		if err := f.Close(); err != nil {
			return nil, err
		}
		return gpkg.Open(name)
	case shp.Is(head):
		if err := f.Close(); err != nil {
			return nil, err
		}
		set, err := archive.Siblings(name)
		if err != nil {
			return nil, err
		}
		return withSet(set)(shp.Open(set, o))
	}
	return with(f.Close)(openAt(f, info.Size(), filepath.Base(name), o, false))
}

// with returns a function that has a source call shut when it is closed, and
// calls shut when there is no source.
func with(shut func() error) func(vector.Source, error) (vector.Source, error) {
	return func(s vector.Source, err error) (vector.Source, error) {
		if err != nil {
			return nil, errors.Join(err, shut())
		}
		return &closing{s, shut}, nil
	}
}

// withSet closes a set that no source has taken over.
func withSet(set *archive.Set) func(vector.Source, error) (vector.Source, error) {
	return func(s vector.Source, err error) (vector.Source, error) {
		if err != nil {
			return nil, errors.Join(err, set.Close())
		}
		return s, nil
	}
}

type closing struct {
	vector.Source
	shut func() error
}

func (c *closing) Close() error { return errors.Join(c.Source.Close(), c.shut()) }

// headSize is how much of a file is looked at to tell what it is.
const headSize = 4096

func readHead(r io.ReaderAt, size int64) ([]byte, error) {
	head := make([]byte, min(size, headSize))
	if n, err := r.ReadAt(head, 0); n < len(head) {
		return nil, fmt.Errorf("read file: %w", err)
	}
	return head, nil
}

// openAt opens by content. packed tells that the file came out of an archive.
func openAt(r io.ReaderAt, size int64, name string, o vector.Options, packed bool) (vector.Source, error) {
	head, err := readHead(r, size)
	if err != nil {
		return nil, err
	}
	layer := strings.TrimSuffix(name, path.Ext(name))
	if layer == "" || layer == "." {
		layer = "layer"
	}
	switch {
	case len(bytes.TrimSpace(head)) == 0 && size <= headSize:
		return nil, fmt.Errorf("%w: it is empty", vector.ErrFormat)
	case gpkg.Is(head):
		return spool(r, size)
	case shp.Is(head):
		return shp.OpenLone(r, size, layer)
	case bytes.HasPrefix(head, []byte("PK")) && !packed:
		return openZip(r, size, layer, o)
	}
	if what := refused(head); what != "" {
		return nil, fmt.Errorf("%w: it is %s", vector.ErrFormat, what)
	}
	return openText(r, size, layer, o)
}

// refused names the formats that people try and that are not read here.
func refused(head []byte) string {
	for _, f := range []struct{ magic, name string }{
		{"PK", "an archive within an archive; unpack it first"},
		{"\x1f\x8b", "packed with gzip; unpack it first"},
		{"7z\xbc\xaf", "packed with 7-Zip; unpack it first"},
		{"Rar!", "a RAR archive; unpack it first"},
		{"II*\x00", "an image (TIFF); elevation is imported as such"},
		{"MM\x00*", "an image (TIFF); elevation is imported as such"},
		{"II+\x00", "an image (BigTIFF); elevation is imported as such"},
		{"fgb", "FlatGeobuf; save it as GeoPackage"},
		{"%PDF", "a PDF"},
		{"\xff\xd8\xff", "a photo (JPEG)"},
		{"\x89PNG", "an image (PNG)"},
		{"PAR1", "Parquet; save it as GeoPackage"},
		{"AC10", "a drawing (DWG); save it as Shapefile or GeoPackage"},
	} {
		if bytes.HasPrefix(head, []byte(f.magic)) {
			return f.name
		}
	}
	if len(head) >= 32 && head[0] == 3 && head[1] > 0 && head[2] >= 1 && head[2] <= 12 && head[3] >= 1 && head[3] <= 31 {
		return "the table (.dbf) of a Shapefile; open the .shp, or all of its files in a folder or zip archive"
	}
	return ""
}

func openText(r io.ReaderAt, size int64, layer string, o vector.Options) (vector.Source, error) {
	in, _ := vector.DecodeText(io.NewSectionReader(r, 0, size))
	head, err := in.Peek(headSize)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("read file: %w", err)
	}
	text := bytes.TrimLeft(head, " \t\r\n")
	switch {
	case bytes.HasPrefix(text, []byte("<")):
		open := func() (io.ReadCloser, error) { return io.NopCloser(io.NewSectionReader(r, 0, size)), nil }
		return openXML(r, size, open, layer)
	case jsonfile.Is(text):
		return jsonfile.Open(r, size, layer)
	}
	return csvfile.Open(r, size, layer, o)
}

func openXML(r io.ReaderAt, size int64, open func() (io.ReadCloser, error), layer string) (vector.Source, error) {
	root, err := markup.NewReader(io.NewSectionReader(r, 0, size)).Root()
	switch {
	case err != nil:
		return nil, fmt.Errorf("%w: %w", vector.ErrFormat, markup.Plain(err))
	case kml.Is(root.Name):
		return kml.Open(func() error { return nil }, kml.Part{Name: layer, Open: open}), nil
	case gpx.Is(root.Name):
		return gpx.Open(r, size)
	}
	return nil, fmt.Errorf("%w: it is XML with the root element %q, neither KML nor GPX", vector.ErrFormat, vector.ShortText(root.Name.Local))
}

// openZip opens zipped Shapefiles, KMZ, or the one file that an archive holds.
func openZip(r io.ReaderAt, size int64, layer string, o vector.Options) (vector.Source, error) {
	set, err := archive.Zip(r, size)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", vector.ErrFormat, err)
	}
	has := func(ending string) []string {
		var out []string
		for _, n := range set.Names() {
			if strings.EqualFold(path.Ext(n), ending) {
				out = append(out, n)
			}
		}
		return out
	}
	if len(has(".shp")) > 0 {
		return withSet(set)(shp.Open(set, o))
	}
	if all := has(".kml"); len(all) > 0 {
		return openKMZ(set, all, layer), nil
	}
	if names := set.Names(); len(names) == 1 {
		member, err := set.Open(names[0])
		if err != nil {
			return nil, errors.Join(fmt.Errorf("%w: %w", vector.ErrFormat, err), set.Close())
		}
		return with(set.Close)(openAt(member, member.Size(), path.Base(names[0]), o, true))
	}
	err = fmt.Errorf("%w: the archive holds neither Shapefiles nor KML nor a single file", vector.ErrFormat)
	return nil, errors.Join(err, set.Close())
}

// openKMZ opens the KML files of a KMZ archive. The main one is doc.kml, or else
// the first of the archive's top folder (OGC 07-147r2 annex C); it has the name
// of the archive.
func openKMZ(set *archive.Set, names []string, layer string) vector.Source {
	rank := func(name string) int {
		if strings.EqualFold(name, "doc.kml") {
			return -1
		}
		return strings.Count(name, "/")
	}
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(rank(a), rank(b)) })
	parts := make([]kml.Part, len(names))
	for i, n := range names {
		parts[i] = kml.Part{Name: strings.TrimSuffix(path.Base(n), path.Ext(n)), Open: func() (io.ReadCloser, error) { return set.Stream(n) }}
	}
	parts[0].Name = layer
	return kml.Open(set.Close, parts...)
}

// spool copies a GeoPackage into a temporary folder, since SQLite reads files
// and may put others beside them.
func spool(r io.ReaderAt, size int64) (vector.Source, error) {
	dir, err := os.MkdirTemp("", "holdfast-*")
	if err != nil {
		return nil, fmt.Errorf("open GeoPackage: %w", err)
	}
	name := filepath.Join(dir, "layer.gpkg")
	if err := copyTo(name, io.NewSectionReader(r, 0, size)); err != nil {
		return nil, fmt.Errorf("open GeoPackage: %w", errors.Join(err, os.RemoveAll(dir)))
	}
	return with(func() error { return os.RemoveAll(dir) })(gpkg.Open(name))
}

func copyTo(name string, r io.Reader) error {
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, r)
	return errors.Join(err, f.Close())
}
