package magnetic

import (
	"fmt"
	"math"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// referenceRadius is the geomagnetic reference radius a in metres (Technical
// Report).
const referenceRadius = 6371200

// The model is stated for heights from 1 km below the ellipsoid to 850 km
// above it (Technical Report).
const (
	minHeight geo.Length = -1 * geo.Kilometre
	maxHeight geo.Length = 850 * geo.Kilometre
)

// The one-sigma uncertainty of a WMM2025 declination is
// √(0.26² + (5417/H)²) degrees, H in nT (Technical Report, error model).
// It holds the crust's local anomalies as a world average, not iron nearby.
const (
	errorConstant = 0.26
	errorPerH     = 5417
)

// Zone says how far a compass can be trusted by the strength of the
// horizontal field (Technical Report).
type Zone int

const (
	// Normal is H of 6000 nT or more.
	Normal Zone = iota
	// Caution is 2000 ≤ H < 6000 nT: a compass may become inaccurate.
	Caution
	// Blackout is H < 2000 nT: a compass is unreliable.
	Blackout
)

func (z Zone) String() string { return [...]string{"normal", "caution", "blackout"}[z] }

const (
	cautionSentence  = "The horizontal magnetic field is weak here (caution zone): a compass may be off by several degrees."
	blackoutSentence = "The horizontal magnetic field is too weak for a compass here (blackout zone): do not use magnetic bearings."
)

// Elements are the seven elements of the field.
type Elements struct {
	X, Y, Z float64   // north, east and down, nT
	H, F    float64   // horizontal and total intensity, nT
	I, D    geo.Angle // inclination, down positive; declination, east positive
}

// Field is the modelled field at one place and date.
type Field struct {
	Elements
	// Change is the change of each element in a year.
	Change Elements
	// DeclinationError is the published one-sigma uncertainty of D, at most 180°.
	DeclinationError geo.Angle
	Zone             Zone
	// Valid is false when D must not be used to set a compass: the date is
	// outside the model's years, or the place is in the blackout zone.
	Valid bool
	// Doubt says in plain words what makes the values doubtful or invalid; it
	// is empty when nothing does, and must be shown when it is not.
	Doubt string
}

// True turns a compass reading, degrees clockwise from magnetic north, into a
// bearing.
func (f Field) True(magneticDegrees float64) geo.Bearing {
	return geo.NewBearing(magneticDegrees + f.D.Degrees())
}

// Magnetic returns the compass reading of a bearing, degrees clockwise from
// magnetic north, 0 ≤ d < 360.
func (f Field) Magnetic(b geo.Bearing) float64 {
	return geo.NewBearing(b.Degrees() - f.D.Degrees()).Degrees()
}

// term is one summand of the spherical harmonic series with the two factors
// of the recursion P(n,m) = a cosθ P(n-1,m) - b P(n-2,m).
type term struct {
	coefficient
	a, b float64
}

// Epoch is a model brought to one date. It is immutable and safe for
// concurrent use; take it once for many points of one date.
type Epoch struct {
	terms    [terms]term // by order m, then degree n ≥ m
	diagonal [degree + 1]float64
	valid    bool
	doubt    string
}

// On brings the model to the calendar date of t. Outside the model's years
// every Field of the Epoch is marked invalid and says so.
func (m *Model) On(t time.Time) *Epoch { return m.OnYear(DecimalYear(t)) }

// OnYear brings the model to a decimal year, as published tables give it; see
// On.
func (m *Model) OnYear(year float64) *Epoch {
	from, until := m.Valid()
	e := &Epoch{valid: year >= from && year < until}
	if !e.valid {
		e.doubt = fmt.Sprintf("The date (year %.2f) is outside %.1f to %.1f, for which the magnetic model %s is made: the declination is extrapolated and must not be used.",
			year, from, until, m.name)
	}
	i := 0
	for o := 0; o <= degree; o++ {
		for n := o; n <= degree; n++ {
			c := m.coef[o][n]
			c.g += (year - m.epoch) * c.gDot
			c.h += (year - m.epoch) * c.hDot
			e.terms[i] = term{coefficient: c}
			if n > o {
				root := math.Sqrt(float64(n*n - o*o))
				e.terms[i].a = float64(2*n-1) / root
				e.terms[i].b = math.Sqrt(float64((n-1)*(n-1)-o*o)) / root
			}
			i++
		}
		e.diagonal[o] = 1
		if o > 1 {
			e.diagonal[o] = math.Sqrt(float64(2*o-1) / float64(2*o))
		}
	}
	return e
}

// At returns the field at p (longitude, latitude, degrees) at a height above
// the WGS 84 ellipsoid on the calendar date of t. A height above sea level
// differs by at most about 100 m, which does not show in a declination. A
// date outside the model's years gives an extrapolated Field marked invalid;
// an error means that there is no such place.
func (m *Model) At(p orb.Point, height geo.Length, t time.Time) (Field, error) {
	return m.On(t).At(p, height)
}

// At returns the field at p (longitude, latitude, degrees) at a height above
// the WGS 84 ellipsoid; see Model.At. At a geographic pole north and east are
// those of the meridian of p's longitude, so D depends on that longitude.
func (e *Epoch) At(p orb.Point, height geo.Length) (Field, error) {
	if err := check(p, height); err != nil {
		return Field{}, fmt.Errorf("evaluate magnetic model: %w", err)
	}
	f := Field{Valid: e.valid, Doubt: e.doubt}
	v, dot := e.sum(p.Lat()*math.Pi/180, p.Lon()*math.Pi/180, height.Metres())
	f.Elements, f.Change = elements(v, dot)
	f.DeclinationError = geo.Degrees(min(180, math.Hypot(errorConstant, errorPerH/f.H)))
	switch {
	case f.H < 2000:
		f.Zone, f.Valid, f.Doubt = Blackout, false, join(f.Doubt, blackoutSentence)
	case f.H < 6000:
		f.Zone, f.Doubt = Caution, join(f.Doubt, cautionSentence)
	}
	return f, nil
}

func check(p orb.Point, height geo.Length) error {
	if !(math.Abs(p.Lat()) <= 90) {
		return fmt.Errorf("latitude %v° is not between -90 and 90", p.Lat())
	}
	if !(math.Abs(p.Lon()) <= 360) {
		return fmt.Errorf("longitude %v° is not between -360 and 360", p.Lon())
	}
	if !(height >= minHeight && height <= maxHeight) {
		return fmt.Errorf("height %v is not between %v and %v", height, minHeight, maxHeight)
	}
	return nil
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + " " + b
}

// vector is north, east, down.
type vector struct{ x, y, z float64 }

// sum evaluates the field and its annual change at a geodetic position,
// radians and metres.
//
// The associated Legendre functions of order m ≥ 1 all hold the factor cosφ';
// the recursion runs on the functions without it, so that the east component,
// which divides by cosφ', has no singularity at the poles.
func (e *Epoch) sum(lat, lon, height float64) (field, change vector) {
	sinLat, cosLat := math.Sincos(lat)
	e2 := geo.WGS84.E2()
	rc := geo.WGS84.A / math.Sqrt(1-e2*sinLat*sinLat)
	axial, radial := (rc*(1-e2)+height)*sinLat, (rc+height)*cosLat
	r := math.Hypot(axial, radial)
	c, s := axial/r, radial/r // sine and cosine of the geocentric latitude φ'

	var ratio [degree + 1]float64 // (a/r)^(n+2)
	q := referenceRadius / r
	for n, v := 0, q*q; n <= degree; n++ {
		ratio[n] = v
		v *= q
	}

	sinLon, cosLon := math.Sincos(lon)
	sinM, cosM := 0.0, 1.0 // of mλ
	start, startDot := 1.0, 0.0
	i := 0
	for m := 0; m <= degree; m++ {
		// p is P(n,m) without its factor cosφ' for m ≥ 1; dp is the derivative
		// of the whole P(n,m) by colatitude.
		factor := s
		switch m {
		case 0:
			factor = 1
		case 1:
			start, startDot = 1, c
		default:
			k := e.diagonal[m]
			start, startDot = k*s*start, k*(s*startDot+c*s*start)
		}
		p, p1, dp, dp1 := start, 0.0, startDot, 0.0
		// down, north and east sums: of g and h, and of their change.
		var dg, dh, ng, nh, eg, eh float64
		var dgDot, dhDot, ngDot, nhDot, egDot, ehDot float64
		for n := m; n <= degree; n++ {
			t := &e.terms[i]
			i++
			if n > m {
				p, p1, dp, dp1 = t.a*c*p-t.b*p1, p, t.a*(c*dp-s*factor*p)-t.b*dp1, dp
			}
			w := ratio[n] * p
			d := w * float64(n+1)
			v := ratio[n] * dp
			dg, dh, dgDot, dhDot = dg+d*t.g, dh+d*t.h, dgDot+d*t.gDot, dhDot+d*t.hDot
			ng, nh, ngDot, nhDot = ng+v*t.g, nh+v*t.h, ngDot+v*t.gDot, nhDot+v*t.hDot
			eg, eh, egDot, ehDot = eg+w*t.g, eh+w*t.h, egDot+w*t.gDot, ehDot+w*t.hDot
		}
		field.x += ng*cosM + nh*sinM
		field.y += float64(m) * (eg*sinM - eh*cosM)
		field.z -= factor * (dg*cosM + dh*sinM)
		change.x += ngDot*cosM + nhDot*sinM
		change.y += float64(m) * (egDot*sinM - ehDot*cosM)
		change.z -= factor * (dgDot*cosM + dhDot*sinM)
		sinM, cosM = sinM*cosLon+cosM*sinLon, cosM*cosLon-sinM*sinLon
	}

	// from geocentric to geodetic axes: a turn by ψ = φ' - φ (Technical Report)
	sinPsi, cosPsi := c*cosLat-s*sinLat, s*cosLat+c*sinLat
	turn := func(v vector) vector {
		return vector{v.x*cosPsi - v.z*sinPsi, v.y, v.x*sinPsi + v.z*cosPsi}
	}
	return turn(field), turn(change)
}

// elements derives the seven elements and their annual change (Technical
// Report). At a dip pole, where H is zero, the change of H and D
// has no value and is NaN.
func elements(v, dot vector) (e, change Elements) {
	h := math.Hypot(v.x, v.y)
	f := math.Hypot(h, v.z)
	e = Elements{
		X: v.x, Y: v.y, Z: v.z, H: h, F: f,
		I: geo.Angle(math.Atan2(v.z, h)), D: geo.Angle(math.Atan2(v.y, v.x)),
	}
	hDot := (v.x*dot.x + v.y*dot.y) / h
	change = Elements{
		X: dot.x, Y: dot.y, Z: dot.z, H: hDot,
		F: (v.x*dot.x + v.y*dot.y + v.z*dot.z) / f,
		I: geo.Angle((h*dot.z - v.z*hDot) / (f * f)),
		D: geo.Angle((v.x*dot.y - v.y*dot.x) / (h * h)),
	}
	return e, change
}
