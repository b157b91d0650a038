package photo_test

import (
	"bytes"
	"encoding/csv"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/photo"
)

func file(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	require.NoError(t, err)
	return b
}

// named tells which of the four fields a colour is of.
func named(c color.Color) string {
	r, g, b, _ := c.RGBA()
	high := func(v uint32) bool { return v > 0x8000 }
	switch {
	case high(r) && high(g) && high(b):
		return "white"
	case high(r):
		return "red"
	case high(g):
		return "green"
	case high(b):
		return "blue"
	}
	return "black"
}

// TestTurnedUpright holds every orientation to what ImageMagick's -auto-orient
// makes of it (testdata/orient.csv).
func TestTurnedUpright(t *testing.T) {
	rows, err := csv.NewReader(bytes.NewReader(file(t, "orient.csv"))).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 9)
	for _, row := range rows[1:] {
		t.Run(row[0], func(t *testing.T) {
			p, err := photo.Read(file(t, "orient-"+row[0]+".jpg"))
			require.NoError(t, err)
			w, _ := strconv.Atoi(row[1])
			h, _ := strconv.Atoi(row[2])
			assert.Equal(t, []int{w, h}, []int{p.Width, p.Height})
			img, err := jpeg.Decode(bytes.NewReader(p.JPEG))
			require.NoError(t, err)
			for i, at := range []image.Point{{4, 4}, {w - 5, 4}, {4, h - 5}, {w - 5, h - 5}} {
				assert.Equal(t, row[3+i], named(img.At(at.X, at.Y)), at)
			}
		})
	}
}

// The place and time are what ExifTool was told to write (testdata/SOURCE.md).
func TestPlaceAndTime(t *testing.T) {
	for name, c := range map[string]struct {
		lon, lat float64
		taken    string
	}{
		"placed.jpg":  {-91.20456, 44.65123, "2026-05-04T10:15:30-05:00"},
		"south.jpg":   {91.20456, -44.65123, "2026-05-04T10:15:30"},
		"placed.png":  {-91.20456, 44.65123, ""},
		"placed.webp": {-91.20456, 44.65123, ""},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := photo.Read(file(t, name))
			require.NoError(t, err)
			at, ok := p.Position.Get()
			require.True(t, ok)
			assert.InDelta(t, c.lon, at.Lon(), 1e-6)
			assert.InDelta(t, c.lat, at.Lat(), 1e-6)
			assert.Equal(t, c.taken, p.Taken)
			assert.Equal(t, []int{32, 48}, []int{p.Width, p.Height}, "turned by orientation 6")
		})
	}
	p, err := photo.Read(file(t, "orient-1.jpg"))
	require.NoError(t, err)
	assert.False(t, p.Position.Known())
	assert.Empty(t, p.Taken)
}

// TestNothingIsGivenAway: what is kept carries no segment of metadata.
func TestNothingIsGivenAway(t *testing.T) {
	p, err := photo.Read(file(t, "placed.jpg"))
	require.NoError(t, err)
	for _, b := range [][]byte{p.JPEG, p.Small} {
		for _, secret := range []string{"Exif", "Invented", "12345", "Somebody", "secret", "xmp", "Photoshop"} {
			assert.NotContains(t, string(b), secret)
		}
		for at := 2; b[at+1] != 0xDA; at += 2 + int(b[at+2])<<8 + int(b[at+3]) { // ITU-T T.81, B.1: no APPn, no comment
			assert.False(t, b[at+1] >= 0xE1 && b[at+1] <= 0xEF || b[at+1] == 0xFE, "segment %#x", b[at+1])
		}
	}
}

func TestMadeSmaller(t *testing.T) {
	big := image.NewGray(image.Rect(0, 0, 3000, 1000))
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, big))
	p, err := photo.Read(b.Bytes())
	require.NoError(t, err)
	assert.Equal(t, []int{2048, 682}, []int{p.Width, p.Height})
	small, err := jpeg.DecodeConfig(bytes.NewReader(p.Small))
	require.NoError(t, err)
	assert.Equal(t, 400, small.Width)
	for _, name := range []string{"progressive.jpg", "cmyk.jpg"} {
		p, err := photo.Read(file(t, name))
		require.NoError(t, err, name)
		assert.Equal(t, 48, p.Width)
	}
}

func TestRefused(t *testing.T) {
	whole := file(t, "placed.jpg")
	for name, b := range map[string][]byte{
		"nothing": nil, "text": []byte("a photo, honestly"), "a bomb": file(t, "bomb.png"), "cut off": whole[:len(whole)-200],
		"too many bytes": make([]byte, photo.MostBytes+1), "a GIF": []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := photo.Read(b)
			assert.ErrorIs(t, err, survey.ErrInvalid)
		})
	}
}

// A few bytes can ask for the work of a thousand pictures: ITU-T T.81, B.2.1,
// lets a frame have any number of scans.
func TestTooManyScans(t *testing.T) {
	b := file(t, "progressive.jpg")
	scan := []byte{0xFF, 0xDA} // ITU-T T.81, B.1.1.3: SOS
	n := bytes.Count(b, scan)
	first := bytes.Index(b, scan)
	second := first + 2 + bytes.Index(b[first+2:], []byte{0xFF, 0xC4}) // its tables, or the next scan
	if next := first + 2 + bytes.Index(b[first+2:], scan); second < first+2 || next < second {
		second = next
	}
	often := func(scans int) []byte {
		out := bytes.Clone(b[:first])
		out = append(out, bytes.Repeat(b[first:second], scans-n+1)...)
		return append(out, b[second:]...)
	}
	_, err := photo.Read(often(100))
	require.NoError(t, err)
	_, err = photo.Read(often(101))
	require.ErrorIs(t, err, survey.ErrInvalid)
	assert.ErrorContains(t, err, "101 times")
	// What lies in a segment or behind the end is no scan: ITU-T T.81, B.1.1.4, and an Annex B frame ends at EOI.
	note := append([]byte{0xFF, 0xD8, 0xFF, 0xFE, 0x02, 0x02}, bytes.Repeat(scan, 256)...)
	_, err = photo.Read(append(append(note, b[2:]...), bytes.Repeat(scan, 500)...))
	require.NoError(t, err)
}

func FuzzRead(f *testing.F) {
	names, err := filepath.Glob("testdata/*.*")
	require.NoError(f, err)
	for _, name := range names {
		b, err := os.ReadFile(name)
		require.NoError(f, err)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, _, err := image.DecodeConfig(bytes.NewReader(b))
		if err == nil && (c.Width > 2000 || c.Height > 2000) {
			return // large ones are slow, and no different
		}
		p, err := photo.Read(b)
		if err != nil {
			assert.ErrorIs(t, err, survey.ErrInvalid)
			return
		}
		got, err := jpeg.DecodeConfig(bytes.NewReader(p.JPEG))
		require.NoError(t, err)
		assert.Equal(t, []int{p.Width, p.Height}, []int{got.Width, got.Height})
		if at, ok := p.Position.Get(); ok {
			assert.True(t, at.Lon() >= -180 && at.Lon() <= 180 && at.Lat() >= -90 && at.Lat() <= 90)
		}
	})
}
