package soil

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
)

// Spread is how far the inputs of a rig may be off.
type Spread struct {
	Cu        float64    // clay: coefficient of variation of the strength, log-normal about the given median
	TanPhi    float64    // sand: the same of tan φ
	Model     float64    // coefficient of variation of the model factor, log-normal of mean 1
	Yield     float64    // the steel may be up to this share stronger than given, evenly
	Embedment geo.Length // the stakes may be driven this much more or less, evenly
	RopeDown  geo.Length // the rope may be this much lower, or
	RopeUp    geo.Length // this much higher, evenly
	DeadTop   geo.Length // the loose top layer may be up to this much thicker, evenly
}

// UsualSpread returns the spread where the ground is known by class: strength
// 50 % (upper half of the 10-55 % that Phoon and Kulhawy 1999 report, from
// memory), tan φ 10 % (the same, from memory), model 25 % (assumed), steel
// between mild and cold-drawn, embedment ±40 mm, rope 1-4 in, a loose top of up
// to 6 in.
func UsualSpread() Spread {
	return Spread{
		Cu: 0.5, TanPhi: 0.1, Model: 0.25,
		Yield:     float64(ColdDrawnYield/MildYield) - 1,
		Embedment: 0.04,
		RopeDown:  1 * geo.Inch, RopeUp: 2 * geo.Inch,
		DeadTop: 6 * geo.Inch,
	}
}

// Range is the strength with its doubt: 5, 50 and 95 of 100 like rigs hold no
// more than Low, Median and High.
type Range struct {
	Low, Median, High survey.Force
}

// inputs is the number of uncertain inputs that are drawn; the doubt in the
// model is laid over them exactly.
const inputs = 5

// Draws is a fixed set of equally likely combinations of the uncertain inputs:
// even steps through the soil's strength, beside them the additive recurrence
// of Roberts (2018) in the other four. It fills the space more evenly than
// chance, and the same question always gets the same answer. Draws may be
// shared between goroutines.
type Draws struct {
	strength []float64 // standard normal
	even     [][inputs - 1]float64
}

// UsualDraws is enough for each figure of a Range to lie within about 4 % of
// that of a million draws.
const UsualDraws = 64

// NewDraws returns n draws, 8 to 1,000,000.
func NewDraws(n int) (*Draws, error) {
	if n < 8 || n > 1e6 {
		return nil, fmt.Errorf("make draws: %d: want 8 to 1,000,000", n)
	}
	// g is the root of g⁵ = g + 1, the golden ratio's kin for four dimensions.
	g := 1.1
	for range 60 {
		g = math.Pow(1+g, 1.0/inputs)
	}
	d := &Draws{strength: make([]float64, n), even: make([][inputs - 1]float64, n)}
	for k := range n {
		d.strength[k] = -math.Sqrt2 * math.Erfinv(1-(2*float64(k)+1)/float64(n))
		for i := range d.even[k] {
			_, d.even[k][i] = math.Modf(0.5 + float64(k+1)*math.Pow(g, -float64(i+1)))
		}
	}
	return d, nil
}

// logDeviation returns the standard deviation of the logarithm of a log-normal
// quantity of the given coefficient of variation.
func logDeviation(cov float64) float64 { return math.Sqrt(math.Log(1 + cov*cov)) }

func (s *Spread) validate() error {
	for _, v := range []struct {
		name     string
		is, most float64
	}{
		{"strength", s.Cu, 3},
		{"friction", s.TanPhi, 1},
		{"model", s.Model, 3},
		{"steel", s.Yield, 10},
		{"embedment", float64(s.Embedment), 10},
		{"rope down", float64(s.RopeDown), 10},
		{"rope up", float64(s.RopeUp), 10},
		{"loose top", float64(s.DeadTop), 10},
	} {
		if !within(v.is, 0, v.most) {
			return fmt.Errorf("spread of %s %g: want 0 to %g", v.name, v.is, v.most)
		}
	}
	return nil
}

