package grid

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Precision is the number of digits a reference gives in each of easting and
// northing: 0 names a square of 100 km, 5 one of a metre, 8 one of a
// millimetre.
type Precision int

const (
	HundredKilometres Precision = iota
	TenKilometres
	Kilometre
	HundredMetres
	TenMetres
	Metre
	Decimetre
	Centimetre
	Millimetre
)

// Size returns the side of the square.
func (p Precision) Size() geo.Length { return geo.Length(math.Pow10(5 - int(p))) }

// Letters of the 100 km squares (NGA.STND.0037, figures for the AA scheme of
// WGS 84): columns by zone in three sets of eight, rows repeating every
// 2,000 km and shifted by five in even zones.
const (
	utmColumns = "ABCDEFGHJKLMNPQRSTUVWXYZ"
	utmRows    = "ABCDEFGHJKLMNPQRSTUV"
)

// polar describes one of the four polar areas A, B (south) and Y, Z (north).
type polar struct {
	letter  byte
	north   bool
	columns string // from minX eastward
	rows    string // from minY northward
	minX    int    // 100 km
	minY    int
}

var polars = [4]polar{
	{'A', false, "JKLPQRSTUXYZ", "ABCDEFGHJKLMNPQRSTUVWXYZ", 8, 8},
	{'B', false, "ABCFGHJKLPQR", "ABCDEFGHJKLMNPQRSTUVWXYZ", 20, 8},
	{'Y', true, "RSTUXYZ", "ABCDEFGHJKLMNP", 13, 13},
	{'Z', true, "ABCFGHJ", "ABCDEFGHJKLMNP", 20, 13},
}

// polarArea is the area letter of UPS coordinates; the meridians 0° and 180°
// belong to the eastern area.
func polarArea(north bool, easting float64) byte {
	return polars[polarIndex(north, easting >= 2_000_000)].letter
}

func polarIndex(north, east bool) (i int) {
	if north {
		i = 2
	}
	if east {
		i++
	}
	return i
}

// AppendMGRS appends the MGRS reference of the square of precision prec that
// holds p, without spaces and with a two-digit zone, as "06WVS6601290570".
func AppendMGRS(dst []byte, p orb.Point, prec Precision) ([]byte, error) {
	return appendReference(dst, p, prec, false)
}

// AppendUSNG appends the same reference as the U.S. National Grid writes it,
// in groups for the reader's eye: "18S UJ 23480 06470".
func AppendUSNG(dst []byte, p orb.Point, prec Precision) ([]byte, error) {
	return appendReference(dst, p, prec, true)
}

// MGRS is AppendMGRS as a string.
func MGRS(p orb.Point, prec Precision) (string, error) {
	b, err := AppendMGRS(nil, p, prec)
	return string(b), err
}

// USNG is AppendUSNG as a string.
func USNG(p orb.Point, prec Precision) (string, error) {
	b, err := AppendUSNG(nil, p, prec)
	return string(b), err
}

const (
	micro   = 1_000_000       // digits are cut from whole micrometres
	square  = 100_000 * micro // one 100 km square, in micrometres
	equator = falseNorthing * micro
)

func appendReference(dst []byte, p orb.Point, prec Precision, spaced bool) ([]byte, error) {
	if prec < HundredKilometres || prec > Millimetre {
		return dst, fmt.Errorf("write grid reference with %d digits: 0 to 8 are possible", int(prec))
	}
	zone, err := Zone(p)
	if err != nil {
		return dst, fmt.Errorf("write grid reference: %w", err)
	}
	ex, ny, err := forward(zone, p)
	if err != nil {
		return dst, fmt.Errorf("write grid reference: %w", err)
	}
	x, y := int64(math.Floor(ex*micro)), int64(math.Floor(ny*micro))
	var column, row byte
	if zone != UPS {
		if p.Lat() < 0 { // a hair south of the equator rounds up to it
			y = min(y, equator-1)
		}
		if spaced && zone < 10 {
			dst = append(dst, byte('0'+zone))
		} else {
			dst = append(dst, byte('0'+zone/10), byte('0'+zone%10))
		}
		dst = append(dst, Band(p.Lat()))
		column = utmColumns[(zone-1)%3*8+int(x/square)-1]
		row = utmRows[(int(y/square)+rowShift(zone))%len(utmRows)]
	} else {
		area := &polars[polarIndex(p.Lat() >= 0, ex >= 2_000_000)]
		dst = append(dst, area.letter)
		column = area.columns[int(x/square)-area.minX]
		row = area.rows[int(y/square)-area.minY]
	}
	if spaced {
		dst = append(dst, ' ')
	}
	dst = append(dst, column, row)
	dst = appendDigits(dst, x%square, prec, spaced)
	return appendDigits(dst, y%square, prec, spaced), nil
}

// rowShift is where the row letters begin at the equator.
func rowShift(zone int) int {
	if zone%2 == 0 {
		return 5
	}
	return 0
}

// appendDigits appends the first prec of the eleven digits of v micrometres
// within a 100 km square.
func appendDigits(dst []byte, v int64, prec Precision, spaced bool) []byte {
	if prec == 0 {
		return dst
	}
	if spaced {
		dst = append(dst, ' ')
	}
	for unit := int64(square / 10); prec > 0; prec-- {
		dst = append(dst, byte('0'+v/unit%10))
		unit /= 10
	}
	return dst
}
