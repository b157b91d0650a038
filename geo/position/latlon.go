package position

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// readLatLon reads latitude and longitude in degrees, minutes and seconds. It
// tries every choice the text leaves open and returns all meanings found.
func readLatLon(s string) ([]Reading, error) {
	var readings []Reading
	var problem error
	choices := []choice{{}}
	for i := 0; i < len(choices); i++ {
		c := choices[i]
		sc := scanner{s: s, choice: c}
		found, err := sc.read()
		if i == 0 { // every combination of what is open
			for n := 1; n < 8; n++ {
				o := choice{n&1 > 0, n&2 > 0, n&4 > 0}
				if (sc.open.comma || !o.comma) && (sc.open.hyphen || !o.hyphen) && (sc.open.south || !o.south) {
					choices = append(choices, o)
				}
			}
		}
		if v := new(valueError); problem == nil || errors.As(err, &v) && !errors.As(problem, &v) {
			problem = err
		}
		for _, r := range found {
			if name := c.String(); name != "" {
				r.As = strings.TrimPrefix(r.As+", "+name, ", ")
			}
			readings = append(readings, r)
		}
	}
	if len(readings) > 0 {
		return readings, nil
	}
	return nil, problem
}

// valueError is an error about a number in a text whose form was understood;
// of several errors it is the one to tell.
type valueError struct{ error }

func (e *valueError) Unwrap() error { return e.error }

func valuef(format string, args ...any) error {
	return &valueError{fmt.Errorf(format, args...)}
}

func (sc *scanner) read() ([]Reading, error) {
	if err := sc.scan(); err != nil {
		return nil, err
	}
	parts, err := split(joinSides(sc.tokens))
	if err != nil {
		return nil, err
	}
	var angles [2]angle
	for i, p := range parts {
		if angles[i], err = p.angle(); err != nil {
			return nil, err
		}
	}
	return combine(angles)
}

// joinSides drops the separator between a number and its side letter where
// the letter stands alone, as receivers write it: 4439.0738,N,09112.2736,W.
func joinSides(tokens []token) []token {
	var out []token
	for i, t := range tokens {
		lone := t.kind == separator && i > 0 && tokens[i-1].kind != side &&
			i+1 < len(tokens) && tokens[i+1].kind == side &&
			(i+2 == len(tokens) || tokens[i+2].kind == separator)
		if !lone {
			out = append(out, t)
		}
	}
	return out
}

// part is the tokens of one coordinate, sorted.
type part struct {
	axis    byte   // 'N' for latitude, 'E' for longitude by a label, or 0
	sides   []byte // letters N, S, E, W
	sign    byte   // '+', '-' or 0
	numbers []token
	marks   []byte // unit of each number, or 0
	joined  bool   // a joint was the last token
	joints  bool   // any joint
	closed  bool   // a side or separator ended it
}

// empty reports whether nothing but a label, a side or a sign was seen yet.
func (p *part) empty() bool { return len(p.numbers) == 0 }

// begins reports whether a number must begin the next coordinate.
func (p *part) begins(next *token) bool {
	if p.empty() {
		return false
	}
	if p.joined {
		return false
	}
	n := len(p.numbers) - 1
	if p.closed || p.joints || strings.Contains(p.numbers[n].text, ".") || p.marks[n] == 's' {
		return true
	}
	// A number in degrees, or in minutes after minutes.
	return next != nil && next.kind == mark && (next.c == 'd' || p.marks[n] == 'm' && next.c == 'm')
}