// Range returns the 5-95 % range of a rig's strength: the limit equilibrium of
// NewCollapse over the draws, times a log-normal factor for the doubt in the
// model itself. A model doubt under 5 % counts as 5 %. A figure is 0 where
// the ground may lend no strength, as sand near its friction angle.
func (d *Draws) Range(r Rig, s Spread) (Range, error) {
	if err := r.validate(); err != nil {
		return Range{}, fmt.Errorf("range of rig: %w", err)
	}
	if err := s.validate(); err != nil {
		return Range{}, fmt.Errorf("range of rig: %w", err)
	}
	soil := logDeviation(s.Cu)
	if r.Ground.Kind == Sand {
		soil = logDeviation(s.TanPhi)
	}
	var m recursion
	logs := make([]float64, len(d.strength))
	for k := range logs {
		q := r
		q.vary(&s, d.even[k], math.Exp(soil*d.strength[k]))
		m.set(&q)
		logs[k] = math.Log(m.solve(float64(q.Bar.PlasticMoment()), nil).pull)
	}
	b := blur{logs: logs, width: max(0.05, logDeviation(s.Model))}
	b.measure()
	return Range{Low: b.fractile(0.05, -1.645), Median: b.fractile(0.5, 0), High: b.fractile(0.95, 1.645)}, nil
}

// vary gives a rig other inputs, kept to where the recursion is defined.
func (r *Rig) vary(s *Spread, even [inputs - 1]float64, strength float64) {
	g := &r.Ground
	if g.Kind == Clay {
		g.Cu = max(leastCu, min(mostCu, g.Cu*survey.Pressure(strength)))
	} else {
		g.Phi = min(50*geo.Degree, geo.Angle(math.Atan(strength*math.Tan(float64(g.Phi)))))
	}
	r.Bar.Yield *= survey.Pressure(1 + s.Yield*even[0])
	head := r.Length // where the topmost tie is
	if len(r.Rows) > 1 {
		head -= r.LashBelowHead
	}
	deep := r.Embedment + s.Embedment*geo.Length(2*even[1]-1)
	r.Embedment = max(r.Embedment/4, min(head, deep))
	r.RopeHeight += s.RopeUp*geo.Length(even[2]) - s.RopeDown*geo.Length(1-even[2])
	r.RopeHeight = max(0, min(head-r.Embedment, r.RopeHeight))
	g.DeadTop = min(g.DeadTop+s.DeadTop*geo.Length(even[3]), r.Embedment*0.95)
}

// blur is an even mixture of normal distributions of one width about logs.
type blur struct {
	logs         []float64
	width        float64
	lo, hi       float64
	mean, spread float64
	none         float64 // share of the logs that are -Inf: no strength
}

func (b *blur) measure() {
	b.lo, b.hi = math.Inf(1), math.Inf(-1)
	n, square := 0.0, 0.0
	for _, v := range b.logs {
		if math.IsInf(v, -1) {
			continue
		}
		n++
		b.lo, b.hi = min(b.lo, v), max(b.hi, v)
		b.mean += v
		square += v * v
	}
	b.none = 1 - n/float64(len(b.logs))
	b.mean /= n
	b.spread = math.Sqrt(max(0, square/n-b.mean*b.mean) + b.width*b.width)
}

// fractile returns the force not exceeded with probability p, by Newton's
// method inside a shrinking bracket from the normal value z.
func (b *blur) fractile(p, z float64) survey.Force {
	if p <= b.none {
		return 0
	}
	lo, hi := b.lo-6*b.width, b.hi+6*b.width
	x := max(lo, min(hi, b.mean+z*b.spread))
	for range 50 {
		below, density := 0.0, 0.0
		for _, v := range b.logs {
			u := (x - v) / b.width
			below += 0.5 * math.Erfc(-u/math.Sqrt2)
			density += math.Exp(-u * u / 2)
		}
		off := below/float64(len(b.logs)) - p
		if off > 0 {
			hi = x
		} else {
			lo = x
		}
		next := x - off*float64(len(b.logs))*b.width*math.Sqrt(2*math.Pi)/density
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if x, next = next, math.Abs(next-x); next < 1e-3 {
			break
		}
	}
	return survey.Force(math.Exp(x - b.width*b.width/2)) // the factor's mean is 1
}
