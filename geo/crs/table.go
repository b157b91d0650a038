package crs

import (
	"cmp"
	"compress/gzip"
	"embed"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"holdfast/geo"
)

// The two great tables are packed, which keeps the program small.
//
//go:embed table/*.tsv table/*.tsv.gz
var tableFiles embed.FS

// tableText returns a table as it was written by gen.
func tableText(name string) (string, error) {
	plain, err := tableFiles.ReadFile("table/" + name + ".tsv")
	if err == nil {
		return string(plain), nil
	}
	packed, err := tableFiles.Open("table/" + name + ".tsv.gz")
	if err != nil {
		return "", err
	}
	defer packed.Close()
	z, err := gzip.NewReader(packed)
	if err != nil {
		return "", err
	}
	plain, err = io.ReadAll(z)
	return string(plain), err
}

// table is the embedded part of the EPSG dataset; see gen for the columns.
type table struct {
	ellipsoids map[int]geo.Ellipsoid
	spheroids  map[int]string // names of the ellipsoids
	datums     map[int]*datum
	byName     map[string]*datum
	areas      map[int]*Area
	shifts     map[int][]Shift // by datum, best first
	methods    map[int]*method
	byMethod   map[string]*method
	byRole     map[string]role // by parameter name
	geographic map[int]*definition
	projected  map[int]*definition
}

type datum struct {
	code      int
	name      string
	esri      string // ESRI's name, "" when not known
	spheroid  string // name of the ellipsoid
	ellipsoid geo.Ellipsoid
	meridian  float64 // degrees
	frame     int     // the datum that owns the shifts
}

// method is a projection method and the roles of its parameters in order.
type method struct {
	code  int
	name  string
	roles []role
	names []string // of the parameters
}

// definition is a row of the geographic or the projected table.
type definition struct {
	code   int
	name   string
	base   int // datum of a geographic, geographic system of a projected one
	method int // 0 for a geographic system
	params params
	unit   float64
	axes   Axes
	area   int
	high   bool   // a geographic system with heights
	esri   string // ESRI's name where the definition alone does not tell
}

// epsg returns the table, read on first use. The files are part of the
// binary, so a fault in them is a fault of the build, found by every test.
var epsg = sync.OnceValue(func() *table {
	t := &table{
		ellipsoids: map[int]geo.Ellipsoid{}, spheroids: map[int]string{}, datums: map[int]*datum{}, byName: map[string]*datum{}, areas: map[int]*Area{},
		shifts: map[int][]Shift{}, methods: map[int]*method{}, byMethod: map[string]*method{}, byRole: map[string]role{},
		geographic: map[int]*definition{}, projected: map[int]*definition{},
	}
	for _, f := range []struct {
		name string
		read func(cells []string)
	}{
		{"area", t.readArea},
		{"ellipsoid", t.readEllipsoid},
		{"datum", t.readDatum},
		{"shift", t.readShift},
		{"method", t.readMethod},
		{"geographic", t.readGeographic},
		{"projected", t.readProjected},
	} {
		text, err := tableText(f.name)
		if err != nil {
			panic(err)
		}
		for line := range strings.Lines(text) {
			f.read(strings.Split(strings.TrimSuffix(line, "\n"), "\t"))
		}
	}
	for _, s := range t.shifts {
		slices.SortStableFunc(s, func(a, b Shift) int {
			if a.Stated != b.Stated {
				if a.Stated {
					return -1
				}
				return 1
			}
			return cmp.Or(cmp.Compare(a.Accuracy, b.Accuracy), cmp.Compare(a.area.size(), b.area.size()))
		})
	}
	return t
})

func atoi(s string) int {
	n, err := strconv.Atoi(s)
	if err != nil {
		panic("crs table: " + err.Error())
	}
	return n
}

func atof(s string) float64 {
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic("crs table: " + err.Error())
	}
	return f
}

func (t *table) readArea(c []string) {
	t.areas[atoi(c[0])] = &Area{Name: c[5], West: atof(c[1]), South: atof(c[2]), East: atof(c[3]), North: atof(c[4])}
}

