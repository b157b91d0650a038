//go:build !race

// The race detector takes several times the memory and ten times the time, so
// what is measured here is measured without it.

package file_test

import (
	"io"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
)

// endless is a text of any length: a beginning, then a piece over and over, and
// an end. It takes no memory.
type endless struct {
	head, piece, tail string
	size              int64
	read              atomic.Int64 // bytes
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
		if end := e.size - int64(len(e.tail)); from >= end {
			n += copy(p[n:], e.tail[from-end:])
			continue
		}
		piece := e.piece[(from-int64(len(e.head)))%int64(len(e.piece)):]
		n += copy(p[n:], piece[:min(int64(len(piece)), e.size-int64(len(e.tail))-from)])
	}
	e.read.Add(int64(n))
	return n, nil
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
	e := &endless{
		head:  `{"type":"FeatureCollection","features":[{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[`,
		piece: "[1.25,2.5],",
		tail:  `[1.25,2.5]]]}},{"type":"Feature","properties":{},"geometry":{"type":"Point","coordinates":[1,2]}}]}`,
	}
	e.size = int64(len(e.head) + 10_000_000*len(e.piece) + len(e.tail))
	s, err := file.OpenReader(e, e.size, "a", vector.Options{})
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
