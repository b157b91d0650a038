package grid

import (
	"fmt"
	"strings"
	"unicode"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Square is what an MGRS or USNG reference names.
type Square struct {
	Coord               // of the south-west corner
	Band      byte      // latitude band C to X, or polar area A, B, Y, Z
	Precision Precision // digits in each of easting and northing
	Corner    orb.Point // the south-west corner
	Centre    orb.Point // the centre on the grid, the best single position
}

// Size returns the side of the square on the grid.
func (q Square) Size() geo.Length { return q.Precision.Size() }

// Parse reads an MGRS or USNG reference of 0 to 8 digits a side, in upper or
// lower case, with or without a leading zero and with any spacing that keeps
// easting and northing apart. The 100 km square must exist, at least in part,
// in its zone and band; the finer square may lie outside them, as on a map
// sheet that carries its grid over the edge.
func Parse(s string) (Square, error) {
	q, err := parse(s)
	if err != nil {
		return Square{}, fmt.Errorf("grid reference: %w", err)
	}
	return q, nil
}

func parse(s string) (Square, error) {
	if len(s) > 200 {
		return Square{}, fmt.Errorf("it is %d characters long, a reference has at most 21", len(s))
	}
	fields := strings.Fields(strings.ToUpper(s))
	text := strings.Join(fields, "")
	for _, r := range text {
		if (r < '0' || r > '9') && (r < 'A' || r > 'Z') {
			return Square{}, fmt.Errorf("%q does not belong in it: letters, digits and spaces only", string(r))
		}
	}
	digits := len(text) - len(strings.TrimLeft(text, "0123456789"))
	zone, rest := 0, text[digits:]
	for _, d := range text[:digits] {
		zone = min(zone*10+int(d-'0'), 1000)
	}
	letters := len(rest) - len(strings.TrimLeft(rest, "ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
	switch {
	case letters == 2 && digits == 0:
		return Square{}, fmt.Errorf("the grid zone before %q is missing, as 18S in 18S UJ 23480 06470", rest[:2])
	case letters == 1:
		return Square{}, fmt.Errorf("the two letters of the 100 km square after the zone are missing, as UJ in 18S UJ 23480 06470")
	case letters != 3:
		return Square{}, fmt.Errorf("it is not of the form 18S UJ 23480 06470")
	case digits > 2 || digits > 0 && (zone < 1 || zone > 60):
		return Square{}, fmt.Errorf("zone %s does not exist, they run from 1 to 60", text[:digits])
	}
	band, column, row := rest[0], rest[1], rest[2]
	easting, northing, prec, err := figures(fields, rest[3:])
	if err != nil {
		return Square{}, err
	}
	q := Square{Band: band, Precision: prec}
	if digits == 0 {
		q.Coord, err = polarSquare(band, column, row)
	} else {
		q.Coord, err = utmSquare(zone, band, column, row)
	}
	if err != nil {
		return Square{}, err
	}
	q.Easting += geo.Length(easting) * prec.Size()
	q.Northing += geo.Length(northing) * prec.Size()
	return q.place()
}

// place fills in the positions of the corner and the centre.
func (q Square) place() (Square, error) {
	var err error
	if q.Corner, err = q.Coord.Point(); err != nil {
		return Square{}, err
	}
	centre := q.Coord
	centre.Easting += q.Size() / 2
	centre.Northing += q.Size() / 2
	q.Centre, err = centre.Point()
	return q, err
}

// figures splits the digits of a reference into easting and northing. fields
// are the space-separated parts of the whole: where any of them divides the
// digits, one must divide them in half.
func figures(fields []string, digits string) (easting, northing int64, prec Precision, err error) {
	if i := strings.IndexFunc(digits, unicode.IsLetter); i >= 0 {
		return 0, 0, 0, fmt.Errorf("the letter %q stands among the digits", digits[i:i+1])
	}
	n := len(digits)
	left, inside, halved := n, false, false
	for i := len(fields) - 1; i >= 0 && len(fields[i]) < left; i-- {
		left -= len(fields[i])
		inside = true
		halved = halved || 2*left == n
	}
	switch {
	case n%2 == 1 && !inside:
		return 0, 0, 0, fmt.Errorf("it has %d digits, easting and northing need as many each", n)
	case n%2 == 1 || inside && !halved:
		return 0, 0, 0, fmt.Errorf("easting and northing need as many digits each")
	case n > 2*int(Millimetre):
		return 0, 0, 0, fmt.Errorf("it has %d digits a side, at most 8 (a millimetre) are read", n/2)
	}
	for i := range n / 2 {
		easting = easting*10 + int64(digits[i]-'0')
		northing = northing*10 + int64(digits[n/2+i]-'0')
	}
	return easting, northing, Precision(n / 2), nil
}

// utmSquare returns the south-west corner of a lettered 100 km square.
func utmSquare(zone int, band, column, row byte) (Coord, error) {
	south, north, ok := bandLimits(band)
	if !ok {
		return Coord{}, fmt.Errorf("latitude band %c does not exist with a zone number, they run from C to X without I and O", band)
	}
	if _, _, ok := zoneLimits(zone, band); !ok {
		return Coord{}, fmt.Errorf("zone %d%c does not exist: round Svalbard there are only 31X, 33X, 35X and 37X", zone, band)
	}
	set := (zone - 1) % 3 * 8
	columns := utmColumns[set : set+8]
	c, r := strings.IndexByte(columns, column), strings.IndexByte(utmRows, row)
	if c < 0 {
		return Coord{}, fmt.Errorf("zone %d has no column %c, only %s", zone, column, columns)
	}
	if r < 0 {
		return Coord{}, fmt.Errorf("there is no row %c, only A to V without I and O", row)
	}
	_, mid, err := utm.Forward(0, (south+north)/2)
	if err != nil {
		return Coord{}, err
	}
	// Rows repeat every 2,000 km: take the one nearest the middle of the band.
	x0 := float64(c+1) * 100_000
	y0 := float64((r-rowShift(zone)+len(utmRows))%len(utmRows)) * 100_000
	for y0+50_000 < mid-1_000_000 {
		y0 += 2_000_000
	}
	for y0+50_000 > mid+1_000_000 {
		y0 -= 2_000_000
	}
	if !squareExists(zone, band, x0, y0) {
		return Coord{}, fmt.Errorf("square %c%c does not lie in zone %d%c", column, row, zone, band)
	}
	if south < 0 {
		y0 += falseNorthing
	}
	return Coord{zone, south >= 0, geo.Length(x0), geo.Length(y0)}, nil
}

// squareExists reports whether the 100 km square with its south-west corner at
// x0, y0 (metres, y0 negative in the south) meets its zone and band. It folds
// all four quadrants onto the north-east one, where along a grid line latitude
// falls and longitude grows to the east, and both grow to the north.
func squareExists(zone int, band byte, x0, y0 float64) bool {
	const side = 100_000
	south, north, _ := bandLimits(band)
	west, edge, _ := zoneLimits(zone, band)
	if x0 < 500_000 {
		x0, edge = 1_000_000-side-x0, -west
	}
	if south < 0 {
		y0, south, north = -side-y0, -north, -south
	}
	at := func(x, y float64) (lon, lat float64) {
		lon, lat, err := utm.Inverse(x, y)
		if err != nil {
			return 0, 90
		}
		return lon, lat
	}
	lon, lat := at(x0, y0)
	_, top := at(x0, y0+side)
	_, low := at(x0+side, y0)
	switch {
	case top <= south || low >= north:
		return false
	case lat >= north: // only the square's south-east part can be in the band
		_, y, err := utm.Forward(edge, north)
		return err == nil && y > y0
	case lat >= south:
		return lon < edge
	default: // only the square's north-west part can be in the band
		x, _, err := utm.Forward(edge, south)
		return err == nil && x > x0
	}
}

// polarSquare returns the south-west corner of a lettered 100 km square of the
// polar areas.
func polarSquare(letter, column, row byte) (Coord, error) {
	for i := range polars {
		a := &polars[i]
		if a.letter != letter {
			continue
		}
		c, r := strings.IndexByte(a.columns, column), strings.IndexByte(a.rows, row)
		if c < 0 {
			return Coord{}, fmt.Errorf("polar area %c has no column %c, only %s", letter, column, a.columns)
		}
		if r < 0 {
			return Coord{}, fmt.Errorf("polar area %c has no row %c, only %s", letter, row, a.rows)
		}
		x0, y0 := float64(a.minX+c)*100_000, float64(a.minY+r)*100_000
		inverse, edge := upsNorth.Inverse, 84.0
		if !a.north {
			inverse, edge = upsSouth.Inverse, 80
		}
		// The point of the square nearest the pole.
		x := min(max(2_000_000, x0), x0+100_000)
		y := min(max(2_000_000, y0), y0+100_000)
		if _, lat, err := inverse(x, y); err != nil || max(lat, -lat) < edge {
			return Coord{}, fmt.Errorf("square %c%c does not lie in polar area %c", column, row, letter)
		}
		return Coord{UPS, a.north, geo.Length(x0), geo.Length(y0)}, nil
	}
	return Coord{}, fmt.Errorf("there is no zone number before %c, and polar areas are A, B, Y and Z", letter)
}
