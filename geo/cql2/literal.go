package cql2

import (
	"strings"

	"github.com/paulmach/orb"
)

// instant reads DATE('…') or TIMESTAMP('…').
func (p *parser) instant(word string) (Expr, error) {
	at := p.at()
	p.take()
	p.take()
	t := p.peek()
	i := Instant{Text: t.text, place: at}
	if _, ok := parseLiteral(t.text); t.kind != stringToken || !ok || i.day() != (word == "DATE") {
		if word == "DATE" {
			return nil, p.expected("a date as '2006-01-02'")
		}
		return nil, p.expected("a time in UTC as '2006-01-02T15:04:05Z'")
	}
	p.take()
	return i, p.need(")")
}

func (p *parser) interval() (Expr, error) {
	i := Interval{place: p.at()}
	p.take()
	p.take()
	var err error
	if i.Start, err = p.bound(); err != nil {
		return nil, err
	}
	if err = p.need(","); err != nil {
		return nil, err
	}
	if i.End, err = p.bound(); err != nil {
		return nil, err
	}
	return i, p.need(")")
}

// bound reads an end of an interval; nil is an open one.
func (p *parser) bound() (Expr, error) {
	t, at := p.peek(), p.at()
	if t.kind == stringToken {
		if _, ok := parseLiteral(t.text); ok {
			p.take()
			return Instant{t.text, at}, nil
		}
		if t.text == ".." {
			p.take()
			return nil, nil
		}
	} else if e, err := p.primary(); err == nil {
		if e, ok := e.(Property); ok {
			return e, nil
		}
	}
	return nil, problem(at, "expected a date, a time in UTC, '..' or a property, found %s", t.say())
}

func (p *parser) box() (Expr, error) {
	b := Box{place: p.at()}
	p.take()
	p.take()
	for {
		v, err := p.coordinate()
		if err != nil {
			return nil, err
		}
		b.Coordinates = append(b.Coordinates, v)
		if p.accept(")") {
			break
		}
		if !p.accept(",") {
			return nil, p.expected(`"," or ")"`)
		}
	}
	return b, checkBox(b)
}

func checkBox(b Box) error {
	if n := len(b.Coordinates); n != 4 && n != 6 {
		return problem(b.place, "expected 4 or 6 numbers in a bounding box, found %d", n)
	}
	south, north := b.latitudes()
	if south > north {
		return problem(b.place, "expected the southern edge of the bounding box before the northern, found %g and %g", south, north)
	}
	return nil
}

func (b Box) longitudes() (west, east float64) {
	return b.Coordinates[0], b.Coordinates[len(b.Coordinates)/2]
}

func (b Box) latitudes() (south, north float64) {
	return b.Coordinates[1], b.Coordinates[len(b.Coordinates)/2+1]
}

// coordinate reads a number with or without a sign.
func (p *parser) coordinate() (float64, error) {
	sign := 1.0
	if p.accept("-") {
		sign = -1
	} else {
		p.accept("+")
	}
	t := p.peek()
	if t.kind != numberToken {
		return 0, p.expected("a number")
	}
	p.take()
	return sign * t.number, nil
}

// shape returns the reader of one kind of Well-Known Text (OGC 06-103r4
// clause 7), to be called after the keyword; nil when the word is none. A
// third coordinate is read and left out.
func shape(word string) func(*parser) (orb.Geometry, error) {
	switch word {
	case "POINT":
		return func(p *parser) (orb.Geometry, error) { return p.point() }
	case "LINESTRING":
		return func(p *parser) (orb.Geometry, error) { return p.line() }
	case "POLYGON":
		return func(p *parser) (orb.Geometry, error) { return p.polygon() }
	case "MULTIPOINT":
		return func(p *parser) (orb.Geometry, error) {
			g, err := sequence(p, func() (orb.Point, error) {
				if p.peek().is("(") {
					return p.point()
				}
				return p.position() // MULTIPOINT (1 2, 3 4), an old form
			})
			return orb.MultiPoint(g), err
		}
	case "MULTILINESTRING":
		return func(p *parser) (orb.Geometry, error) {
			g, err := sequence(p, p.line)
			return orb.MultiLineString(g), err
		}
	case "MULTIPOLYGON":
		return func(p *parser) (orb.Geometry, error) {
			g, err := sequence(p, p.polygon)
			return orb.MultiPolygon(g), err
		}
	case "GEOMETRYCOLLECTION":
		return func(p *parser) (orb.Geometry, error) {
			g, err := sequence(p, p.member)
			return orb.Collection(g), err
		}
	}
	return nil
}

func (p *parser) shape(read func(*parser) (orb.Geometry, error)) (Expr, error) {
	at := p.at()
	p.take()
	p.accept("Z")
	g, err := read(p)
	return Geometry{g, at}, err
}

// member reads a geometry within a collection, which cannot hold another
// collection.
func (p *parser) member() (orb.Geometry, error) {
	word := strings.ToUpper(p.peek().text)
	read := shape(word)
	if p.peek().kind != nameToken || read == nil || word == "GEOMETRYCOLLECTION" {
		return nil, p.expected("POINT, LINESTRING, POLYGON or one of their MULTI forms")
	}
	p.take()
	p.accept("Z")
	return read(p)
}

// sequence reads "(" item "," item … ")" with at least one item.
func sequence[T any](p *parser, item func() (T, error)) ([]T, error) {
	if err := p.need("("); err != nil {
		return nil, err
	}
	var list []T
	for {
		v, err := item()
		if err != nil {
			return nil, err
		}
		list = append(list, v)
		if p.accept(")") {
			return list, nil
		}
		if !p.accept(",") {
			return nil, p.expected(`"," or ")"`)
		}
	}
}

func (p *parser) position() (orb.Point, error) {
	x, err := p.coordinate()
	if err != nil {
		return orb.Point{}, err
	}
	y, err := p.coordinate()
	if err != nil {
		return orb.Point{}, err
	}
	if t := p.peek(); t.kind == numberToken || t.is("-") || t.is("+") {
		_, err = p.coordinate()
	}
	return orb.Point{x, y}, err
}

func (p *parser) point() (orb.Point, error) {
	if err := p.need("("); err != nil {
		return orb.Point{}, err
	}
	g, err := p.position()
	if err != nil {
		return g, err
	}
	return g, p.need(")")
}

func (p *parser) line() (orb.LineString, error) { return sequence(p, p.position) }

func (p *parser) polygon() (orb.Polygon, error) {
	return sequence(p, func() (orb.Ring, error) {
		r, err := sequence(p, p.position)
		return orb.Ring(r), err
	})
}
