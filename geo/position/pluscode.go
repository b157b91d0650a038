package position

import (
	"fmt"
	"math"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Open Location Code, after its specification (Apache-2.0): five pairs of
// base-20 digits for latitude and longitude, then up to five digits that each
// split the cell in 5 rows and 4 columns.
const (
	codeDigits   = "23456789CFGHJMPQRVWX"
	codePairs    = 10 // digits in pairs
	codeLongest  = 15 // digits that count
	codePlus     = 8  // digits before the plus
	codeRows     = 5
	codeColumns  = 4
	codeLatUnits = 25_000_000 // finest rows in a degree: 8000 × 5⁵
	codeLonUnits = 8_192_000  // finest columns in a degree: 8000 × 4⁵
)

// OLC returns the Open Location Code of p with 2, 4, 6, 8 or 10 to 15 digits;
// ten name a cell of 1/8000 of a degree, about 14 m.
func OLC(p orb.Point, digits int) (string, error) {
	if digits < 2 || digits > codeLongest || digits < codePairs && digits%2 == 1 {
		return "", fmt.Errorf("write Open Location Code of %d digits: 2, 4, 6, 8 or 10 to 15 are possible", digits)
	}
	if err := inRange(p.Lat(), p.Lon()); err != nil {
		return "", fmt.Errorf("write Open Location Code: %w", err)
	}
	lat := min(units(p.Lat()+90, codeLatUnits), 180*codeLatUnits-1) // the pole belongs to the last row
	lon := units(p.Lon()+180, codeLonUnits) % (360 * codeLonUnits)
	var code [codeLongest]byte
	for i := codeLongest - 1; i >= codePairs; i-- {
		code[i] = codeDigits[lat%codeRows*codeColumns+lon%codeColumns]
		lat, lon = lat/codeRows, lon/codeColumns
	}
	for i := codePairs - 2; i >= 0; i -= 2 {
		code[i], code[i+1] = codeDigits[lat%20], codeDigits[lon%20]
		lat, lon = lat/20, lon/20
	}
	for i := digits; i < codePlus; i++ {
		code[i] = '0'
	}
	return string(code[:codePlus]) + "+" + string(code[codePlus:max(digits, codePlus)]), nil
}

// units counts whole units from zero; a value that binary fractions put a
// hair below a whole unit counts as that unit.
func units(deg float64, perDegree int64) int64 {
	v := deg * float64(perDegree)
	if r := math.Round(v); math.Abs(v-r) < 1e-5 {
		v = r
	}
	return int64(math.Floor(v))
}

// isPlusCode reports whether an upper-case text begins like a code, full or
// short: code digits with a plus after the second, fourth, sixth or eighth.
// "44+91" is left to the degrees.
func isPlusCode(s string) bool {
	i := strings.IndexByte(s, '+')
	if i < 2 || i > codePlus || i%2 == 1 {
		return false
	}
	letters := i == codePlus
	for _, c := range []byte(s[:i]) {
		if c != '0' && strings.IndexByte(codeDigits, c) < 0 {
			return false
		}
		letters = letters || c > '9'
	}
	return letters
}

// readPlusCode reads a full code in upper case.
func readPlusCode(s string) (Position, error) {
	head, tail, _ := strings.Cut(s, "+")
	if len(head) < codePlus {
		return Position{}, fmt.Errorf("it is a short Open Location Code, which names a place only together with a town: give the full code, with 8 digits before the +")
	}
	digits := strings.TrimRight(head, "0")
	switch {
	case strings.ContainsRune(digits, '0') || len(digits)%2 == 1 || len(digits) == 0:
		return Position{}, fmt.Errorf("zeros in an Open Location Code stand only in pairs before the +")
	case len(digits) < codePlus && tail != "":
		return Position{}, fmt.Errorf("nothing follows the + of an Open Location Code that has zeros")
	case len(tail) == 1:
		return Position{}, fmt.Errorf("an Open Location Code has no digit or at least two after its +")
	}
	digits += tail
	// Latitudes run over 9 of the 20 first digits, longitudes over 18.
	var lat, lon int64
	latUnit, lonUnit := int64(20*20*20*20*3125*20), int64(20*20*20*20*1024*20)
	for i, c := range []byte(digits) {
		v := int64(strings.IndexByte(codeDigits, c))
		switch {
		case v < 0:
			return Position{}, fmt.Errorf("%q is not a digit of an Open Location Code", digits[i:i+1])
		case i == 0 && v > 8 || i == 1 && v > 17:
			return Position{}, fmt.Errorf("an Open Location Code cannot begin with %s", digits[:i+1])
		case i >= codeLongest:
		case i >= codePairs:
			latUnit, lonUnit = latUnit/codeRows, lonUnit/codeColumns
			lat += v / codeColumns * latUnit
			lon += v % codeColumns * lonUnit
		case i%2 == 0:
			latUnit /= 20
			lat += v * latUnit
		default:
			lonUnit /= 20
			lon += v * lonUnit
		}
	}
	centre := orb.Point{
		(float64(lon)+float64(lonUnit)/2)/codeLonUnits - 180,
		(float64(lat)+float64(latUnit)/2)/codeLatUnits - 90,
	}
	height := float64(latUnit) / codeLatUnits * degreeLength
	width := float64(lonUnit) / codeLonUnits * degreeLength * math.Cos(centre.Lat()*math.Pi/180)
	return Position{Point: centre, Precision: geo.Length(max(height, width)), Notation: PlusCode}, nil
}
