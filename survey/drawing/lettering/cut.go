package lettering

import (
	"fmt"
	"math/bits"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"codeberg.org/go-fonts/dejavu/dejavusansbold"
	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/sfnt"
)

// Set is a set of characters of the Basic Multilingual Plane.
type Set [1 << 10]uint64

// Add puts a character into the set.
func (s *Set) Add(r rune) { s[r>>6&0x3FF] |= 1 << (r & 63) }

// Runes lists the set in ascending order.
func (s *Set) Runes() (out []rune) {
	for i, w := range s {
		for ; w != 0; w &= w - 1 {
			out = append(out, rune(i<<6+bits.TrailingZeros64(w)))
		}
	}
	return out
}

// Font is a face cut down to the letters that are used.
type Font struct {
	TTF    []byte
	Glyphs []uint16 // of each character asked for, in its order
	Box    [4]int   // left, foot, right and top of all letters, thousandths of an em
}

// Cut makes a font file of a face with just these characters, in ascending
// order, each of which Has told to be there.
func Cut(f Face, used []rune) (Font, error) {
	base := Fonts(used)[f]
	out := Font{TTF: fpdf.UTF8CutFont(base, string(used))}
	font, err := sfnt.Parse(out.TTF)
	if err != nil {
		return out, fmt.Errorf("read the cut font: %w", err)
	}
	var b sfnt.Buffer
	for _, r := range used {
		g, err := font.GlyphIndex(&b, r)
		if err != nil {
			return out, fmt.Errorf("find %U in the cut font: %w", r, err)
		}
		out.Glyphs = append(out.Glyphs, uint16(g))
	}
	out.Box = [...][4]int{Regular: {-1021, -463, 1793, 1232}, Bold: {-1069, -415, 1975, 1174}}[f] // head tables of the whole fonts
	return out, nil
}

// Advance is the width of a character in thousandths of an em.
func Advance(f Face, r rune) int {
	if t := &tables()[f]; r >= 0 && r < 1<<16 && t[r] != missing {
		return int(t[r])
	}
	return 600
}

func whole(f Face) []byte {
	if f == Bold {
		return dejavusansbold.TTF
	}
	return dejavusans.TTF
}