func (t *table) readEllipsoid(c []string) {
	t.ellipsoids[atoi(c[0])], t.spheroids[atoi(c[0])] = newEllipsoid(atof(c[2]), atof(c[3])), c[1]
}

// newEllipsoid takes the semi-major axis in metres and 1/f, 0 for a sphere.
func newEllipsoid(a, rf float64) geo.Ellipsoid {
	if rf == 0 {
		return geo.Ellipsoid{A: a}
	}
	return geo.Ellipsoid{A: a, F: 1 / rf}
}

func (t *table) readDatum(c []string) {
	d := &datum{
		code: atoi(c[0]), name: c[1], spheroid: t.spheroids[atoi(c[2])], ellipsoid: t.ellipsoids[atoi(c[2])],
		meridian: atof(c[3]), frame: atoi(c[4]),
	}
	t.datums[d.code] = d
	for _, n := range append([]string{c[1]}, strings.Split(c[5], "|")...) {
		if d.esri == "" && strings.Contains(n, "_") && !strings.Contains(n, " ") { // ESRI's spelling
			d.esri = "D_" + strings.TrimPrefix(n, "D_")
		}
		// The first to claim a name keeps it, but one counted from Greenwich
		// goes before one that is not.
		k := datumKey(n)
		if old := t.byName[k]; k != "" && (old == nil || (old.meridian != 0 && d.meridian == 0)) {
			t.byName[k] = d
		}
	}
}

func (t *table) readShift(c []string) {
	s := Shift{Name: c[2], Stated: c[3] != "", area: t.areas[atoi(c[4])]}
	if c[1] != "" {
		s.Code = "EPSG:" + c[1]
	}
	if s.Stated {
		s.Accuracy = geo.Length(atof(c[3]))
	}
	if c[5] != "" {
		var p [7]float64
		for i, v := range strings.Split(c[5], ",") {
			p[i] = atof(v)
		}
		s.h = newHelmert(p)
	}
	t.shifts[atoi(c[0])] = append(t.shifts[atoi(c[0])], s)
}

func (t *table) readMethod(c []string) {
	m := &method{code: atoi(c[0]), name: c[1]}
	for p := range strings.SplitSeq(c[2], "|") {
		code, name, _ := strings.Cut(p, "=")
		r := roleOfCode[atoi(code)]
		m.roles, m.names = append(m.roles, r), append(m.names, name)
		t.byRole[key(name)] = r
	}
	t.methods[m.code] = m
	t.byMethod[key(m.name)] = m
}

var axesOf = map[string]Axes{"en": EastNorth, "ne": NorthEast, "ws": WestSouth}

func (t *table) readGeographic(c []string) {
	code := atoi(c[0])
	t.geographic[code] = &definition{code: code, name: c[1], base: atoi(c[2]), unit: atof(c[3]), axes: axesOf[c[4]], area: optional(c[5]), high: c[6] != ""}
}

func (t *table) readProjected(c []string) {
	d := &definition{code: atoi(c[0]), name: c[1], base: atoi(c[2]), method: atoi(c[3]), unit: atof(c[5]), axes: axesOf[c[6]], area: optional(c[7]), esri: c[8]}
	roles := t.methods[d.method].roles
	for i, v := range strings.Split(c[4], ",") {
		d.params.set(roles[i], atof(v))
	}
	t.projected[d.code] = d
}

func optional(s string) int {
	if s == "" {
		return 0
	}
	return atoi(s)
}

// frame returns the frame of a datum of the table.
func (t *table) frame(d *datum) frame {
	return frame{datum: d.frame, e: d.ellipsoid, shifts: t.shifts[d.frame]}
}

