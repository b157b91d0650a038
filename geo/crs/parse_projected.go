package crs

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// fromProjected reads a projected system of any dialect.
func fromProjected(n *node) (*CRS, error) {
	on := n.child("GEOGCS", "BASEGEOGCRS", "BASEGEODCRS", "GEOGCRS", "GEODCRS")
	if on == nil {
		return nil, fmt.Errorf("%s[%q] has no geographic system", n.key, n.text(0))
	}
	g, err := readGeodetic(on)
	if err != nil {
		return nil, err
	}
	unit, err := readLengthUnit(n)
	if err != nil {
		return nil, err
	}
	var m int
	var p params
	if conv := n.child("CONVERSION"); conv != nil {
		m, p, err = readConversion(conv, g.unit, unit)
	} else {
		m, p, err = readProjection(n, g.unit, unit)
	}
	if err != nil {
		return nil, err
	}
	if m == methodPseudo && g.dat.code == 0 && g.dat.ellipsoid.F == 0 {
		// The old definition on a sphere: its longitudes and latitudes were
		// WGS 84's all along.
		t := epsg()
		g.dat = t.datums[6326]
		g.frame = t.frame(g.dat)
	}
	if m == methodLCC2SP && p.has[k0] && p.v[k0] != 1 {
		m = methodLCCMichigan
	}
	c := &CRS{
		Name: n.text(0), Datum: g.dat.name, Projected: true, Unit: Unit{Name: unitName(unit, true), Factor: unit},
		Axes: readAxes(n), frame: g.frame, meridian: g.meridian, margin: marginOf(m, p), base: g.base(on), method: m,
	}
	if m == methodTMSouth {
		c.Axes = WestSouth
	}
	if err := p.complete(m); err != nil {
		return nil, err
	}
	c.params = p
	if c.projection, err = build(m, p, g.dat.ellipsoid, g.meridian); err != nil {
		return nil, fmt.Errorf("%s[%q]: %w", n.key, n.text(0), err)
	}
	if t := epsg(); g.dat.code != 0 && g.dat.meridian == g.meridian {
		c.identified(t, t.identify(g.dat, m, p, unit, readCode(n), c.Name))
	}
	return c.finish(n), nil
}

// readCode returns the EPSG code a definition gives for itself, 0 without.
func readCode(n *node) int {
	for _, id := range n.children("AUTHORITY", "ID") {
		if code, err := strconv.Atoi(id.text(1)); err == nil && strings.EqualFold(id.text(0), "EPSG") {
			return webMercator(code)
		}
	}
	return 0
}

// readLengthUnit returns metres per unit of a projected system.
func readLengthUnit(n *node) (float64, error) {
	u := n.child("LENGTHUNIT", "UNIT")
	if u == nil {
		if ax := n.child("AXIS"); ax != nil {
			u = ax.child("LENGTHUNIT", "UNIT")
		}
	}
	if u == nil {
		return 0, fmt.Errorf("%s[%q] names no unit of length", n.key, n.text(0))
	}
	return lengthUnit(u)
}

// complete fills in what a definition may leave out and refuses one that
// lacks more.
func (p *params) complete(m int) error {
	for r, v := range map[role]float64{k0: 1, fe: 0, fn: 0} {
		if !p.has[r] {
			p.v[r] = v
		}
	}
	if m == methodHotineA || m == methodHotineB {
		if !p.has[gamma] && p.has[azimuth] {
			p.set(gamma, p.v[azimuth])
		}
	}
	for _, r := range epsg().methods[m].roles {
		switch {
		case p.has[r], r == k0, r == fe, r == fn:
		case r == lat0 && (m == methodMercatorA || m == methodPseudo): // the equator by definition
		default:
			return fmt.Errorf("%s without its %s", epsg().methods[m].name, roleNames[r])
		}
	}
	return nil
}

var roleNames = [nRoles]string{
	"latitude of origin", "longitude of origin", "first standard parallel", "second standard parallel",
	"scale factor", "false easting", "false northing", "azimuth", "rectified grid angle",
}

