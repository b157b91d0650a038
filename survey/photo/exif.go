package photo

import (
	"bytes"
	"encoding/binary"
	"math"
	"time"

	"github.com/paulmach/orb"

	"holdfast/survey"
)

// meta is what is read of a photo's metadata.
type meta struct {
	orientation int // 0: not said
	position    survey.Opt[orb.Point]
	taken       string
}

// metadata reads Exif (CIPA DC-008-2019) as JPEG, PNG and WebP carry it. What
// is damaged or absent is not known.
func metadata(b []byte, kind string) meta {
	var found []byte
	switch kind {
	case "jpeg":
		found = inJPEG(b)
	case "png":
		found = inPNG(b)
	case "webp":
		found = inWebP(b)
	}
	found = bytes.TrimPrefix(found, []byte("Exif\x00\x00"))
	if len(found) < 8 {
		return meta{}
	}
	t := tiff{b: found, order: binary.BigEndian}
	if string(found[:2]) == "II" {
		t.order = binary.LittleEndian
	}
	return t.read()
}

// inJPEG finds the APP1 segment that holds Exif, before the picture begins
// (ITU-T T.81, B.1.1.4).
func inJPEG(b []byte) []byte {
	for at := 2; at+4 <= len(b) && b[at] == 0xFF; {
		marker, size := b[at+1], int(binary.BigEndian.Uint16(b[at+2:]))
		if marker == 0xDA || size < 2 || at+2+size > len(b) {
			return nil
		}
		if body := b[at+4 : at+2+size]; marker == 0xE1 && bytes.HasPrefix(body, []byte("Exif\x00\x00")) {
			return body
		}
		at += 2 + size
	}
	return nil
}

// inPNG finds the chunk eXIf (PNG, third edition, 11.3.4.5).
func inPNG(b []byte) []byte {
	for at := 8; at+12 <= len(b); {
		size := int(binary.BigEndian.Uint32(b[at:]))
		if size < 0 || size > len(b)-at-12 {
			return nil
		}
		if string(b[at+4:at+8]) == "eXIf" {
			return b[at+8 : at+8+size]
		}
		at += 12 + size
	}
	return nil
}

// inWebP finds the chunk EXIF (RFC 9649, 2.7.1.5).
func inWebP(b []byte) []byte {
	for at := 12; at+8 <= len(b); {
		size := int(binary.LittleEndian.Uint32(b[at+4:]))
		if size < 0 || size > len(b)-at-8 {
			return nil
		}
		if string(b[at:at+4]) == "EXIF" {
			return b[at+8 : at+8+size]
		}
		at += 8 + size + size%2
	}
	return nil
}

// tiff is the block of Exif, read by offsets that are never trusted.
type tiff struct {
	b     []byte
	order binary.ByteOrder
}

// entry is a field of a directory: its type, its count and where its four
// bytes stand.
type entry struct {
	kind  uint16
	count uint32
	at    int
}

// Tags of Exif.
const (
	tagOrientation = 0x0112
	tagExif        = 0x8769
	tagGPS         = 0x8825
	tagTaken       = 0x9003
	tagTakenOffset = 0x9011
	tagLatRef      = 1
	tagLat         = 2
	tagLonRef      = 3
	tagLon         = 4
)

// Types of Exif.
const (
	kindASCII    = 2
	kindShort    = 3
	kindLong     = 4
	kindRational = 5
)

func (t tiff) read() meta {
	var m meta
	first := t.directory(t.order.Uint32(t.b[4:]))
	if e, ok := first[tagOrientation]; ok && e.kind == kindShort {
		m.orientation = int(t.order.Uint16(t.b[e.at:]))
	}
	if e, ok := first[tagExif]; ok && e.kind == kindLong {
		m.taken = t.taken(t.directory(t.order.Uint32(t.b[e.at:])))
	}
	if e, ok := first[tagGPS]; ok && e.kind == kindLong {
		m.position = t.position(t.directory(t.order.Uint32(t.b[e.at:])))
	}
	return m
}

// directory lists the fields at an offset, the first of each tag.
func (t tiff) directory(offset uint32) map[uint16]entry {
	if uint64(offset)+2 > uint64(len(t.b)) {
		return nil
	}
	n := int(t.order.Uint16(t.b[offset:]))
	out := make(map[uint16]entry)
	for i := range n {
		at := int(offset) + 2 + 12*i
		if at+12 > len(t.b) {
			break
		}
		tag := t.order.Uint16(t.b[at:])
		if _, twice := out[tag]; !twice {
			out[tag] = entry{kind: t.order.Uint16(t.b[at+2:]), count: t.order.Uint32(t.b[at+4:]), at: at + 8}
		}
	}
	return out
}

// value returns the bytes of a field of size bytes; nil when they lie outside.
func (t tiff) value(e entry, size uint32) []byte {
	if size <= 4 {
		return t.b[e.at : e.at+int(size)]
	}
	offset := t.order.Uint32(t.b[e.at:])
	if uint64(offset)+uint64(size) > uint64(len(t.b)) {
		return nil
	}
	return t.b[offset : offset+size]
}

// text reads an ASCII field.
func (t tiff) text(e entry, ok bool) string {
	if !ok || e.kind != kindASCII || e.count > 64 {
		return ""
	}
	v, _, _ := bytes.Cut(t.value(e, e.count), []byte{0})
	return string(v)
}

// taken reads when the photo was taken.
func (t tiff) taken(d map[uint16]entry) string {
	e, ok := d[tagTaken]
	at, err := time.Parse("2006:01:02 15:04:05", t.text(e, ok))
	if err != nil {
		return ""
	}
	text := at.Format("2006-01-02T15:04:05")
	e, ok = d[tagTakenOffset]
	zoned := text + t.text(e, ok)
	if zone, err := time.Parse(time.RFC3339, zoned); err == nil {
		return zone.Format(time.RFC3339)
	}
	return text
}

// position reads where the photo was taken. Zeros in both are how some cameras
// write that they do not know.
func (t tiff) position(d map[uint16]entry) survey.Opt[orb.Point] {
	var p orb.Point
	for i, axis := range []struct {
		tag, ref    uint16
		minus, plus string
		mostDegrees float64
	}{{tagLon, tagLonRef, "W", "E", 180}, {tagLat, tagLatRef, "S", "N", 90}} {
		e, ok := d[axis.tag]
		if !ok || e.kind != kindRational || e.count != 3 {
			return survey.Opt[orb.Point]{}
		}
		b := t.value(e, 24)
		if b == nil {
			return survey.Opt[orb.Point]{}
		}
		var v float64
		for k, part := range []float64{1, 60, 3600} {
			v += float64(t.order.Uint32(b[8*k:])) / float64(t.order.Uint32(b[8*k+4:])) / part
		}
		ref, okRef := d[axis.ref]
		side := t.text(ref, okRef)
		if side != axis.minus && side != axis.plus || math.IsNaN(v) || v > axis.mostDegrees {
			return survey.Opt[orb.Point]{}
		}
		if p[i] = v; side == axis.minus {
			p[i] = -v
		}
	}
	if p == (orb.Point{}) {
		return survey.Opt[orb.Point]{}
	}
	return survey.Known(p)
}