// ByEPSG returns the system with an EPSG code. Of a geographic system with
// heights, such as EPSG:4979, it is the horizontal part: heights do not pass
// through this package. It fails with ErrUnknown.
func ByEPSG(code int) (*CRS, error) {
	t := epsg()
	d, ok := t.projected[code]
	if !ok {
		d, ok = t.geographic[code]
	}
	if !ok {
		return nil, fmt.Errorf("look up EPSG:%d: %w; it may be deprecated, vertical, or of a projection that is not built", code, ErrUnknown)
	}
	b := d
	if d.method != 0 {
		b = t.geographic[d.base]
	}
	dat := t.datums[b.base]
	c := &CRS{
		Name: d.name, Code: "EPSG:" + strconv.Itoa(code), Datum: dat.name, Projected: d.method != 0,
		Unit: Unit{Name: unitName(d.unit, d.method != 0), Factor: d.unit}, Axes: d.axes, Area: t.areas[d.area],
		meridian: dat.meridian, margin: marginOf(d.method, d.params),
		base:   base{name: b.name, code: b.code, datum: dat, unit: b.unit},
		method: d.method, params: d.params,
	}
	if b.high { // the text of a system says nothing of heights
		c.base.code = t.identifyGeographic(dat, b.unit, 0)
	}
	c.frame = t.frame(dat).within(c.Area)
	if d.method != 0 {
		var err error
		if c.projection, err = build(d.method, d.params, dat.ellipsoid, dat.meridian); err != nil {
			return nil, fmt.Errorf("build EPSG:%d: %w", code, err)
		}
	}
	return c, nil
}

// marginOf returns the margin of a projection method, 0 for none.
func marginOf(method int, p params) margin {
	if method == methodTM && p.v[k0] == 0.9996 {
		return zoneMargin
	}
	return gridMargin
}

// identify returns the projected systems of the table that have the datum,
// method, parameters and unit given. Several may share them, as New Jersey and
// New York East do, or two axis orders of one grid: a code or a name given in
// the definition then decides, and easting-first axes come first.
func (t *table) identify(dat *datum, m int, p params, unit float64, code int, name string) []*definition {
	var found []*definition
	for _, d := range t.projected {
		if d.method == m && math.Abs(d.unit/unit-1) < 1e-7 && t.geographic[d.base].base == dat.code && d.params.like(p) {
			found = append(found, d)
		}
	}
	slices.SortFunc(found, func(a, b *definition) int { return cmp.Or(cmp.Compare(a.axes, b.axes), cmp.Compare(a.code, b.code)) })
	for _, d := range found {
		if d.code == code {
			return []*definition{d}
		}
	}
	for _, d := range found {
		if k := key(name); k == key(d.name) || (d.esri != "" && k == key(d.esri)) {
			return []*definition{d}
		}
	}
	return found
}

// identified gives a projected system the code and area of what identify
// found. Of several with different areas none is named, and the area holds
// them all.
func (c *CRS) identified(t *table, found []*definition) {
	if len(found) == 0 {
		return
	}
	area := *t.areas[found[0].area]
	for _, d := range found[1:] {
		if d.area != found[0].area {
			area = area.join(t.areas[d.area])
		}
	}
	c.Area = &area
	if area == *t.areas[found[0].area] {
		c.Code = fmt.Sprintf("EPSG:%d", found[0].code)
	}
}

// identifyGeographic returns the code of the geographic system with a datum
// and unit, 0 without; code decides between several.
func (t *table) identifyGeographic(dat *datum, unit float64, code int) int {
	best := 0
	for c, d := range t.geographic {
		if d.base != dat.code || math.Abs(d.unit/unit-1) > 1e-9 {
			continue
		}
		if c == code {
			return c
		}
		if !d.high && (best == 0 || c < best) {
			best = c
		}
	}
	return best
}

// key reduces a name to lower-case letters and digits, so that the spellings
// "Transverse_Mercator" and "Transverse Mercator" meet.
func key(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '+':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return -1
	}, s)
}

// datumKey also drops the D_ of ESRI's datum names and the word ensemble.
func datumKey(s string) string {
	return strings.TrimSuffix(key(strings.TrimPrefix(s, "D_")), "ensemble")
}

// unitName names the units that occur; a factor has no other name here.
func unitName(factor float64, projected bool) string {
	if !projected {
		switch factor {
		case 1:
			return "degree"
		case 0.9:
			return "grad"
		}
		return fmt.Sprintf("%g degree", factor)
	}
	switch factor {
	case 1:
		return "metre"
	case 0.3048:
		return "foot"
	case 1200.0 / 3937:
		return "US survey foot"
	case 1000:
		return "kilometre"
	}
	return fmt.Sprintf("%g metre", factor)
}
