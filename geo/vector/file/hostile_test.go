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
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/vector"
	"holdfast/geo/vector/archive"
	"holdfast/geo/vector/file"
	"holdfast/geo/vector/markup"
)

// endless is a text of any length: a beginning, then a piece over and over.
type endless struct {
	head, piece string
	size        int64
	read        atomic.Int64 // bytes
}

func (e *endless) ReadAt(p []byte, at int64) (int, error) {
	if at >= e.size {
		return 0, io.EOF
	}
	n := 0
	for n < len(p) && at+int64(n) < e.size {
		from := at + int64(n)
		if from < int64(len(e.head)) {
			n += copy(p[n:], e.head[from:])
			continue
		}
		n += copy(p[n:], e.piece[(from-int64(len(e.head)))%int64(len(e.piece)):])
	}
	e.read.Add(int64(n))
	return n, nil
}

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

// tenGB is the size of the files that never end.
const tenGB = 10 << 30

// Texts of 10 GB in one line, one value, one geometry or one tag are refused
// with little memory and before they are read through.
func TestEndlessTexts(t *testing.T) {
	long := strings.Repeat("x", 1<<16)
	positions := strings.Repeat("[1.25,2.5],", 1<<12)
	for name, e := range map[string]*endless{
		"GeoJSON string":       {head: `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"a":"`, piece: long},
		"GeoJSON name":         {head: `{"`, piece: long},
		"GeoJSON number":       {head: `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"a":1`, piece: strings.Repeat("1", 1<<16)},
		"GeoJSON blanks":       {head: `{"type":"FeatureCollection",`, piece: strings.Repeat(" ", 1<<16)},
		"GeoJSON nested value": {head: `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"a":[`, piece: strings.Repeat("1,", 1<<15)},
		"GeoJSON brackets":     {head: `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"a":`, piece: strings.Repeat("[", 1<<16)},
		"coordinates first":    {head: `{"type":"FeatureCollection","features":[{"type":"Feature","geometry":{"coordinates":[`, piece: positions},
		"one line of lines":    {head: "{\"type\":\"Feature\",\"properties\":null,\"geometry\":null}\n{\"a\":\"", piece: long},
		"text sequence":        {head: "\x1e{\"a\":\"", piece: long},
		"CSV cell":             {head: "lon,lat,a\n1,2,", piece: long},
		"CSV quotation":        {head: "lon,lat,a\n1,2,\"", piece: long + "\n"},
		"CSV cells":            {head: "lon,lat,a\n1,2", piece: strings.Repeat(",", 1<<16)},
		"CSV first line":       {head: "lon,lat,", piece: long},
		"KML text":             {head: "<kml><Placemark><name>", piece: long},
		"KML tag":              {head: "<kml><Placemark ", piece: strings.Repeat(`a="1" `, 1<<13)},
		"KML comment":          {head: "<kml><!--", piece: long},
		"KML nesting":          {head: "<kml>", piece: strings.Repeat("<Folder>", 1<<12)},
		"KML positions":        {head: "<kml><Placemark><Point><coordinates>", piece: strings.Repeat("1,2 ", 1<<12)},
		"GPX text":             {head: "<gpx><wpt lat='1' lon='2'><name>", piece: long},
		"GPX data":             {head: "<gpx><wpt lat='1' lon='2'><extensions>", piece: strings.Repeat("<a>b</a>", 1<<12)},
	} {
		t.Run(name, func(t *testing.T) {
			e.size = tenGB
			var err error
			grown := peak(func() {
				var s vector.Source
				if s, err = file.OpenReader(e, e.size, "a", vector.Options{}); err == nil {
					_, err = drain(s)
				}
			})
			require.Error(t, err)
			t.Log(err, "after", e.read.Load()>>20, "MB, heap", grown>>20, "MB")
			assert.Less(t, e.read.Load(), int64(1<<30), "it is refused before it has been read through")
			assert.Less(t, grown, uint64(400<<20))
		})
	}
}

// A ring of 10 million positions is refused, and the record behind it is read.
func TestGreatRing(t *testing.T) {
	ring := strings.Repeat("[1.25,2.5],", 10_000_000)
	text := `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[` +
		ring + `[1.25,2.5]]]}},{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[1,2]}}]}`
	s, err := file.OpenReader(strings.NewReader(text), int64(len(text)), "a", vector.Options{})
	require.NoError(t, err)
	n := 0
	grown := peak(func() { n, err = drain(s) })
	assert.ErrorIs(t, err, vector.ErrTooManyPositions)
	assert.Equal(t, 1, n)
	assert.Less(t, grown, uint64(400<<20))

	kml := "<kml><Placemark><LineString><coordinates>" + strings.Repeat("1,2 ", vector.MaxPositions+1) + "</coordinates></LineString></Placemark><Placemark/></kml>"
	s, err = file.OpenReader(strings.NewReader(kml), int64(len(kml)), "a", vector.Options{})
	require.NoError(t, err)
	n, err = drain(s)
	assert.ErrorIs(t, err, vector.ErrTooManyPositions)
	assert.Equal(t, 1, n)
}

// Counts that a Shapefile declares and does not hold cost nothing.
func TestDeclaredCounts(t *testing.T) {
	dir := t.TempDir()
	path := dbf(t, dir, 0, []byte("a"))
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
	for _, name := range []string{"../a.kml", "/etc/a.kml", `..\..\a.kml`, "a/../../b.kml", "a//b.kml", "./a.kml"} {
		assert.ErrorContains(t, openZip(zipped(t, map[string]string{name: "<kml/>"})), "leads outside it", name)
	}
	assert.ErrorContains(t, openZip(zipped(t, map[string]string{"a.txt": "a", "b.txt": "b"})), "neither Shapefiles nor KML nor a single file")
	assert.ErrorContains(t, openZip(zipped(t, map[string]string{"a.zip": "PK\x03\x04"})), "an archive within an archive")
	inner := `{"type":"Feature","properties":{"a":1},"geometry":{"type":"Point","coordinates":[1,2]}}`
	assert.NoError(t, openZip(zipped(t, map[string]string{"x/a.geojson": inner, "__MACOSX/._a.geojson": "?", ".DS_Store": "?"})))

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
	text := `<kml><Placemark><name>&unknown;</name></Placemark></kml>`
	s, err := file.OpenReader(strings.NewReader(text), int64(len(text)), "a", vector.Options{})
	require.NoError(t, err)
	_, err = drain(s)
	assert.ErrorContains(t, err, "invalid character entity &unknown;")
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
