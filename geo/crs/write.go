package crs

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdfast/geo"
)

// Dialect is a form of well-known text.
type Dialect uint8

const (
	// OGC is WKT 1 (OGC 01-009) with the names that GIS libraries write, as it
	// stands in GeoPackages.
	OGC Dialect = iota
	// ESRI is the form of .prj files.
	ESRI
)

// parameter is a projection parameter under the name OGC's WKT 1 has for it.
type parameter struct {
	role role
	name string
}

var (
	latOrigin    = parameter{lat0, "latitude_of_origin"}
	latCenter    = parameter{lat0, "latitude_of_center"}
	lonMeridian  = parameter{lon0, "central_meridian"}
	lonCenter    = parameter{lon0, "longitude_of_center"}
	lonOrigin    = parameter{lon0, "longitude_of_origin"}
	parallel1    = parameter{lat1, "standard_parallel_1"}
	parallel2    = parameter{lat2, "standard_parallel_2"}
	trueScale    = parameter{lat1, "latitude_of_origin"}
	scaleFactor  = parameter{k0, "scale_factor"}
	falseEast    = parameter{fe, "false_easting"}
	falseNorth   = parameter{fn, "false_northing"}
	lineAzimuth  = parameter{azimuth, "azimuth"}
	gridAngle    = parameter{gamma, "rectified_grid_angle"}
	planeAngle   = parameter{gamma, "XY_Plane_Rotation"}
	hotine       = []parameter{latCenter, lonCenter, lineAzimuth, gridAngle, scaleFactor, falseEast, falseNorth}
	hotineESRI   = []parameter{falseEast, falseNorth, scaleFactor, lineAzimuth, lonCenter, latCenter, planeAngle}
	meridianGrid = []parameter{latOrigin, lonMeridian, scaleFactor, falseEast, falseNorth}
	conicGrid    = []parameter{latOrigin, lonMeridian, parallel1, parallel2, falseEast, falseNorth}
)

// form is how a dialect writes a projection method.
type form struct {
	name string
	list []parameter // nil: under EPSG's names
}

var ogcForms = map[int]form{
	methodTM:          {"Transverse_Mercator", meridianGrid},
	methodTMSouth:     {"Transverse_Mercator_South_Orientated", meridianGrid},
	methodLCC1SP:      {"Lambert_Conformal_Conic_1SP", meridianGrid},
	methodLCC2SP:      {"Lambert_Conformal_Conic_2SP", conicGrid},
	methodLCCBelgium:  {"Lambert_Conformal_Conic_2SP_Belgium", conicGrid},
	methodLCCMichigan: {"Lambert_Conic_Conformal_(2SP_Michigan)", nil},
	methodMercatorA:   {"Mercator_1SP", []parameter{lonMeridian, scaleFactor, falseEast, falseNorth}},
	methodMercatorB:   {"Mercator_2SP", []parameter{parallel1, lonMeridian, falseEast, falseNorth}},
	methodPseudo:      {"Mercator_1SP", []parameter{lonMeridian, scaleFactor, falseEast, falseNorth}},
	methodOblique:     {"Oblique_Stereographic", meridianGrid},
	methodPolarA:      {"Polar_Stereographic", meridianGrid},
	methodPolarB:      {"Polar_Stereographic", []parameter{trueScale, lonMeridian, falseEast, falseNorth}},
	methodNZMG:        {"New_Zealand_Map_Grid", []parameter{latOrigin, lonMeridian, falseEast, falseNorth}},
	methodHotineA:     {"Hotine_Oblique_Mercator", hotine},
	methodHotineB:     {"Hotine_Oblique_Mercator_Azimuth_Center", hotine},
	methodAzimuthal:   {"Lambert_Azimuthal_Equal_Area", []parameter{latCenter, lonCenter, falseEast, falseNorth}},
	methodAlbers:      {"Albers_Conic_Equal_Area", []parameter{latCenter, lonCenter, parallel1, parallel2, falseEast, falseNorth}},
}

