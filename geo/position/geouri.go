package position

import (
	"fmt"
	"math"
	"net/url"
	"regexp"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// uriNumber is num of RFC 5870 section 3.3.
var uriNumber = regexp.MustCompile(`^-?\d+(\.\d+)?$`)

// readURI reads what follows "geo:" (RFC 5870): latitude, longitude and
// perhaps altitude, with the parameters crs, which must be wgs84, and u, the
// uncertainty in metres. Other parameters are passed over as the RFC asks. A
// query such as "?z=17" is passed over too, unless it carries a place itself.
func readURI(s string) (Position, error) {
	s, query, _ := strings.Cut(s, "?")
	if q, err := url.ParseQuery(query); err != nil || q.Has("q") {
		return Position{}, fmt.Errorf("its query names a place of its own, give a plain geo:latitude,longitude")
	}
	parts := strings.Split(s, ";")
	numbers := strings.Split(parts[0], ",")
	if len(numbers) < 2 || len(numbers) > 3 {
		return Position{}, fmt.Errorf("a geo URI has latitude, longitude and perhaps altitude, as geo:44.65123,-91.20456")
	}
	for _, n := range numbers {
		if !uriNumber.MatchString(n) {
			return Position{}, fmt.Errorf("%q is not a number as a geo URI writes it", clip(n))
		}
	}
	lat, lon := parseNumber(numbers[0]), parseNumber(numbers[1])
	if err := inRange(lat, lon); err != nil {
		return Position{}, err
	}
	if math.Abs(lat) == 90 {
		lon = 0 // section 3.4.2: at the poles every longitude is the same
	}
	d := min(decimals(numbers[0]), decimals(numbers[1]))
	p := Position{
		Point:     orb.Point{lon + 0, lat + 0},
		Precision: geo.Length(degreeLength * math.Pow10(-d)),
		Notation:  URI,
	}
	if len(numbers) == 3 {
		z := geo.Length(parseNumber(numbers[2]))
		if math.IsInf(float64(z), 0) {
			return Position{}, fmt.Errorf("altitude %q is no height on Earth", clip(numbers[2]))
		}
		p.Elevation = &z
	}
	return p, p.parameters(parts[1:])
}

// parameters reads the parameters after the first semicolon. Their names are
// the same in upper and lower case (section 3.4.4).
func (p *Position) parameters(params []string) error {
	seen := map[string]bool{}
	for _, param := range params {
		name, value, _ := strings.Cut(param, "=")
		name = strings.ToLower(name)
		value, err := url.PathUnescape(value)
		switch {
		case err != nil || name == "":
			return fmt.Errorf("its parameter %q is malformed", clip(param))
		case (name == "crs" || name == "u") && seen[name]:
			return fmt.Errorf("its parameter %s is given twice", name)
		case name == "crs" && !strings.EqualFold(value, "wgs84"):
			return fmt.Errorf("its coordinate system is %q, only wgs84 is read", clip(value))
		case name == "u":
			if !uriNumber.MatchString(value) || value[0] == '-' {
				return fmt.Errorf("its uncertainty u=%q is not a number of metres", clip(value))
			}
			p.Precision = max(p.Precision, geo.Length(parseNumber(value)))
		}
		seen[name] = true
	}
	if math.IsInf(float64(p.Precision), 0) {
		return fmt.Errorf("its uncertainty is no length on Earth")
	}
	return nil
}
