// Package archive gives files that belong together, from a folder or out of a
// zip archive, with bounds on what an archive may unpack to. Members of an
// archive are never written under their own names.
package archive

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// Bounds on archives.
const (
	MaxMembers   = 10_000
	MaxUnpacked  = 8 << 30   // bytes, of all members that are opened
	maxDirectory = 8 << 20   // bytes that the list of members may take
	maxRatio     = 300       // unpacked to packed bytes of one member,
	ratioFrom    = 100 << 20 // beyond this unpacked size
)

// ErrBomb reports an archive that unpacks to more than it reasonably could.
var ErrBomb = errors.New("the archive unpacks to too much")

// Set is a set of files. Names have slashes.
type Set struct {
	names    []string
	open     func(name string) (*os.File, int64, error) // a file to be closed
	stream   func(name string) (io.ReadCloser, error)
	opened   []*os.File
	spooled  []string // temporary files
	unpacked int64
}

// Names returns the names of the files in alphabetical order.
func (s *Set) Names() []string { return s.names }

// Open returns a file for reading anywhere in it until the Set is closed. A
// member of an archive is unpacked into a temporary file.
func (s *Set) Open(name string) (*io.SectionReader, error) {
	f, size, err := s.open(name)
	if err != nil {
		return nil, err
	}
	s.opened = append(s.opened, f)
	return io.NewSectionReader(f, 0, size), nil
}

// Stream returns a file for reading from its beginning.
func (s *Set) Stream(name string) (io.ReadCloser, error) { return s.stream(name) }

// Close closes what was opened and removes what was unpacked.
func (s *Set) Close() error {
	var errs []error
	for _, f := range s.opened {
		errs = append(errs, f.Close())
	}
	for _, name := range s.spooled {
		errs = append(errs, os.Remove(name))
	}
	s.opened, s.spooled = nil, nil
	return errors.Join(errs...)
}

// Folder returns the files of a folder, those of its subfolders left out.
func Folder(dir string) (*Set, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("read folder: %w", err)
	}
	var names []string
	for _, e := range entries {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return folder(dir, names), nil
}

// Siblings returns the files beside a file that have its name but for the
// ending, itself included.
func Siblings(file string) (*Set, error) {
	all, err := Folder(filepath.Dir(file))
	if err != nil {
		return nil, err
	}
	base := filepath.Base(file)
	stem := strings.TrimSuffix(base, filepath.Ext(base))
	names := slices.DeleteFunc(all.names, func(n string) bool {
		return !strings.EqualFold(strings.TrimSuffix(n, path.Ext(n)), stem)
	})
	return folder(filepath.Dir(file), names), nil
}

func folder(dir string, names []string) *Set {
	slices.Sort(names)
	open := func(name string) (*os.File, int64, error) {
		if !slices.Contains(names, name) {
			return nil, 0, fs.ErrNotExist
		}
		f, err := os.Open(filepath.Join(dir, name))
		if err != nil {
			return nil, 0, err
		}
		info, err := f.Stat()
		if err == nil && !info.Mode().IsRegular() {
			err = fmt.Errorf("%s is no regular file", name)
		}
		if err != nil {
			return nil, 0, errors.Join(err, f.Close())
		}
		return f, info.Size(), nil
	}
	stream := func(name string) (io.ReadCloser, error) {
		f, _, err := open(name)
		return f, err
	}
	return &Set{names: names, open: open, stream: stream}
}

// Zip returns the members of a zip archive, folders and the hidden files of
// desktop systems left out. It refuses archives that name a path outside
// themselves or the same path twice.
func Zip(r io.ReaderAt, size int64) (*Set, error) {
	budget := &budget{r: r, left: maxDirectory}
	z, err := zip.NewReader(budget, size)
	if err != nil && !errors.Is(err, zip.ErrInsecurePath) {
		return nil, fmt.Errorf("read zip archive: %w", err)
	}
	budget.off = true
	if len(z.File) > MaxMembers {
		return nil, fmt.Errorf("read zip archive: it has more than %d members", MaxMembers)
	}
	members := map[string]*zip.File{}
	s := &Set{}
	for _, f := range z.File {
		name := strings.ReplaceAll(f.Name, `\`, "/")
		folder := strings.HasSuffix(name, "/")
		if name = strings.TrimSuffix(name, "/"); !fs.ValidPath(name) || strings.ContainsRune(name, ':') {
			return nil, fmt.Errorf("read zip archive: the path %q leads outside it or is no path", f.Name)
		}
		if folder || strings.HasPrefix(path.Base(name), ".") || strings.HasPrefix(name, "__MACOSX/") {
			continue
		}
		if !f.Mode().IsRegular() {
			return nil, fmt.Errorf("read zip archive: %q is a link or no plain file", f.Name)
		}
		if members[name] != nil {
			return nil, fmt.Errorf("read zip archive: it holds %q twice", name)
		}
		members[name] = f
		s.names = append(s.names, name)
	}
	slices.Sort(s.names)
	s.stream = func(name string) (io.ReadCloser, error) {
		f := members[name]
		if f == nil {
			return nil, fs.ErrNotExist
		}
		return s.unpack(f)
	}
	s.open = func(name string) (*os.File, int64, error) { return s.spool(name) }
	return s, nil
}

// budget bounds what is read through it until it is switched off.
type budget struct {
	r    io.ReaderAt
	left int64
	off  bool
}

func (b *budget) ReadAt(p []byte, at int64) (int, error) {
	if b.off {
		return b.r.ReadAt(p, at)
	}
	if b.left -= int64(len(p)); b.left < 0 {
		return 0, errors.New("its list of members is too long")
	}
	return b.r.ReadAt(p, at)
}

// unpack opens a member, if it can unpack to the size that the archive declares.
// Reading beyond that size fails (archive/zip checks it).
func (s *Set) unpack(f *zip.File) (io.ReadCloser, error) {
	size, packed := f.UncompressedSize64, f.CompressedSize64
	if size > MaxUnpacked || size > ratioFrom && size > maxRatio*packed {
		return nil, fmt.Errorf("%w: %s from %d to %d bytes", ErrBomb, f.Name, packed, size)
	}
	r, err := f.Open()
	if err != nil {
		return nil, fmt.Errorf("unpack %s: %w", f.Name, err)
	}
	return r, nil
}

// spool unpacks a member into a temporary file.
func (s *Set) spool(name string) (_ *os.File, size int64, err error) {
	in, err := s.stream(name)
	if err != nil {
		return nil, 0, err
	}
	defer in.Close()
	f, err := os.CreateTemp("", "holdfast-*")
	if err != nil {
		return nil, 0, fmt.Errorf("unpack %s: %w", name, err)
	}
	s.spooled = append(s.spooled, f.Name())
	size, err = io.Copy(f, io.LimitReader(in, MaxUnpacked-s.unpacked+1))
	if s.unpacked += size; err == nil && s.unpacked > MaxUnpacked {
		err = ErrBomb
	}
	if err != nil {
		return nil, 0, fmt.Errorf("unpack %s: %w", name, errors.Join(err, f.Close()))
	}
	return f, size, nil
}
