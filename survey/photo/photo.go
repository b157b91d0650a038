// Package photo takes photos in: it turns them upright, makes them no larger
// than is looked at, and leaves out whatever a camera writes beside the picture.
// Where and when one was taken is told apart from it.
package photo

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	_ "image/png" // photos come as PNG too
	"sync"

	"github.com/paulmach/orb"
	"golang.org/x/image/draw"
	_ "golang.org/x/image/webp" // and as WebP

	"holdfast/survey"
)

// What a photo may be.
const (
	MostBytes  = 20 << 20
	mostPixels = 25_000_000
	longest    = 2048 // pixels of the longer side, kept
	longestOf  = 400  // and of the small picture
	quality    = 85
)

// Photo is a picture as it is kept.
type Photo struct {
	JPEG, Small   []byte // upright, without metadata
	Width, Height int    // of JPEG
	Position      survey.Opt[orb.Point]
	// Taken is when, as the camera wrote it: RFC 3339, without an offset where
	// the camera knew none; "" when it does not say.
	Taken string
}

// working holds to one photo at a time: unpacked, one takes some 300 MB.
var working sync.Mutex

// Read takes a photo in. It knows pictures by their content and refuses, as
// survey.InvalidError, what is none or too large to unpack.
func Read(b []byte) (Photo, error) {
	var p Photo
	if len(b) > MostBytes {
		return p, survey.Invalid("", "the photo has %d bytes; at most %d fit", len(b), MostBytes)
	}
	c, kind, err := image.DecodeConfig(bytes.NewReader(b))
	if err != nil {
		return p, survey.Invalid("", "this is no photo: JPEG, PNG and WebP are read")
	}
	if c.Width < 1 || c.Height < 1 || c.Width > mostPixels/c.Height {
		return p, survey.Invalid("", "the photo has %d x %d pixels; at most %d million are read: choose the camera's usual size", c.Width, c.Height, mostPixels/1_000_000)
	}
	if n := scans(b); kind == "jpeg" && n > mostScans {
		return p, survey.Invalid("", "the photo goes over its picture %d times; at most %d are read: save it anew as an ordinary JPEG", n, mostScans)
	}
	m := metadata(b, kind)
	p.Position, p.Taken = m.position, m.taken
	working.Lock()
	defer working.Unlock()
	img, _, err := image.Decode(bytes.NewReader(b))
	if err != nil {
		return p, survey.Invalid("", "the photo is damaged: %s", err)
	}
	kept := upright(fit(img, longest), m.orientation)
	if p.JPEG, err = encode(kept); err != nil {
		return p, err
	}
	p.Width, p.Height = kept.Rect.Dx(), kept.Rect.Dy()
	p.Small, err = encode(fit(kept, longestOf))
	return p, err
}

func encode(img image.Image) ([]byte, error) {
	var out bytes.Buffer
	if err := jpeg.Encode(&out, img, &jpeg.Options{Quality: quality}); err != nil {
		return nil, fmt.Errorf("write photo: %w", err)
	}
	return out.Bytes(), nil
}

// fit scales a picture down until its longer side is no longer than most, on
// white where it is transparent.
func fit(img image.Image, most int) *image.RGBA {
	from := img.Bounds()
	w, h := from.Dx(), from.Dy()
	if longer := max(w, h); longer > most {
		w, h = max(1, w*most/longer), max(1, h*most/longer)
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Rect, image.White, image.Point{}, draw.Src)
	draw.CatmullRom.Scale(out, out.Rect, img, from, draw.Over, nil)
	return out
}

// upright turns a picture by its orientation as Exif 2.32, 4.6.4, has it; 1 and
// what is not 1 to 8 leave it.
func upright(img *image.RGBA, orientation int) *image.RGBA {
	if orientation < 2 || orientation > 8 {
		return img
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	size := image.Rect(0, 0, w, h)
	if orientation >= 5 {
		size = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(size)
	for y := range size.Dy() {
		for x := range size.Dx() {
			from := [...]image.Point{
				2: {w - 1 - x, y}, 3: {w - 1 - x, h - 1 - y}, 4: {x, h - 1 - y},
				5: {y, x}, 6: {y, h - 1 - x}, 7: {w - 1 - y, h - 1 - x}, 8: {w - 1 - y, x},
			}[orientation]
			out.SetRGBA(x, y, img.RGBAAt(from.X, from.Y))
		}
	}
	return out
}
