// Package lettering measures, cleans and breaks text for paper: the widths of
// the DejaVu Sans letters that sheets and drawings are set in, which
// characters those fonts can print, and where a line may be broken. Text that
// cannot be printed is replaced visibly, never dropped.
package lettering

import (
	"math"
	"sync"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"codeberg.org/go-fonts/dejavu/dejavusansbold"
	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Face is one of the two cuts that everything is lettered in.
type Face int

const (
	Regular Face = iota
	Bold
)

// Family is the name the faces go by in a PDF.
const Family = "DejaVuSans"

// Point is the typographic point in millimetres: 1/72 inch.
const Point = 25.4 / 72

// Smallest is the smallest letter used anywhere, in points: smaller print
// does not survive being photocopied twice.
const Smallest = 7

// Ascent and Descent are how far letters reach above and below the baseline,
// in ems, accents and tails included (DejaVu Sans, hhea table: 0.928, 0.236;
// capitals with two accents reach a little higher and are rare).
const (
	Ascent  = 0.93
	Descent = 0.24
	// Cap is the height of a capital letter in ems (OS/2 sCapHeight 1493/2048).
	Cap = 0.73
)

// missing marks a character without a glyph in the tables of widths.
const missing = math.MaxUint16

// table holds the advance of every character of the Basic Multilingual Plane
// in thousandths of an em, as a PDF states them.
type table [1 << 16]uint16

var tables = sync.OnceValue(func() *[2]table {
	return &[2]table{measure(dejavusans.TTF), measure(dejavusansbold.TTF)}
})

// measure reads the widths of a font that is compiled in; that it parses is
// held by the tests.
func measure(ttf []byte) (t table) {
	for i := range t {
		t[i] = missing
	}
	f, err := sfnt.Parse(ttf)
	if err != nil {
		return t
	}
	var b sfnt.Buffer
	em := fixed.I(int(f.UnitsPerEm()))
	for r := rune(0x20); r < 1<<16; r++ {
		g, err := f.GlyphIndex(&b, r)
		if err != nil || g == 0 {
			continue
		}
		adv, err := f.GlyphAdvance(&b, g, em, 0)
		if err != nil {
			continue
		}
		t[r] = uint16(math.Round(float64(adv) * 1000 / float64(em)))
	}
	return t
}

// Has tells whether both faces have a glyph for the character.
func Has(r rune) bool {
	t := tables()
	return r >= 0 && r < 1<<16 && t[Regular][r] != missing && t[Bold][r] != missing
}

// Width returns the width in millimetres of a line of cleaned text at a size
// in points.
func Width(f Face, pt float64, s string) float64 {
	t := &tables()[f]
	n := 0
	for _, r := range s {
		if r < 1<<16 && t[r] != missing {
			n += int(t[r])
		} else {
			n += 600 // the hollow box that an uncleaned character would print as
		}
	}
	return float64(n) / 1000 * pt * Point
}

// repertoire is what nearly every sheet is written in: Latin with all its
// accents, Greek, Cyrillic, punctuation, arrows, signs. Embedding starts from
// fonts cut down to it, which is twice as quick as from the whole fonts.
func repertoire() (s []rune) {
	for _, span := range [][2]rune{{0x20, 0x24F}, {0x2C6, 0x2DD}, {0x370, 0x45F}, {0x1E00, 0x1EFF}, {0x2010, 0x2044}, {0x2070, 0x209F}, {0x20A0, 0x20BF}, {0x2100, 0x214F}, {0x2190, 0x21FF}, {0x2200, 0x22FF}, {0x25A0, 0x25FF}, {0x2713, 0x2718}, {0xFFFD, 0xFFFD}} {
		for r := span[0]; r <= span[1]; r++ {
			if Has(r) {
				s = append(s, r)
			}
		}
	}
	return s
}

var cuts = sync.OnceValue(func() (c struct {
	has  map[rune]bool
	font [2][]byte
},
) {
	set := repertoire()
	c.has = make(map[rune]bool, len(set))
	for _, r := range set {
		c.has[r] = true
	}
	c.font[Regular] = fpdf.UTF8CutFont(whole(Regular), string(set))
	c.font[Bold] = fpdf.UTF8CutFont(whole(Bold), string(set))
	return c
})

// Fonts returns a TrueType file of each face that has every one of these
// characters: small ones where these hold nothing unusual, else the whole
// fonts. The bytes are shared and must not be changed.
func Fonts(used []rune) [2][]byte {
	c := cuts()
	for _, r := range used {
		if !c.has[r] {
			return [2][]byte{whole(Regular), whole(Bold)}
		}
	}
	return c.font
}
