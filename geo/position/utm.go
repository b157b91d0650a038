package position

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/grid"
)

// errNoZone is the answer to two large numbers that are no angles either.
var errNoZone = errors.New("it has no UTM zone: an easting and northing need theirs, as 15T 642364 4945775")

var utmTokens = regexp.MustCompile(`\d+(?:\.\d*)?|[A-Z]+|[\s,;:()/=]+|.`)

// utmText is a UTM or UPS text taken apart: a zone with its letter and
// hemisphere, and two numbers with the axis each is labelled with, if any.
type utmText struct {
	zone   int
	letter byte   // after the zone, or the polar area; 0 when none
	half   string // NORTH, SOUTH or empty
	number [2]string
	axis   [2]byte // E, N or 0
}

// readUTM reads a UTM or UPS text in upper case. It returns nothing at all for
// a text that is neither: it needs a number of at least six digits.
func readUTM(s string) ([]Reading, error) {
	var numbers []string
	words := [][]string{nil} // before, between and after the numbers
	for _, tok := range utmTokens.FindAllString(s, -1) {
		switch c := tok[0]; {
		case c >= '0' && c <= '9':
			numbers = append(numbers, tok)
			words = append(words, nil)
		case c >= 'A' && c <= 'Z':
			words[len(numbers)] = append(words[len(numbers)], telling(tok)...)
		case !strings.Contains(" \t\r\n,;:()/=", string(c)):
			return nil, nil
		}
	}
	large := func(n string) bool { return len(strings.SplitN(n, ".", 2)[0]) >= 6 }
	if !slices.ContainsFunc(numbers, large) {
		return nil, nil
	}
	var t utmText
	var err error
	switch len(numbers) {
	case 3:
		t, err = zoned(numbers, words)
	case 2:
		t, err = unzoned(numbers, words)
	default:
		return nil, fmt.Errorf("UTM has a zone, an easting and a northing, as 15T 642364 4945775; here are %d numbers", len(numbers))
	}
	if err != nil {
		return nil, err
	}
	return t.readings()
}

// telling drops the words that say nothing.
func telling(w string) []string {
	switch w {
	case "UTM", "UPS", "ZONE", "GRID", "METRES", "METERS", "HEMISPHERE":
		return nil
	}
	return []string{w}
}

// axes shortens the words round a number to E and N and drops the metres. A
// zone's own letter, which may be M, X or Y, has been taken out before.
func axes(words []string) []string {
	var out []string
	for _, w := range words {
		switch w {
		case "M":
		case "ME", "EASTING", "X":
			out = append(out, "E")
		case "MN", "NORTHING", "Y":
			out = append(out, "N")
		default:
			out = append(out, w)
		}
	}
	return out
}

// zoned takes apart "15T 642364 4945775" and "642364 4945775 15T".
func zoned(numbers []string, words [][]string) (t utmText, err error) {
	isZone := func(n string) bool { return len(n) <= 2 }
	switch {
	case isZone(numbers[0]):
		t.zone, _ = strconv.Atoi(numbers[0])
		t.number = [2]string(numbers[1:])
		words[1] = append(words[0], t.side(words[1])...)
		err = t.label(words[1:])
	case isZone(numbers[2]):
		t.zone, _ = strconv.Atoi(numbers[2])
		t.number = [2]string(numbers[:2])
		if rest := t.side(words[3]); len(rest) > 0 {
			return t, fmt.Errorf("the word %q after the UTM zone is not known", rest[0])
		}
		err = t.label(words[:3])
	default:
		err = fmt.Errorf("a UTM zone of one or two digits is missing, as in 15T 642364 4945775")
	}
	if err == nil && (t.zone < 1 || t.zone > 60) {
		err = fmt.Errorf("UTM zone %d does not exist, they run from 1 to 60", t.zone)
	}
	return t, err
}

// unzoned takes apart the polar "Z 2012345 1976543" and "2012345 1976543 Z".
func unzoned(numbers []string, words [][]string) (t utmText, err error) {
	t.number = [2]string(numbers)
	labels := len(words[1]) > 0 // then a lone N is a label too
	if words[0] = t.side(words[0]); t.letter == 0 && t.half == "" {
		if last := len(words[2]) - 1; last >= 0 && len(t.side(words[2][last:])) == 0 {
			words[2] = words[2][:last]
		}
	}
	switch {
	case t.letter == 'A' || t.letter == 'B' || t.letter == 'Y' || t.letter == 'Z':
	case t.letter == 0 && t.half != "":
	case t.letter == 'N' && !labels:
		t.letter, t.half = 0, "NORTH"
	case t.letter == 'S' && !labels:
		t.letter, t.half = 0, "SOUTH"
	default:
		return t, errNoZone
	}
	return t, t.label(words)
}

// side takes the letter and the hemisphere from the words after a zone and
// returns the words that are left.
func (t *utmText) side(words []string) []string {
	if len(words) > 0 && len(words[0]) == 1 {
		t.letter, words = words[0][0], words[1:]
	}
	if len(words) > 0 && (words[0] == "NORTH" || words[0] == "SOUTH") {
		t.half, words = words[0], words[1:]
	}
	return words
}

