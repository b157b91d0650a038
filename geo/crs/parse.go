package crs

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"holdfast/geo"
)

// Parse reads a coordinate system from well-known text: ESRI's, OGC WKT 1 or
// WKT 2. Of a compound system the horizontal part is taken; a shift to WGS 84
// in the text (TOWGS84, BOUNDCRS) goes before the table's. A text that is not
// understood fails with a message saying where; one that is, but describes a
// vertical or local system or a projection that is not built, with
// ErrUnsupported. A datum that is not in the table and comes without a shift
// is kept, but ToWGS84 will refuse with ErrNoShift.
//
// The system gets the EPSG code, and with it the area of use, of the table's
// system with the same datum, projection, parameters and unit.
func Parse(wkt string) (*CRS, error) {
	n, err := parseWKT(wkt)
	if err != nil {
		return nil, fmt.Errorf("read well-known text: %w", err)
	}
	c, err := fromNode(n, 0)
	if err != nil {
		return nil, fmt.Errorf("read well-known text: %w", err)
	}
	return c, nil
}

func fromNode(n *node, depth int) (*CRS, error) {
	if depth > 4 {
		return nil, errors.New("systems nested too deep")
	}
	switch n.key {
	case "PROJCS", "PROJCRS", "PROJECTEDCRS":
		return fromProjected(n)
	case "GEOGCS", "GEOGCRS", "GEOGRAPHICCRS", "GEODCRS", "GEODETICCRS":
		return fromGeographic(n)
	case "COMPD_CS", "COMPOUNDCRS":
		for _, a := range n.args {
			if a.node != nil {
				return fromNode(a.node, depth+1)
			}
		}
	case "BOUNDCRS":
		if src := n.child("SOURCECRS"); src != nil {
			for _, a := range src.args {
				if a.node != nil {
					c, err := fromNode(a.node, depth+1)
					if err != nil {
						return nil, err
					}
					return c, c.bind(n)
				}
			}
		}
	}
	return nil, fmt.Errorf("a system of kind %.40s: %w", n.key, ErrUnsupported)
}

// geodetic is what a geographic element says, whichever system it stands in.
type geodetic struct {
	dat      *datum // of the table, or made for an unknown name
	frame    frame
	meridian float64 // degrees
	unit     float64 // degrees
	name     string
}

// fromGeographic reads a geographic system.
func fromGeographic(n *node) (*CRS, error) {
	if cs := n.child("CS"); cs != nil && !strings.EqualFold(cs.text(0), "ellipsoidal") {
		return nil, fmt.Errorf("a geocentric system %q: %w", n.text(0), ErrUnsupported)
	}
	g, err := readGeodetic(n)
	if err != nil {
		return nil, err
	}
	c := &CRS{Name: g.name, Datum: g.dat.name, Unit: Unit{Name: unitName(g.unit, false), Factor: g.unit}, Axes: readAxes(n), frame: g.frame, meridian: g.meridian, margin: gridMargin, base: g.base(n)}
	if code := c.base.code; code != 0 {
		c.Code, c.Area = fmt.Sprintf("EPSG:%d", code), epsg().areas[epsg().geographic[code].area]
	}
	return c.finish(n), nil
}

// base identifies the system that the element n says.
func (g *geodetic) base(n *node) base {
	b := base{name: g.name, datum: g.dat, unit: g.unit}
	if g.dat.code != 0 && g.dat.meridian == g.meridian {
		b.code = epsg().identifyGeographic(g.dat, g.unit, readCode(n))
	}
	return b
}

// finish settles the area of use and with it the shifts.
func (c *CRS) finish(n *node) *CRS {
	if c.Area == nil {
		c.Area = readArea(n)
	}
	c.frame = c.frame.within(c.Area)
	return c
}

