package position

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/grid"
)

// Notation is a way of writing a position.
type Notation string

const (
	DecimalDegrees        Notation = "decimal degrees"
	DegreesMinutes        Notation = "degrees and minutes"
	DegreesMinutesSeconds Notation = "degrees, minutes and seconds"
	UTM                   Notation = "UTM"
	UPS                   Notation = "UPS"
	GridReference         Notation = "USNG/MGRS"
	URI                   Notation = "geo URI"
	PlusCode              Notation = "Open Location Code"
)

// Position is what was read.
type Position struct {
	Point orb.Point // longitude, latitude in degrees, WGS 84; the centre of a square or cell

	// Elevation is nil when the notation gave none. A geo URI gives it in
	// metres above the geoid.
	Elevation *geo.Length

	// Precision is how finely the position was written: one unit of the last
	// digit as a north-south length (a minute of arc taken as 1,852 m), the
	// side of a grid square, or the longer side of a code's cell. A geo URI's
	// stated uncertainty counts when it is larger. It says nothing of how well
	// the place was measured.
	Precision geo.Length

	Notation Notation
}

// Reading is one of the meanings a text could have.
type Reading struct {
	Position
	As string // in words, as "band S, north of the equator"

	// against marks a meaning that breaks the order of the notation. Alone it
	// is never taken, beside a proper meaning it does not count.
	against bool
}

// AmbiguousError reports a text that could mean more than one place, or one
// place only when its numbers are taken against their order. The decimal degrees in its message can be
// pasted instead.
type AmbiguousError struct {
	Input    string
	Readings []Reading
}

func (e *AmbiguousError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "position %q could be ", clip(e.Input))
	for i, r := range e.Readings {
		if i > 0 {
			b.WriteString(", or ")
		}
		fmt.Fprintf(&b, "%s: %s", r.As, Decimal(r.Point, 5))
	}
	if len(e.Readings) == 1 {
		b.WriteString(", but its order says otherwise")
	}
	b.WriteString("; write out the one you mean")
	return b.String()
}

// maxInput is the longest text read, in bytes; every notation fits in half.
const maxInput = 200

// Parse reads a position in any notation. A text with several meanings gives
// an *AmbiguousError; any other error says what is wrong with the text.
func Parse(s string) (Position, error) {
	readings, err := read(s)
	if err != nil {
		return Position{}, fmt.Errorf("read position %q: %w", clip(s), err)
	}
	readings = distinct(readings)
	if len(readings) > 1 || readings[0].against {
		return Position{}, &AmbiguousError{Input: s, Readings: readings}
	}
	return readings[0].Position, nil
}

// distinct drops readings of a place already listed, and readings against the
// order of the notation where there are others.
func distinct(readings []Reading) []Reading {
	var out []Reading
	for _, against := range []bool{false, true} {
		for _, r := range readings {
			seen := r.against != against
			for _, o := range out {
				seen = seen || o.Point == r.Point
			}
			if !seen {
				out = append(out, r)
			}
		}
		if len(out) > 0 {
			break
		}
	}
	return out
}

// read finds the notation and returns the meanings; with a nil error there is
// at least one.
func read(s string) ([]Reading, error) {
	if len(s) > maxInput {
		return nil, fmt.Errorf("it is %d characters long, a position has at most %d", len(s), maxInput)
	}
	text := normalise(s)
	if text == "" {
		return nil, fmt.Errorf("there is nothing in it")
	}
	if len(text) >= 4 && strings.EqualFold(text[:4], "geo:") {
		return one(readURI(text[4:]))
	}
	text, err := stripDatum(text)
	if err != nil {
		return nil, err
	}
	upper := strings.ToUpper(text)
	if isPlusCode(upper) {
		return one(readPlusCode(upper))
	}
	if ref := strings.NewReplacer("-", " ", ",", " ").Replace(upper); gridForm.MatchString(ref) {
		// Three letters alone may be a polar square, or any word.
		if p, err := readGrid(ref); err == nil || strings.ContainsAny(ref, "0123456789") {
			return one(p, err)
		}
	}
	readings, err := readUTM(upper)
	if readings != nil || err != nil && err != errNoZone {
		return readings, err
	}
	angles, wrong := readLatLon(text)
	if wrong != nil && err != nil && !errors.Is(wrong, errNoZone) { // it had the size of grid coordinates
		return nil, fmt.Errorf("%w; read as angles, %w", err, wrong)
	}
	return angles, wrong
}