// label takes the axis letters from the words before, between and after the
// two numbers: in front of both, or behind both.
func (t *utmText) label(words [][]string) error {
	before, between, after := axes(words[0]), axes(words[1]), axes(words[2])
	if len(before) > 0 {
		before, between, after = after, before, between // in front: nothing may follow
	}
	for i, w := range [][]string{between, after} {
		switch {
		case len(w) == 0:
		case len(w) == 1 && (w[0] == "E" || w[0] == "N"):
			t.axis[i] = w[0][0]
		default:
			return fmt.Errorf("the word %q beside the UTM numbers is not known", w[len(w)-1])
		}
	}
	if len(before) > 0 {
		return fmt.Errorf("the word %q beside the UTM numbers is not known", before[0])
	}
	if t.axis[0] != 0 && t.axis[0] == t.axis[1] {
		return fmt.Errorf("both UTM numbers are labelled %c", t.axis[0])
	}
	if t.axis[0] == 'N' || t.axis[1] == 'E' {
		t.number[0], t.number[1] = t.number[1], t.number[0]
		t.axis = [2]byte{'E', 'N'}
	}
	return nil
}

// readings returns the meanings the letter allows: as a latitude band, as N
// for north or S for south, and without any letter either hemisphere.
func (t utmText) readings() ([]Reading, error) {
	var out []Reading
	var first error
	try := func(as string, north bool, band byte) {
		r, err := t.place(north, band)
		if err != nil {
			if first == nil {
				first = err
			}
			return
		}
		if r.As == "" {
			r.As = as
		}
		out = append(out, r)
	}
	if t.zone == grid.UPS {
		try("UPS", t.half == "NORTH" || t.letter >= 'Y', t.letter)
		return out, first
	}
	north := t.letter >= 'N'
	if t.letter != 0 && (t.half == "" || north == (t.half == "NORTH")) {
		side := "north"
		if !north {
			side = "south"
		}
		try(fmt.Sprintf("band %c, %s of the equator", t.letter, side), north, t.letter)
	}
	if t.letter == 0 || t.letter == 'N' || t.letter == 'S' {
		for _, half := range []string{"NORTH", "SOUTH"} {
			if (t.letter == 0 || t.letter == half[0]) && (t.half == "" || t.half == half) {
				try(fmt.Sprintf("zone %d %s", t.zone, strings.ToLower(half)), half == "NORTH", 0)
			}
		}
	}
	if len(out) > 0 {
		return out, nil
	}
	if first == nil {
		first = fmt.Errorf("band %c does not lie in the %s", t.letter, strings.ToLower(t.half))
	}
	return nil, first
}

// place returns the reading in a hemisphere, checked against the band letter
// if there is one. Numbers in the wrong order give a reading against it.
func (t utmText) place(north bool, band byte) (Reading, error) {
	e, n := parseNumber(t.number[0]), parseNumber(t.number[1])
	p, err := t.point(e, n, north, band)
	r := Reading{Position: Position{Notation: UTM}}
	if err != nil && t.axis[0] == 0 && t.axis[1] == 0 {
		if q, swapped := t.point(n, e, north, band); swapped == nil && t.zone != grid.UPS {
			return Reading{
				Position: Position{Point: q, Precision: t.precision(), Notation: UTM},
				As:       "northing before easting", against: true,
			}, nil
		}
	}
	if err != nil {
		return r, err
	}
	if t.zone == grid.UPS {
		r.Notation = UPS
	}
	r.Point, r.Precision = p, t.precision()
	return r, nil
}

func (t utmText) point(e, n float64, north bool, band byte) (orb.Point, error) {
	c := grid.Coord{Zone: t.zone, North: north, Easting: geo.Length(e), Northing: geo.Length(n)}
	p, err := c.Point()
	if err != nil {
		return p, err
	}
	if t.zone == grid.UPS {
		east := band == 'B' || band == 'Z'
		if band != 0 && (east && e < 2_000_000-1 || !east && e > 2_000_000+1) { // rounded to a metre at most
			return p, fmt.Errorf("easting %s is not in polar area %c", plain(e), band)
		}
		return p, nil
	}
	// A number rounded at the edge of a band may lie a metre over it.
	const slack = 1.5 / degreeLength
	if band != 0 && grid.Band(p.Lat()-slack) != band && grid.Band(p.Lat()+slack) != band {
		if strings.IndexByte("CDEFGHJKLMNPQRSTUVWX", band) < 0 {
			return p, fmt.Errorf("latitude band %c does not exist, they run from C to X without I and O", band)
		}
		return p, fmt.Errorf("northing %s lies in band %c, not in %c", plain(n), grid.Band(p.Lat()), band)
	}
	return p, nil
}

// precision is one unit of the last digit of the coarser number.
func (t utmText) precision() geo.Length {
	d := min(decimals(t.number[0]), decimals(t.number[1]))
	return geo.Length(math.Pow10(-d))
}

// parseNumber reads digits with an optional point, which the callers have
// made sure of.
func parseNumber(s string) float64 {
	v, _ := strconv.ParseFloat(s, 64)
	return v
}

// decimals is the number of digits after the point.
func decimals(s string) int {
	if i := strings.IndexByte(s, '.'); i >= 0 {
		return len(s) - i - 1
	}
	return 0
}

// plain writes a number for a message, without exponent.
func plain(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64)
}