// readGeodetic reads a geographic system or the base of a projected one.
func readGeodetic(n *node) (*geodetic, error) {
	g := &geodetic{name: n.text(0)}
	d := n.child("DATUM", "GEODETICDATUM", "TRF", "ENSEMBLE")
	if d == nil {
		return nil, fmt.Errorf("%s[%q] has no datum", n.key, g.name)
	}
	e, err := readEllipsoid(d)
	if err != nil {
		return nil, err
	}
	if g.unit, err = readAngleUnit(n); err != nil {
		return nil, err
	}
	if pm := n.child("PRIMEM", "PRIMEMERIDIAN"); pm != nil {
		if g.meridian, err = pm.number(1); err != nil {
			return nil, err
		}
		// WKT 1 writes it in degrees whatever the system's unit; WKT 2 in the
		// unit it names or else in the system's.
		if u := pm.child("ANGLEUNIT", "UNIT"); u != nil {
			f, err := angleUnit(u)
			if err != nil {
				return nil, err
			}
			g.meridian *= f
		} else if n.key != "GEOGCS" {
			g.meridian *= g.unit
		}
		if math.Abs(g.meridian) > 180 {
			return nil, fmt.Errorf("prime meridian at %v degrees", g.meridian)
		}
	}
	g.settle(d.text(0), d.child("SPHEROID", "ELLIPSOID").text(0), e)
	if tw := d.child("TOWGS84"); tw != nil {
		return g, g.readToWGS84(tw)
	}
	return g, nil
}

// settle finds the datum in the table by its name; the ellipsoid must agree.
func (g *geodetic) settle(name, spheroid string, e geo.Ellipsoid) {
	t := epsg()
	if dat := t.byName[datumKey(name)]; dat != nil && sameEllipsoid(dat.ellipsoid, e) {
		// ESRI names the datum alike for any prime meridian.
		if math.Abs(dat.meridian-g.meridian) > 1e-7 {
			for _, o := range t.datums {
				if o.frame == dat.frame && math.Abs(o.meridian-g.meridian) < 1e-7 {
					dat = o
					break
				}
			}
		}
		if math.Abs(dat.meridian-g.meridian) < 1e-7 {
			g.meridian = dat.meridian
		}
		g.dat, g.frame = dat, t.frame(dat)
		return
	}
	g.dat, g.frame = &datum{name: name, spheroid: spheroid, ellipsoid: e}, frame{e: e}
}

func sameEllipsoid(a, b geo.Ellipsoid) bool {
	return math.Abs(a.A-b.A) < 1e-2 && math.Abs(a.F-b.F) < 1e-9
}

// readToWGS84 takes the three or seven parameters of WKT 1, position vector.
func (g *geodetic) readToWGS84(n *node) error {
	if len(n.args) != 3 && len(n.args) != 7 {
		return fmt.Errorf("TOWGS84 with %d parameters, want 3 or 7", len(n.args))
	}
	var p [7]float64
	for i := range n.args {
		v, err := n.number(i)
		if err != nil {
			return err
		}
		p[i] = v
	}
	return g.frame.override(p, "TOWGS84 of the definition")
}

// override replaces the table's shifts by one from a file.
func (f *frame) override(p [7]float64, name string) error {
	for i, v := range p {
		// No datum is off by more than kilometres, minutes or per mille.
		if math.Abs(v) > [3]float64{20000, 3600, 5000}[i/3] {
			return fmt.Errorf("%s: parameter %d is %v", name, i+1, v)
		}
	}
	f.datum = 0
	f.shifts = []Shift{{Name: name, h: newHelmert(p)}}
	return nil
}

// bind reads the transformation of a BOUNDCRS.
func (c *CRS) bind(n *node) error {
	tr := n.child("ABRIDGEDTRANSFORMATION")
	if tr == nil {
		return errors.New("BOUNDCRS without ABRIDGEDTRANSFORMATION")
	}
	if target := n.child("TARGETCRS"); target == nil || !strings.Contains(strings.ReplaceAll(target.name(), " ", ""), "WGS84") {
		return fmt.Errorf("BOUNDCRS to another system than WGS 84: %w", ErrUnsupported)
	}
	sign := 1.0
	switch m := key(tr.child("METHOD").text(0)); {
	case strings.Contains(m, "coordinateframe"):
		sign = -1
	case !strings.Contains(m, "positionvector") && !strings.Contains(m, "geocentrictranslations"):
		return fmt.Errorf("BOUNDCRS by method %q: %w", m, ErrUnsupported)
	}
	var p [7]float64
	for _, q := range tr.children("PARAMETER") {
		v, err := q.number(1)
		if err != nil {
			return err
		}
		switch k := key(q.text(0)); k {
		case "xaxistranslation":
			p[0] = v
		case "yaxistranslation":
			p[1] = v
		case "zaxistranslation":
			p[2] = v
		case "xaxisrotation":
			p[3] = sign * v
		case "yaxisrotation":
			p[4] = sign * v
		case "zaxisrotation":
			p[5] = sign * v
		case "scaledifference": // WKT 2 abridged: the factor itself
			p[6] = (v - 1) * 1e6
		default:
			return fmt.Errorf("BOUNDCRS parameter %q: %w", q.text(0), ErrUnsupported)
		}
	}
	return c.frame.override(p, "transformation of the definition")
}

