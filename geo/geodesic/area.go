package geodesic

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Area returns the signed area in m² and the length of the boundary of a ring
// of geodesics. A ring parts the ellipsoid in two and its inside is the
// smaller part; the area is positive if the ring runs counter-clockwise round
// it. A ring that crosses itself counts each part with its own sign. The ring
// may hold a pole or cross the antimeridian, and need not repeat its first
// point at the end. Fewer than three different points have area 0; an invalid
// point gives NaN.
//
// Round-off is at most about 0.1 m² for each side (Karney 2013, sec. 6), and
// below 1 cm² for sides of a few hundred metres.
func Area(ring orb.Ring) (area float64, perimeter geo.Length) {
	r := wgs84.enclosed(ring)
	return r.area, geo.Length(r.perimeter)
}

// extent is what a ring encloses.
type extent struct {
	area      float64 // m², in ±half the ellipsoid
	perimeter float64 // m
	northIn   bool    // the north pole is inside
}

func (w *spheroid) enclosed(ring orb.Ring) extent {
	if len(ring) == 0 {
		return extent{}
	}
	var sum, perimeter exactSum
	var turn float64 // eastward, degrees
	a := ring[len(ring)-1]
	if !valid(a) {
		return extent{area: math.NaN(), perimeter: math.NaN()}
	}
	for _, b := range ring {
		if !valid(b) {
			return extent{area: math.NaN(), perimeter: math.NaN()}
		}
		p := w.arrange(a[0], a[1], b[0], b[1])
		c := w.solve(&p)
		perimeter.add(c.s12)
		sum.add(-w.under(&p, &c))
		d, _ := angDiff(a[0], b[0])
		turn += d
		a = b
	}

	total := 4 * math.Pi * w.c2
	turns := math.RoundToEven(turn / 360) // round the axis
	odd := int(turns)&1 != 0
	if odd { // the sides add up to the area from the ring to the equator
		sum.add(-math.Copysign(total/2, sum.hi))
	}
	parts := math.RoundToEven(sum.hi / total)
	sum.add(-parts * total)
	return extent{
		area:      sum.hi + 0,
		perimeter: perimeter.hi,
		// Going east the north is on the left, as a positive area is.
		northIn: odd && (sum.hi > 0) == (turns > 0) || !odd && parts != 0,
	}
}

// under returns the area in m² between the geodesic c and the equator,
// positive if the geodesic runs east on the northern hemisphere (sec. 6).
func (w *spheroid) under(p *endpoints, c *course) float64 {
	sa0 := c.sa1 * p.cb1
	q := c.sa1 * p.sb1
	ca0 := math.Sqrt(c.ca1*c.ca1 + q*q)
	area, omg12 := 0.0, p.lam12
	if sa0 != 0 && ca0 != 0 {
		eps := expansion(ca0 * ca0 * w.ep2)
		ssig1, csig1 := p.sb1/ca0, c.ca1*p.cb1/ca0
		ssig2, csig2 := p.sb2/ca0, c.ca2*p.cb2/ca0
		k := w.seriesC4(eps)
		area = w.e2 * w.a * w.a * ca0 * sa0 *
			(cosSeries(ssig2, csig2, &k) - cosSeries(ssig1, csig1, &k))
		c3 := w.seriesC3(eps)
		b := sinSeries5(ssig2, csig2, &c3) - sinSeries5(ssig1, csig1, &c3)
		omg12 += w.f * sa0 * w.seriesA3(eps) * (c.sig12 + b) // eq. 8
	}
	area += w.c2 * c.excess(p, omg12)
	if p.swapped {
		area = -area
	}
	return area * p.lonSign * p.latSign
}

// excess returns α2 - α1 in radians, given the longitude difference on the
// auxiliary sphere, by the spherical excess (sec. 6) where that cancels less.
func (c *course) excess(p *endpoints, omg12 float64) float64 {
	if !c.meridional && omg12 < 2.35 && p.sb2-p.sb1 < 1.75 {
		somg, comg := math.Sincos(omg12)
		return 2 * math.Atan2(
			somg*(p.sb1*(1+p.cb2)+p.sb2*(1+p.cb1)),
			(1+comg)*(p.sb1*p.sb2+(1+p.cb1)*(1+p.cb2)))
	}
	s, k := c.sa2*c.ca1-c.ca2*c.sa1, c.ca2*c.ca1+c.sa2*c.sa1
	if s == 0 && k < 0 {
		s = tiny * c.ca1 // half a turn: its sense is that of going east
	}
	return math.Atan2(s, k)
}

// exactSum is a running sum kept to twice the working precision.
type exactSum struct{ hi, lo float64 }

func (s *exactSum) add(x float64) {
	hi, e := twoSum(s.hi, x)
	s.hi, s.lo = twoSum(hi, s.lo+e)
}