// readConversion reads WKT 2's CONVERSION; angle and length are the units of
// parameters that name none.
func readConversion(n *node, angle, length float64) (int, params, error) {
	var p params
	met := n.child("METHOD", "PROJECTION")
	if met == nil {
		return 0, p, fmt.Errorf("CONVERSION[%q] names no method", n.text(0))
	}
	t := epsg()
	m := t.byMethod[key(met.text(0))]
	if id := met.child("ID"); id != nil && strings.EqualFold(id.text(0), "EPSG") {
		for _, known := range t.methods {
			if id.text(1) == fmt.Sprint(known.code) {
				m = known
			}
		}
	}
	if m == nil {
		return 0, p, fmt.Errorf("projection %q: %w", met.text(0), ErrUnsupported)
	}
	for _, q := range n.children("PARAMETER") {
		r, ok := t.byRole[key(q.text(0))]
		if id := q.child("ID"); !ok && id != nil {
			for code, role := range roleOfCode {
				if id.text(1) == fmt.Sprint(code) {
					r, ok = role, true
				}
			}
		}
		if !ok {
			return 0, p, fmt.Errorf("parameter %q of projection %q: %w", q.text(0), m.name, ErrUnsupported)
		}
		v, err := q.number(1)
		if err != nil {
			return 0, p, err
		}
		f, err := parameterUnit(q, r, angle, length)
		if err != nil {
			return 0, p, err
		}
		p.set(r, v*f)
	}
	return m.code, p, nil
}

// parameterUnit returns degrees, metres or unity per unit of a parameter.
func parameterUnit(q *node, r role, angle, length float64) (float64, error) {
	switch r {
	case k0:
		if u := q.child("SCALEUNIT", "UNIT"); u != nil {
			return u.number(1)
		}
		return 1, nil
	case fe, fn:
		if u := q.child("LENGTHUNIT", "UNIT"); u != nil {
			return lengthUnit(u)
		}
		return length, nil
	}
	if u := q.child("ANGLEUNIT", "UNIT"); u != nil {
		return angleUnit(u)
	}
	return angle, nil
}

// wkt1Roles maps WKT 1 parameter names; where one name does two jobs,
// readProjection sorts it out.
var wkt1Roles = map[string]role{
	"latitudeoforigin": lat0, "latitudeofcenter": lat0, "latitudeofcentre": lat0,
	"centralmeridian": lon0, "longitudeoforigin": lon0, "longitudeofcenter": lon0, "longitudeofcentre": lon0,
	"standardparallel1": lat1, "standardparallel2": lat2, "scalefactor": k0, "falseeasting": fe, "falsenorthing": fn,
	"azimuth": azimuth, "rectifiedgridangle": gamma, "xyplanerotation": gamma,
}

// wkt1Methods maps the projection names of OGC WKT 1 and of ESRI.
var wkt1Methods = map[string]int{
	"transversemercator": methodTM, "gausskruger": methodTM, "transversemercatorsouthorientated": methodTMSouth,
	"lambertconformalconic": methodLCC1SP, "lambertconformalconic1sp": methodLCC1SP, "lambertconformalconic2sp": methodLCC2SP,
	"lambertconformalconic2spbelgium": methodLCCBelgium,
	"mercator":                        methodMercatorA, "mercator1sp": methodMercatorA, "mercator2sp": methodMercatorB,
	"mercatorvarianta": methodMercatorA, "mercatorvariantb": methodMercatorB,
	"mercatorauxiliarysphere": methodPseudo, "popularvisualisationpseudomercator": methodPseudo,
	"obliquestereographic": methodOblique, "doublestereographic": methodOblique,
	"polarstereographic": methodPolarA, "stereographicnorthpole": methodPolarB, "stereographicsouthpole": methodPolarB,
	"polarstereographicvarianta": methodPolarA, "polarstereographicvariantb": methodPolarB, "polarstereographicvariantc": methodPolarC,
	"albers": methodAlbers, "albersconicequalarea": methodAlbers, "albersequalareaconic": methodAlbers,
	"lambertazimuthalequalarea": methodAzimuthal, "newzealandmapgrid": methodNZMG,
	"hotineobliquemercator": methodHotineA, "hotineobliquemercatorazimuthnaturalorigin": methodHotineA,
	"rectifiedskeworthomorphicnaturalorigin": methodHotineA,
	"hotineobliquemercatorazimuthcenter":     methodHotineB, "obliquemercator": methodHotineB,
	"rectifiedskeworthomorphiccenter": methodHotineB, "swissobliquecylindrical": methodHotineB, "swissobliquemercator": methodHotineB,
}