// split gives each coordinate its tokens. Separators, sides, labels, signs,
// marks and decimals show where the second begins; bare whole numbers are
// halved.
func split(tokens []token) ([2]part, error) {
	var none [2]part
	parts := []part{{}}
	p := &parts[0]
	begin := func() {
		parts = append(parts, part{})
		p = &parts[len(parts)-1]
	}
	front := len(tokens) > 0 && tokens[0].kind == side
	for i := range tokens {
		t := &tokens[i]
		if p.joined && t.kind != number {
			return none, fmt.Errorf("a colon or hyphen stands where a number should follow")
		}
		switch t.kind {
		case label:
			if !p.empty() || p.axis != 0 {
				begin()
			}
			p.axis = t.c
		case sign:
			if !p.empty() {
				begin()
			}
			if p.sign != 0 {
				return none, fmt.Errorf("there are two signs in a row")
			}
			p.sign = t.c
		case side:
			if !p.empty() && front && len(p.sides) > 0 {
				begin()
			}
			p.sides = append(p.sides, t.c)
			p.closed = p.closed || !p.empty()
		case joint:
			if p.empty() || p.closed {
				return none, fmt.Errorf("a colon or hyphen stands before the first number")
			}
			p.joined, p.joints = true, true
		case separator:
			if p.empty() {
				return none, fmt.Errorf("a separator stands before the first number")
			}
			begin()
		case mark:
			if p.empty() || p.closed || p.marks[len(p.marks)-1] != 0 {
				return none, fmt.Errorf("a mark of degrees, minutes or seconds stands without its number")
			}
			p.marks[len(p.marks)-1] = t.c
		case number:
			var next *token
			if i+1 < len(tokens) {
				next = &tokens[i+1]
			}
			if p.begins(next) {
				begin()
			}
			p.numbers = append(p.numbers, *t)
			p.marks = append(p.marks, 0)
			p.joined = false
		}
	}
	return pair(parts)
}

// pair checks that there are two coordinates; one run of bare numbers is cut
// in half.
func pair(parts []part) (two [2]part, err error) {
	count := 0
	for _, p := range parts {
		count += len(p.numbers)
	}
	if p := parts[0]; len(parts) == 1 && count%2 == 0 && count <= 6 && len(p.sides) == 0 && p.axis == 0 && !p.joints &&
		!slices.ContainsFunc(p.marks, func(m byte) bool { return m != 0 }) {
		half := count / 2
		second := part{numbers: p.numbers[half:], marks: p.marks[half:]}
		p.numbers, p.marks = p.numbers[:half], p.marks[:half]
		parts = []part{p, second}
	}
	switch {
	case count == 0:
		return two, fmt.Errorf("there is no number in it")
	case len(parts) == 1 && count == 1:
		return two, fmt.Errorf("it is one number only, a position has a latitude and a longitude")
	case len(parts) != 2:
		return two, fmt.Errorf("no latitude and longitude can be told apart in it")
	}
	copy(two[:], parts)
	for _, p := range two {
		switch {
		case p.empty() || p.joined:
			return two, fmt.Errorf("a number is missing")
		case len(p.sides) > 1:
			return two, fmt.Errorf("a number has two of the letters N, S, E, W")
		}
	}
	return two, nil
}

// angle is one coordinate with everything said about it.
type angle struct {
	value float64 // degrees, unsigned
	axis  byte    // 'N' latitude, 'E' longitude, 0 not said
	side  byte    // N, S, E, W or 0
	sign  byte    // '+', '-' or 0
	unit  byte    // of the last number: d, m, s
	step  float64 // one unit of the last digit, degrees
}

var (
	unitSize = map[byte]float64{'d': 1, 'm': 1. / 60, 's': 1. / 3600}
	unitName = map[byte]string{'d': "degrees", 'm': "minutes", 's': "seconds"}
)

// angle works out the value of a coordinate.
func (p *part) angle() (angle, error) {
	a := angle{axis: p.axis, sign: p.sign}
	if len(p.sides) == 1 {
		a.side = p.sides[0]
		axis := byte('N')
		if a.side == 'E' || a.side == 'W' {
			axis = 'E'
		}
		if a.axis != 0 && a.axis != axis {
			return a, valuef("what is labelled a latitude has E or W, or a longitude N or S")
		}
		a.axis = axis
	}
	p.unpack(a.axis)
	const order = "dms"
	unit := -1
	for i, n := range p.numbers {
		unit++
		if m := p.marks[i]; m != 0 {
			at := strings.IndexByte(order, m)
			if at < unit || i == 0 && at > 0 {
				return a, valuef("%s %s do not belong there", n.text, unitName[m])
			}
			unit = at
		}
		if unit > 2 {
			return a, fmt.Errorf("a coordinate has degrees, minutes and seconds, here follows %s", n.text)
		}
		if i+1 < len(p.numbers) && strings.Contains(n.text, ".") {
			return a, valuef("%s is followed by minutes or seconds and must be whole", n.text)
		}
		v := parseNumber(n.text)
		if unit > 0 && v >= 60 {
			return a, valuef("%s %s: there are less than 60", n.text, unitName[order[unit]])
		}
		a.unit = order[unit]
		a.value += v * unitSize[a.unit]
		a.step = unitSize[a.unit] * math.Pow10(-decimals(n.text))
	}
	return a, nil
}