func one(p Position, err error) ([]Reading, error) {
	if err != nil {
		return nil, err
	}
	return []Reading{{Position: p}}, nil
}

// gridForm is an MGRS or USNG reference, or one that lacks its zone or its
// square; "44N" is left to the degrees.
var gridForm = regexp.MustCompile(`^(\d{1,3}\s*[A-Z](\s*[A-Z]){2}|[A-Z](\s*[A-Z]){2}|[A-Z]{2}\s*\d\d)[\d\s]*$|^\d{1,2}\s*[CDF-HJ-MP-RT-VX]$`)

func readGrid(ref string) (Position, error) {
	q, err := grid.Parse(ref)
	if err != nil {
		return Position{}, err
	}
	return Position{Point: q.Centre, Precision: q.Size(), Notation: GridReference}, nil
}

// sameMark maps the many marks people type to one of each kind.
var sameMark = strings.NewReplacer(
	"º", "°", "˚", "°", "∘", "°",
	"’", "'", "‘", "'", "′", "'", "ʹ", "'", "ʼ", "'", "´", "'", "`", "'",
	"”", `"`, "“", `"`, "″", `"`, "ʺ", `"`, "„", `"`,
	"−", "-", "–", "-", "‐", "-", "‑", "-",
	"\u00a0", " ", "\u2009", " ", "\u202f", " ", "\u200b", "", "\u200e", "", "\u200f", "", "\ufeff", "",
	"，", ", ", "；", "; ",
)

// normalise unifies marks and takes off brackets and closing punctuation,
// the solidus of ISO 6709 among it.
func normalise(s string) string {
	s = strings.TrimRight(strings.TrimSpace(sameMark.Replace(s)), ".,;/ \t\r\n")
	for len(s) > 1 && (s[0] == '(' && s[len(s)-1] == ')' && strings.Count(s, "(") == 1 ||
		s[0] == '[' && s[len(s)-1] == ']') {
		s = strings.TrimSpace(s[1 : len(s)-1])
	}
	return strings.ReplaceAll(s, "''", `"`)
}

var datum = regexp.MustCompile(`(?i)^((?:WGS|NAD)[ -]?\d\d)[\s:,]+|[\s,;]*[([]?\b((?:WGS|NAD)[ -]?\d\d)[)\]]?$`)

// stripDatum takes off a datum named before or after the position. "15 WGS 84"
// is left alone: there the letters are a grid square.
func stripDatum(s string) (string, error) {
	m := datum.FindStringSubmatchIndex(s)
	if m == nil {
		return s, nil
	}
	rest := strings.TrimSpace(s[:m[0]] + s[m[1]:])
	if len(rest) < 3 {
		return s, nil
	}
	name := s[max(m[2], m[4]):max(m[3], m[5])]
	if name = strings.ToUpper(name); strings.HasSuffix(name, "84") || strings.HasSuffix(name, "83") {
		return rest, nil
	}
	return "", fmt.Errorf("it is on %s, tens of metres away from WGS 84: convert it first", name)
}

// clip shortens a hostile input for an error message.
func clip(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}

// degreeLength is the north-south length of one degree, 60 × 1,852 m.
const degreeLength = 111_120

// inRange checks a latitude and longitude in degrees.
func inRange(lat, lon float64) error {
	if !(math.Abs(lat) <= 90) {
		return fmt.Errorf("latitude %s is outside -90 to 90", plain(lat))
	}
	if !(math.Abs(lon) <= 180) {
		return fmt.Errorf("longitude %s is outside -180 to 180", plain(lon))
	}
	return nil
}