// name returns the name of the first element within n.
func (n *node) name() string {
	for _, a := range n.args {
		if a.node != nil {
			return a.node.text(0)
		}
	}
	return ""
}

func readEllipsoid(d *node) (geo.Ellipsoid, error) {
	s := d.child("SPHEROID", "ELLIPSOID")
	if s == nil {
		return geo.Ellipsoid{}, fmt.Errorf("datum %q has no ellipsoid", d.text(0))
	}
	a, err := s.number(1)
	if err != nil {
		return geo.Ellipsoid{}, err
	}
	rf, err := s.number(2)
	if err != nil {
		return geo.Ellipsoid{}, err
	}
	if u := s.child("LENGTHUNIT", "UNIT"); u != nil {
		f, err := lengthUnit(u)
		if err != nil {
			return geo.Ellipsoid{}, err
		}
		a *= f
	}
	if a < 6.3e6 || a > 6.4e6 || (rf != 0 && rf < 150) {
		return geo.Ellipsoid{}, fmt.Errorf("ellipsoid %q with radius %v m and flattening 1/%v is not one of the Earth", s.text(0), a, rf)
	}
	return newEllipsoid(a, rf), nil
}

// readAngleUnit returns degrees per unit; systems that name none use degrees.
func readAngleUnit(n *node) (float64, error) {
	u := n.child("ANGLEUNIT", "UNIT")
	if u == nil {
		if ax := n.child("AXIS"); ax != nil {
			u = ax.child("ANGLEUNIT", "UNIT")
		}
	}
	if u == nil {
		return 1, nil
	}
	return angleUnit(u)
}

func angleUnit(u *node) (float64, error) {
	f, err := u.number(1)
	if err != nil {
		return 0, err
	}
	f *= 180 / math.Pi
	// Files print π/180 and π/200 with some 15 digits.
	for _, exact := range []float64{1, 0.9, 1.0 / 60, 1.0 / 3600} {
		if math.Abs(f/exact-1) < 1e-7 {
			return exact, nil
		}
	}
	if f < 1e-7 || f > 60 {
		return 0, fmt.Errorf("angle unit %q of %v degrees", u.text(0), f)
	}
	return f, nil
}

func lengthUnit(u *node) (float64, error) {
	f, err := u.number(1)
	if err != nil {
		return 0, err
	}
	for _, exact := range []float64{1, 0.3048, 1200.0 / 3937} {
		if math.Abs(f/exact-1) < 1e-9 {
			return exact, nil
		}
	}
	if f < 1e-4 || f > 1e5 {
		return 0, fmt.Errorf("length unit %q of %v metres", u.text(0), f)
	}
	return f, nil
}

// readAxes returns the order of the AXIS elements, EastNorth without them.
func readAxes(n *node) Axes {
	ax := n.children("AXIS")
	if len(ax) < 2 {
		return EastNorth
	}
	first, second := strings.ToLower(ax[0].text(1)), strings.ToLower(ax[1].text(1))
	switch {
	case first == "north" && second == "east", strings.HasPrefix(strings.ToLower(ax[0].text(0)), "northing"):
		return NorthEast
	case first == "west" && second == "south":
		return WestSouth
	}
	return EastNorth
}

// readArea returns the BBOX of a WKT 2 definition, nil if there is none.
func readArea(n *node) *Area {
	for _, u := range append(n.children("USAGE"), n) {
		b := u.child("BBOX")
		if b == nil {
			continue
		}
		var v [4]float64
		for i := range v {
			f, err := b.number(i)
			if err != nil || math.Abs(f) > 360 {
				return nil
			}
			v[i] = f
		}
		return &Area{Name: u.child("AREA").text(0), South: v[0], West: v[1], North: v[2], East: v[3]}
	}
	return nil
}
