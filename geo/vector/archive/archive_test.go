package archive_test

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/vector/archive"
)

func zipped(t *testing.T, members ...string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, name := range members {
		w, err := z.Create(name)
		require.NoError(t, err)
		if strings.HasSuffix(name, "/") {
			continue
		}
		_, err = io.WriteString(w, "content of "+name)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return b.Bytes()
}

func open(b []byte) (*archive.Set, error) { return archive.Zip(bytes.NewReader(b), int64(len(b))) }

func TestZip(t *testing.T) {
	before, err := filepath.Glob(filepath.Join(os.TempDir(), "holdfast-*"))
	require.NoError(t, err)
	s, err := open(zipped(t, "b/two.txt", `c\three.txt`, "one.txt", "b/", ".hidden", "__MACOSX/one.txt"))
	require.NoError(t, err)
	assert.Equal(t, []string{"b/two.txt", "c/three.txt", "one.txt"}, s.Names())
	r, err := s.Open("b/two.txt")
	require.NoError(t, err)
	part := make([]byte, 3)
	_, err = r.ReadAt(part, 11)
	require.NoError(t, err)
	assert.Equal(t, "b/t", string(part))
	in, err := s.Stream("one.txt")
	require.NoError(t, err)
	all, err := io.ReadAll(in)
	require.NoError(t, err)
	require.NoError(t, in.Close())
	assert.Equal(t, "content of one.txt", string(all))
	for _, f := range []func(string) error{
		func(n string) error { _, err := s.Open(n); return err },
		func(n string) error { _, err := s.Stream(n); return err },
	} {
		assert.ErrorIs(t, f("four.txt"), os.ErrNotExist)
	}
	require.NoError(t, s.Close())
	after, err := filepath.Glob(filepath.Join(os.TempDir(), "holdfast-*"))
	require.NoError(t, err)
	assert.LessOrEqual(t, len(after), len(before), "nothing is left behind")
}

func TestRefusedZips(t *testing.T) {
	_, err := open(zipped(t, "a", "a"))
	assert.ErrorContains(t, err, `holds "a" twice`)
	_, err = open(zipped(t, "../a"))
	assert.ErrorContains(t, err, "leads outside it")
	var many []string
	for i := range archive.MaxMembers + 1 {
		many = append(many, fmt.Sprint(i))
	}
	_, err = open(zipped(t, many...))
	assert.ErrorContains(t, err, "more than 10000 members")
	_, err = open([]byte("PK\x03\x04"))
	assert.Error(t, err)

	// A member whose declared size no packing can reach is not even begun.
	b := zipped(t, "a")
	at := bytes.Index(b, []byte("PK\x01\x02"))
	binary.LittleEndian.PutUint32(b[at+24:], 1<<31)
	s, err := open(b)
	require.NoError(t, err)
	_, err = s.Open("a")
	assert.ErrorIs(t, err, archive.ErrBomb)
	_, err = s.Stream("a")
	assert.ErrorIs(t, err, archive.ErrBomb)
	// One that holds more than it declares stops there.
	binary.LittleEndian.PutUint32(b[at+24:], 5)
	s, err = open(b)
	require.NoError(t, err)
	_, err = s.Open("a")
	assert.ErrorIs(t, err, zip.ErrFormat)
	require.NoError(t, s.Close())
}

func TestFolder(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []string{"a.shp", "A.DBF", "ab.shp", "b.txt"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, n), []byte(n), 0o644))
	}
	require.NoError(t, os.Mkdir(filepath.Join(dir, "sub"), 0o755))
	s, err := archive.Folder(dir)
	require.NoError(t, err)
	assert.Equal(t, []string{"A.DBF", "a.shp", "ab.shp", "b.txt"}, s.Names())
	require.NoError(t, s.Close())
	s, err = archive.Siblings(filepath.Join(dir, "a.shp"))
	require.NoError(t, err)
	assert.Equal(t, []string{"A.DBF", "a.shp"}, s.Names())
	r, err := s.Open("A.DBF")
	require.NoError(t, err)
	assert.Equal(t, int64(5), r.Size())
	_, err = s.Open("b.txt")
	assert.ErrorIs(t, err, os.ErrNotExist)
	require.NoError(t, s.Close())
	_, err = archive.Folder(filepath.Join(dir, "none"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}