// esriForms are those that differ from OGC's.
var esriForms = map[int]form{
	methodLCC1SP:      {"Lambert_Conformal_Conic", []parameter{falseEast, falseNorth, lonMeridian, parallel1, scaleFactor, latOrigin}},
	methodLCC2SP:      {"Lambert_Conformal_Conic", conicGrid},
	methodLCCMichigan: {"Lambert_Conformal_Conic", append([]parameter{scaleFactor}, conicGrid...)},
	methodMercatorA:   {"Mercator", []parameter{falseEast, falseNorth, lonMeridian, parallel1}},
	methodMercatorB:   {"Mercator", []parameter{falseEast, falseNorth, lonMeridian, parallel1}},
	methodPseudo:      {"Mercator_Auxiliary_Sphere", []parameter{falseEast, falseNorth, lonMeridian, parallel1}},
	methodOblique:     {"Double_Stereographic", meridianGrid},
	methodNZMG:        {"New_Zealand_Map_Grid", []parameter{falseEast, falseNorth, lonOrigin, latOrigin}},
	methodHotineA:     {"Rectified_Skew_Orthomorphic_Natural_Origin", hotineESRI},
	methodHotineB:     {"Rectified_Skew_Orthomorphic_Center", hotineESRI},
	methodAzimuthal:   {"Lambert_Azimuthal_Equal_Area", []parameter{falseEast, falseNorth, lonMeridian, latOrigin}},
	methodAlbers:      {"Albers", conicGrid},
}

// pseudoProj tells readers of OGC's WKT 1, which has no name for web Mercator,
// that it is meant.
const pseudoProj = "+proj=merc +a=6378137 +b=6378137 +lat_ts=0 +lon_0=0 +x_0=0 +y_0=0 +k=1 +units=m +nadgrids=@null +wktext +no_defs"

// WKT returns the system as well-known text on one line. The axes are left
// out: files in these dialects hold x before y whatever the authority's order.
// Parse reads the text as the same system; a datum shift is in it only where
// the definition the system came from had one, a grid never.
func (c *CRS) WKT(d Dialect) string {
	w := writer{dialect: d}
	if c.projection == nil {
		w.geographic(c, c.Name)
		return w.b.String()
	}
	w.projected(c)
	return w.b.String()
}

type writer struct {
	b       strings.Builder
	dialect Dialect
}

// name writes a keyword, its bracket and a name.
func (w *writer) name(keyword, name string) {
	w.b.WriteString(keyword + `["` + strings.ReplaceAll(name, `"`, `""`) + `"`)
}

// number writes a further argument; ESRI's numbers have a decimal point.
func (w *writer) number(v float64) {
	s := digits(v)
	if w.dialect == ESRI && !strings.Contains(s, ".") {
		s += ".0"
	}
	w.b.WriteString("," + s)
}

// digits writes a number with at most 15 significant digits, which is below a
// nanometre on the ground.
func digits(v float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'e', 14, 64), 64)
	if err != nil { // cannot be: it was written a moment ago
		rounded = v
	}
	return strconv.FormatFloat(rounded+0, 'f', -1, 64) // no minus sign before zero
}

func (w *writer) next() { w.b.WriteByte(',') }

func (w *writer) end() { w.b.WriteByte(']') }

// identify writes the EPSG code, which .prj files do not hold.
func (w *writer) identify(code int) {
	if w.dialect == OGC && code != 0 {
		fmt.Fprintf(&w.b, `,AUTHORITY["EPSG","%d"]`, code)
	}
}

func (w *writer) geographic(c *CRS, name string) {
	g := &c.base
	datumName, ellipsoid := plainName(g.datum.name), g.datum.spheroid
	if w.dialect == ESRI {
		datumName, ellipsoid = g.datum.esriName(), strings.ReplaceAll(plainName(ellipsoid), "WGS_84", "WGS_1984")
		if !strings.HasPrefix(name, "GCS_") {
			name = "GCS_" + plainName(strings.TrimPrefix(datumName, "D_"))
		}
	} else if g.datum.code == 6326 {
		datumName = "WGS_1984"
	}
	w.name("GEOGCS", name)
	w.next()
	w.name("DATUM", datumName)
	w.next()
	w.name("SPHEROID", ellipsoid)
	w.number(g.datum.ellipsoid.A)
	w.number(inverse(g.datum.ellipsoid.F))
	w.end()
	w.shift(c.frame)
	w.identify(g.datum.code)
	w.end()
	w.next()
	w.name("PRIMEM", g.meridianName(c.meridian))
	w.number(c.meridian)
	w.end()
	w.next()
	w.name("UNIT", w.unitName(unitName(g.unit, false)))
	w.number(g.unit * math.Pi / 180)
	w.end()
	w.identify(g.code)
	w.end()
}

// shift writes the shift to WGS 84 that came with a definition.
func (w *writer) shift(f frame) {
	if f.datum != 0 || len(f.shifts) == 0 {
		return
	}
	w.b.WriteString(",TOWGS84[")
	for i, v := range f.shifts[0].h.parameters() {
		if i > 0 {
			w.next()
		}
		w.b.WriteString(digits(v))
	}
	w.end()
}