// unpack splits degrees, minutes and seconds run together, as in aeronautical
// texts: DDMM or DDMMSS with N or S, DDDMM or DDDMMSS with E or W. As plain
// degrees such a number would be out of range.
func (p *part) unpack(axis byte) {
	if len(p.numbers) != 1 || p.marks[0] != 0 || len(p.sides) != 1 {
		return
	}
	text := p.numbers[0].text
	whole, _, _ := strings.Cut(text, ".")
	degrees := 2
	if axis == 'E' {
		degrees = 3
	}
	if n := len(whole) - degrees; n != 2 && n != 4 {
		return
	}
	cuts := []string{text[:degrees], text[degrees:]}
	if len(whole) == degrees+4 {
		cuts = []string{text[:degrees], text[degrees : degrees+2], text[degrees+2:]}
	}
	p.numbers, p.marks = nil, make([]byte, len(cuts))
	for _, c := range cuts {
		p.numbers = append(p.numbers, token{kind: number, text: c})
	}
}

// combine makes positions of two coordinates: the axes by their letters and
// labels, else latitude first.
func combine(a [2]angle) ([]Reading, error) {
	bare := a[0].axis == 0 && a[1].axis == 0
	lat, lon := a[0], a[1]
	switch {
	case bare:
	case a[0].axis == a[1].axis && a[0].axis == 'N':
		return nil, valuef("both numbers are latitudes")
	case a[0].axis == a[1].axis:
		return nil, valuef("both numbers are longitudes")
	case a[0].axis == 'E' || a[1].axis == 'N':
		lat, lon = a[1], a[0]
	}
	letters := lat.side != 0 || lon.side != 0
	readings, err := place(lat, lon, letters)
	if err != nil && bare {
		if swapped, swap := place(lon, lat, letters); swap == nil {
			for i := range swapped {
				swapped[i].As, swapped[i].against = "longitude first", true
			}
			return swapped, nil
		}
		if lat.value >= 1000 && lon.value >= 1000 {
			return nil, &valueError{errNoZone}
		}
	}
	return readings, err
}

// place returns the positions within range that the signs and letters allow.
func place(lat, lon angle, letters bool) ([]Reading, error) {
	var out []Reading
	var problem error
	for _, y := range lat.signed(letters, "NS") {
		for _, x := range lon.signed(letters, "EW") {
			if err := inRange(y.value, x.value); err != nil {
				problem = &valueError{err}
				continue
			}
			r := Reading{As: strings.Trim(y.as+", "+x.as, ", ")}
			if r.As == "" {
				r.As = "latitude, longitude"
			}
			r.Point = orb.Point{x.value + 0, y.value + 0} // no negative zero
			r.Precision = geo.Length(max(lat.step, lon.step) * degreeLength)
			r.Notation = notations[max(strings.IndexByte("dms", lat.unit), strings.IndexByte("dms", lon.unit))]
			out = append(out, r)
		}
	}
	if len(out) > 0 {
		return out, nil
	}
	return nil, problem
}

var notations = [3]Notation{DecimalDegrees, DegreesMinutes, DegreesMinutesSeconds}

type signed struct {
	value float64
	as    string
}

// signed returns the values an angle can have. Both signs come in question
// where a sign and a letter contradict or repeat each other ("-91 W"), and
// where the other number has a letter and this one has nothing.
func (a angle) signed(letters bool, sides string) []signed {
	plus := signed{a.value, ""}
	minus := signed{-a.value, ""}
	open := a.sign != 0 && a.side != 0 && !(a.sign == '+' && a.side == sides[0]) ||
		a.sign == 0 && a.side == 0 && letters && a.value != 0
	switch {
	case open:
		plus.as = fmt.Sprintf("%s %c", plain(a.value), sides[0])
		minus.as = fmt.Sprintf("%s %c", plain(a.value), sides[1])
		return []signed{plus, minus}
	case a.sign == '-' || a.side == sides[1]:
		return []signed{minus}
	}
	return []signed{plus}
}