// readProjection reads PROJECTION and PARAMETERs of WKT 1, whose angles are in
// the unit of the geographic system and lengths in that of the projected one.
func readProjection(n *node, angle, length float64) (int, params, error) {
	var p params
	name := n.child("PROJECTION").text(0)
	m, ok := wkt1Methods[key(name)]
	if known := epsg().byMethod[key(name)]; !ok && known != nil {
		m, ok = known.code, true // writers without a name of their own for a method use EPSG's
	}
	if !ok {
		return 0, p, fmt.Errorf("projection %q: %w", name, ErrUnsupported)
	}
	for _, q := range n.children("PARAMETER") {
		v, err := q.number(1)
		if err != nil {
			return 0, p, err
		}
		k := key(q.text(0))
		r, ok := wkt1Roles[k]
		if !ok { // as above
			r, ok = epsg().byRole[k]
		}
		switch {
		case k == "auxiliaryspheretype" && v == 0 && m == methodPseudo:
			continue
		case !ok:
			return 0, p, fmt.Errorf("parameter %q = %v of projection %q: %w", q.text(0), v, name, ErrUnsupported)
		case r == fe || r == fn:
			v *= length
		case r != k0:
			v *= angle
		}
		p.set(r, v)
	}
	m, err := p.sort(m, key(name))
	if err != nil {
		return 0, p, err
	}
	if isPseudo(n, m) {
		p.v[lat1], p.has[lat1] = 0, false
		return methodPseudo, p, nil
	}
	return m, p, nil
}

// sort tells apart the methods that share a name in WKT 1 and moves
// parameters to the role they play in EPSG's method.
func (p *params) sort(m int, name string) (int, error) {
	move := func(from, to role) {
		if p.has[from] && !p.has[to] {
			p.set(to, p.v[from])
		}
		p.v[from], p.has[from] = 0, false
	}
	switch {
	case name == "lambertconformalconic" && p.has[lat2]:
		return methodLCC2SP, nil
	case m == methodLCC1SP && p.has[lat1]:
		if p.has[lat0] && math.Abs(p.v[lat0]-p.v[lat1]) > 1e-9 { // one parallel, origin elsewhere
			p.set(lat2, p.v[lat1])
			return methodLCC2SP, nil
		}
		move(lat1, lat0)
	case m == methodMercatorA && p.has[lat1] && p.v[lat1] != 0:
		p.v[lat0], p.has[lat0] = 0, false
		return methodMercatorB, nil
	case m == methodMercatorA:
		p.v[lat1], p.has[lat1] = 0, false
	case m == methodMercatorB:
		p.v[lat0], p.has[lat0] = 0, false
		if p.has[lat1] && p.v[lat1] == 0 { // true scale on the equator: variant A with scale 1
			p.v[lat1], p.has[lat1] = 0, false
			p.set(k0, 1)
			return methodMercatorA, nil
		}
	case name == "polarstereographic" && math.Abs(p.v[lat0]) != 90:
		if p.has[k0] && p.v[k0] != 1 {
			return 0, fmt.Errorf("polar stereographic with both a standard parallel and a scale factor: %w", ErrUnsupported)
		}
		move(lat0, lat1)
		return methodPolarB, nil
	case m == methodPolarB:
		if !p.has[lat1] {
			move(lat0, lat1)
		}
		p.v[lat0], p.has[lat0] = 0, false
	case strings.HasPrefix(name, "swiss"):
		p.set(azimuth, 90)
	case m == methodPseudo:
		if p.v[lat1] != 0 {
			return 0, fmt.Errorf("web Mercator with standard parallel %v: %w", p.v[lat1], ErrUnsupported)
		}
	}
	return m, nil
}

// isPseudo recognises web Mercator where WKT 1 writes it as Mercator: by the
// PROJ string beside it, by its code or by its sphere.
func isPseudo(n *node, m int) bool {
	if m != methodMercatorA && m != methodMercatorB {
		return false
	}
	for _, x := range n.children("EXTENSION") {
		s := x.text(1) + " "
		if strings.Contains(s, "+proj=merc ") && strings.Contains(s, "+a=6378137 ") && strings.Contains(s, "+b=6378137 ") ||
			strings.Contains(s, "+proj=webmerc ") {
			return true
		}
	}
	if readCode(n) == 3857 {
		return true
	}
	g := n.child("GEOGCS")
	if e, err := readEllipsoid(g.child("DATUM", "GEODETICDATUM")); err == nil {
		return e.F == 0 && e.A == 6378137
	}
	return false
}