func (w *writer) projected(c *CRS) {
	name := c.Name
	if w.dialect == ESRI {
		name = plainName(name)
	}
	w.name("PROJCS", name)
	w.next()
	w.geographic(c, c.base.name)
	w.conversion(c)
	w.next()
	w.name("UNIT", w.unitName(c.Unit.Name))
	w.number(c.Unit.Factor)
	w.end()
	if c.method == methodPseudo && w.dialect == OGC {
		w.b.WriteString(`,EXTENSION["PROJ4","` + pseudoProj + `"]`)
	}
	if code, err := strconv.Atoi(strings.TrimPrefix(c.Code, "EPSG:")); err == nil {
		w.identify(code)
	}
	w.end()
}

func (w *writer) conversion(c *CRS) {
	m, p := c.method, c.params
	if m == methodPolarC { // of which WKT 1 has no form: the same grid counted from the pole
		m = methodPolarB
		p.v[fn] += math.Copysign(parallelRadius(p.v[lat1], c.base.datum.ellipsoid), p.v[lat1])
	}
	f := ogcForms[m]
	if w.dialect == ESRI {
		if own, ok := esriForms[m]; ok {
			f = own
		}
		switch m {
		case methodLCC1SP:
			p.set(lat1, p.v[lat0])
		case methodMercatorA:
			if f = ogcForms[m]; p.v[k0] <= 1 {
				f = esriForms[m]
				p.set(lat1, parallelOf(p.v[k0], c.base.datum.ellipsoid))
			}
		}
	}
	if c.method == methodPseudo {
		p.set(k0, 1)
	}
	if f.list == nil {
		known := epsg().methods[m]
		for i, r := range known.roles {
			f.list = append(f.list, parameter{r, known.names[i]})
		}
	}
	w.next()
	w.name("PROJECTION", f.name)
	w.end()
	for _, q := range f.list {
		v := p.v[q.role]
		switch q.role {
		case fe, fn:
			v /= c.Unit.Factor
		case k0:
		default:
			v /= c.base.unit
		}
		w.argument(q.name, v)
	}
	if c.method == methodPseudo && w.dialect == ESRI {
		w.argument("auxiliary_sphere_type", 0)
	}
}

func (w *writer) argument(name string, v float64) {
	if w.dialect == ESRI {
		parts := strings.Split(name, "_")
		for i, s := range parts {
			parts[i] = strings.ToUpper(s[:1]) + s[1:]
		}
		name = strings.Join(parts, "_")
	}
	w.next()
	w.name("PARAMETER", name)
	w.number(v)
	w.end()
}

func (w *writer) unitName(name string) string {
	if w.dialect == OGC {
		return name
	}
	switch name {
	case "metre":
		return "Meter"
	case "foot":
		return "Foot"
	case "US survey foot":
		return "Foot_US"
	case "degree":
		return "Degree"
	case "grad":
		return "Grad"
	}
	return plainName(name)
}

// parallelOf returns the latitude in degrees at which a Mercator projection
// with a scale factor of at most one on the equator is true to scale.
func parallelOf(k float64, e geo.Ellipsoid) float64 {
	k *= k
	return math.Asin(math.Sqrt((1-k)/(1-e.E2()*k))) / radian
}

// meridianName is what stands in brackets behind the names of systems that do
// not count from Greenwich, such as "NTF (Paris)".
func (g *base) meridianName(meridian float64) string {
	if meridian == 0 {
		return "Greenwich"
	}
	for _, name := range []string{g.name, g.datum.name} {
		if i := strings.LastIndexByte(name, '('); i >= 0 {
			return strings.TrimSuffix(name[i+1:], ")")
		}
	}
	return "unknown"
}

// esriName is the name that ESRI has for the datum, or one like those it has.
func (d *datum) esriName() string {
	if d.esri != "" {
		return d.esri
	}
	return "D_" + plainName(strings.TrimPrefix(d.name, "D_"))
}

// parallelRadius returns the radius in metres of a parallel.
func parallelRadius(lat float64, e geo.Ellipsoid) float64 {
	s, c := math.Sincos(lat * radian)
	return e.A * c / math.Sqrt(1-e.E2()*s*s)
}

// inverse returns 1/f, 0 for a sphere.
func inverse(f float64) float64 {
	if f == 0 {
		return 0
	}
	return 1 / f
}

// plainName writes a name with letters, digits, plus and minus signs, other
// characters becoming one underscore.
func plainName(s string) string {
	var b strings.Builder
	gap := false
	for _, r := range s {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '+' || r == '-' || r > 127 {
			if gap && b.Len() > 0 {
				b.WriteByte('_')
			}
			b.WriteRune(r)
			gap = false
			continue
		}
		gap = gap || r != '\'' // M'poraloko is one word
	}
	return b.String()
}
