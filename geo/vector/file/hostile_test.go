package file_test

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/vector"
	"holdfast/geo/vector/archive"
	"holdfast/geo/vector/file"
	"holdfast/geo/vector/markup"
)

// peak runs f and returns how much the heap grew at most, as far as sampling
// sees it.
func peak(f func()) uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	before, most := m.HeapAlloc, m.HeapAlloc
	done, seen := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(seen)
		for {
			select {
			case <-done:
				return
			case <-time.After(5 * time.Millisecond):
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapAlloc)
			}
		}
	}()
	f()
	close(done)
	<-seen
	return most - before
}

// drain reads all layers, to the first that breaks, and returns the first error
// and how many records came.
func drain(s vector.Source) (n int, err error) {
	for i := range s.Layers() {
		for r := range s.Read(i) {
			if r.Err == nil && r.Number != 0 {
				n++
			}
			if err == nil {
				err = r.Err
			}
			if r.Number == 0 && r.Err != nil {
				return n, err
			}
		}
	}
	return n, err
}

// Counts that a Shapefile declares and does not hold cost nothing.
func TestDeclaredCounts(t *testing.T) {
	dir := t.TempDir()
	path := dbf(t, dir, "a", 0, []byte("a"))
	shp, err := os.ReadFile(path)
	require.NoError(t, err)
	for _, count := range []uint32{1, 1 << 20, 1<<31 - 1, 1 << 31, 1<<32 - 1} {
		content := binary.LittleEndian.AppendUint32(nil, 5)
		content = append(content, make([]byte, 32)...)
		content = binary.LittleEndian.AppendUint32(content, count) // parts
		content = binary.LittleEndian.AppendUint32(content, count) // positions
		content = append(content, make([]byte, 64)...)
		b := bytes.Clone(shp[:100])
		b = binary.BigEndian.AppendUint32(b, 1)
		b = binary.BigEndian.AppendUint32(b, uint32(len(content)/2))
		b = append(b, content...)
		s, err := file.OpenReader(bytes.NewReader(b), int64(len(b)), "a", vector.Options{})
		require.NoError(t, err)
		grown := peak(func() { _, err = drain(s) })
		if count > 1 {
			assert.Error(t, err, "%d", count)
		}
		assert.Less(t, grown, uint64(8<<20))
	}
	table, err := os.ReadFile(filepath.Join(dir, "a.dbf"))
	require.NoError(t, err)
	binary.LittleEndian.PutUint32(table[4:], 1<<32-1)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "a.dbf"), table, 0o644))
	got, l := reads(t, path, vector.Options{}, 0)
	assert.Len(t, got, 1)
	assert.Contains(t, fmt.Sprint(l.Notes), "the .dbf ends after 1 of 4294967295 records")
}

// zipped makes an archive.
func zipped(t *testing.T, members map[string]string) *bytes.Reader {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range members {
		w, err := z.Create(name)
		require.NoError(t, err)
		_, err = io.WriteString(w, text)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return bytes.NewReader(b.Bytes())
}

func openZip(r *bytes.Reader) error {
	s, err := file.OpenReader(r, r.Size(), "a.zip", vector.Options{})
	if err != nil {
		return err
	}
	_, err = drain(s)
	return errors.Join(err, s.Close())
}

func TestHostileArchives(t *testing.T) {
	for _, name := range []string{"../a.kml", "/etc/a.kml", `..\..\a.kml`, "a/../../b.kml", "a//b.kml", "./a.kml", `C:\Windows\a.kml`, "c:/a.kml", "a.kml:stream"} {
		assert.ErrorContains(t, openZip(zipped(t, map[string]string{name: "<kml/>"})), "leads outside it", name)
	}
	assert.ErrorContains(t, openZip(zipped(t, map[string]string{"a.txt": "a", "b.txt": "b"})), "neither Shapefiles nor KML nor a single file")
	assert.ErrorContains(t, openZip(zipped(t, map[string]string{"a.zip": "PK\x03\x04"})), "an archive within an archive")
	inner := `{"type":"Feature","properties":{"a":1},"geometry":{"type":"Point","coordinates":[1,2]}}`
	assert.NoError(t, openZip(zipped(t, map[string]string{"x/a.geojson": inner, "__MACOSX/._a.geojson": "?", ".DS_Store": "?"})))

	// A link to a file of this machine, and a zip in a zip in a zip.
	var linked bytes.Buffer
	lz := zip.NewWriter(&linked)
	header := &zip.FileHeader{Name: "a.geojson"}
	header.SetMode(0o777 | os.ModeSymlink)
	lw, err := lz.CreateHeader(header)
	require.NoError(t, err)
	_, err = io.WriteString(lw, "/etc/passwd")
	require.NoError(t, err)
	require.NoError(t, lz.Close())
	assert.ErrorContains(t, openZip(bytes.NewReader(linked.Bytes())), `"a.geojson" is a link`)
	nest := linked.Bytes()
	for range 3 {
		r := zipped(t, map[string]string{"a.zip": string(nest)})
		nest = make([]byte, r.Len())
		_, err := io.ReadFull(r, nest)
		require.NoError(t, err)
	}
	assert.ErrorContains(t, openZip(bytes.NewReader(nest)), "an archive within an archive")

	// 128 MB of blanks in 128 kB.
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	w, err := z.Create("bomb.shp")
	require.NoError(t, err)
	blanks := bytes.Repeat([]byte(" "), 1<<20)
	for range 1 << 7 {
		_, err = w.Write(blanks)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	err = openZip(bytes.NewReader(b.Bytes()))
	assert.ErrorIs(t, err, archive.ErrBomb)

	// An archive that understates what a member unpacks to.
	lie := bytes.Clone(b.Bytes())
	real := binary.LittleEndian.AppendUint32(nil, 1<<27)
	require.Contains(t, string(lie), string(real))
	lie = bytes.ReplaceAll(lie, real, binary.LittleEndian.AppendUint32(nil, 1<<10))
	assert.Error(t, openZip(bytes.NewReader(lie)))
}

// Entities that a file declares, inside or outside itself, are never read.
func TestXMLEntities(t *testing.T) {
	for name, text := range map[string]string{
		"billion laughs": `<?xml version="1.0"?><!DOCTYPE kml [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]><kml><Placemark><name>&b;</name></Placemark></kml>`,
		"external":       `<!DOCTYPE kml [<!ENTITY x SYSTEM "file:///etc/passwd">]><kml><Placemark><name>&x;</name></Placemark></kml>`,
		"external DTD":   `<!DOCTYPE gpx SYSTEM "http://127.0.0.1/x.dtd"><gpx/>`,
	} {
		_, err := file.OpenReader(strings.NewReader(text), int64(len(text)), "a", vector.Options{})
		assert.ErrorIs(t, err, markup.ErrDTD, name)
	}
	for text, says := range map[string]string{
		`<kml><Placemark><name>&unknown;</name></Placemark></kml>`:               "invalid character entity &unknown;",
		"<kml>\n<Document>\n<Style><PolyStyle></Style></Document></kml>":         "line 3: element <PolyStyle> closed by </Style>",
		"<kml><Placemark><name>a\x00b</name></Placemark></kml>":                  "illegal character code",
		"<kml><Placemark><name>a\xff\xfeb</name></Placemark></kml>":              "invalid UTF-8",
		`<gpx><wpt lat="1" lon="2"><name>&#0;</name></wpt></gpx>`:                "illegal character code",
		`<gpx><wpt lat="1" lon="2"><name>` + "\x01" + `</name></wpt></gpx>`:      "illegal character code",
		`<gpx><wpt lat="1" lon="2"><name>cut off`:                                "ends in the middle of a record",
		"<kml><Placemark><Point><coordinates>1,2</coordinates></Point></Folder>": "closed by",
	} {
		s, err := file.OpenReader(strings.NewReader(text), int64(len(text)), "a", vector.Options{})
		if err == nil {
			_, err = drain(s)
		}
		assert.ErrorContains(t, err, says, "%q", text)
	}
}

func TestRefusedFormats(t *testing.T) {
	for text, why := range map[string]string{
		"":                                       "it is empty",
		"  \n ":                                  "it is empty",
		"\x1f\x8b\x08\x00":                       "gzip",
		"II*\x00abc":                             "TIFF",
		"%PDF-1.7":                               "PDF",
		"fgb\x03fgb\x00":                         "FlatGeobuf",
		"<html><body/></html>":                   `root element "html"`,
		"<gml:FeatureCollection xmlns:gml='x'/>": `root element "FeatureCollection"`,
		`{"type":"Topology","objects":{}}`:       "TopoJSON",
		"some prose about a river":               "none are called lon and lat",
		"a,b\n1,2\n":                             "none are called lon and lat",
		"lon,lat,longitude\n":                    "mean the same",
		"a\x00b":                                 "no text",
		"\x03\x7e\x01\x01" + strings.Repeat("\x00", 60): "the table (.dbf) of a Shapefile",
	} {
		_, err := file.OpenReader(strings.NewReader(text), int64(len(text)), "", vector.Options{})
		assert.ErrorIs(t, err, vector.ErrFormat, "%q", text)
		assert.ErrorContains(t, err, why, "%q", text)
	}
	_, err := file.Open(filepath.Join(t.TempDir(), "none"), vector.Options{})
	assert.ErrorIs(t, err, os.ErrNotExist)
	_, err = file.Open(t.TempDir(), vector.Options{})
	assert.ErrorContains(t, err, "there is no .shp file")
	_, err = file.NewWriter(io.Discard, "DXF")
	assert.ErrorContains(t, err, "no format that is written")
}

// Bytes that are no text are read as an older encoding, with a note, or refused.
func TestBytesThatAreNoText(t *testing.T) {
	point := func(text string) string {
		return `{"type":"Feature","geometry":{"type":"Point","coordinates":[1,2]},"properties":{"a":"` + text + `"}}`
	}
	for text, c := range map[string]struct {
		value any
		note  string
		err   string
	}{
		"lon,lat,a\n1,2,x\x00y\n":     {err: "it is no text"},
		"lon,lat,a\x00\n1,2,x\n":      {err: "it is no text"},
		"lon,lat,a\n1,2,x\xff\xfey\n": {value: "xÿþy", note: vector.FixedText}, // Windows code page 1252: ff ÿ, fe þ
		point("x\xffy"):               {value: "xÿy", note: vector.FixedText},
		point("x\x00y"):               {err: `near byte 86: invalid character '\x00'`},
		point(`x\u0000y`):             {value: "x\x00y"},   // RFC 8259 §7 allows it
		point(`x\ud800y`):             {value: "x\ufffdy"}, // half of a pair: the replacement character
	} {
		s, err := file.OpenReader(strings.NewReader(text), int64(len(text)), "a", vector.Options{})
		var got vector.Record
		if err == nil {
			for r := range s.Read(0) {
				got = r
			}
			err = got.Err
		}
		if c.err != "" {
			assert.ErrorContains(t, err, c.err, "%q", text)
			continue
		}
		require.NoError(t, err, "%q", text)
		value, _ := got.Properties.Get("a")
		assert.Equal(t, c.value, value, "%q", text)
		assert.Contains(t, strings.Join(got.Notes, "\n"), c.note, "%q", text)
	}
}
