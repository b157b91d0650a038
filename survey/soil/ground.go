package soil

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
)

// UnitWeight is the weight of a unit volume of soil in N/m³.
type UnitWeight float64

const (
	KilonewtonPerCubicMetre UnitWeight = 1000
	PoundPerCubicFoot       UnitWeight = 157.08746384624618
)

// Kind is the kind of soil, which decides the law of its lateral resistance.
type Kind uint8

const (
	// Clay resists by its undrained shear strength.
	Clay Kind = iota + 1
	// Sand resists by friction.
	Sand
)

// MaxFall is the steepest ground in front of a rig that the model answers for.
const MaxFall = 40 * geo.Degree

// Ground is the soil that a rig stands in, uniform with depth.
type Ground struct {
	Kind       Kind
	UnitWeight UnitWeight      // as it acts: submerged weight below water
	Cu         survey.Pressure // clay: undrained shear strength, half the unconfined strength
	J          float64         // clay: growth of the surface wedge, 0.25 to 0.5 (Matlock 1970)
	Phi        geo.Angle       // sand: friction angle
	DeadTop    geo.Length      // loose top layer that counts for nothing: cracks, topsoil, thaw
	Fall       geo.Angle       // slope of the ground falling away in front, 0 level
}

// ClayOf returns level clay of strength cu with the usual weight of 18 kN/m³
// and J = 0.5 (Matlock 1970, from memory).
func ClayOf(cu survey.Pressure) Ground {
	return Ground{Kind: Clay, Cu: cu, UnitWeight: 18 * KilonewtonPerCubicMetre, J: 0.5}
}

// SandOf returns level sand of friction angle phi with the usual moist weight
// of 17 kN/m³; submerged sand weighs about 9.
func SandOf(phi geo.Angle) Ground {
	return Ground{Kind: Sand, Phi: phi, UnitWeight: 17 * KilonewtonPerCubicMetre}
}

func (g *Ground) validate() error {
	switch g.Kind {
	case Clay:
		if !within(float64(g.Cu), float64(leastCu), float64(mostCu)) {
			return fmt.Errorf("clay strength %g kPa: want 0.1 to 2,000", g.Cu.Kilopascals())
		}
		if !within(g.J, 0, 1) {
			return fmt.Errorf("wedge factor J %g: want 0 to 1", g.J)
		}
	case Sand:
		if !within(g.Phi.Degrees(), 1, 50) {
			return fmt.Errorf("sand friction angle %v: want 1° to 50°", g.Phi)
		}
	default:
		return fmt.Errorf("soil kind %d: want clay or sand", g.Kind)
	}
	switch {
	case !within(float64(g.UnitWeight), 100, 50e3):
		return fmt.Errorf("soil weight %g kN/m³: want 0.1 to 50", float64(g.UnitWeight)/1000)
	case !within(float64(g.DeadTop), 0, 100):
		return fmt.Errorf("loose top layer %v: want 0 m or more", g.DeadTop)
	case !within(float64(g.Fall), 0, float64(MaxFall)+1e-12):
		return fmt.Errorf("ground falling %v in front: want 0° to %v", g.Fall, MaxFall)
	}
	return nil
}

// PassiveCoefficient returns Coulomb's passive earth pressure coefficient of a
// smooth vertical face in sand of friction angle phi before which the ground
// falls away at the given slope; level it is (1+sin φ)/(1-sin φ). At a slope of
// φ or more the sand has no strength to lend, and the coefficient is 0.
func PassiveCoefficient(phi, fall geo.Angle) float64 {
	if fall <= 0 {
		s := math.Sin(float64(phi))
		return (1 + s) / (1 - s)
	}
	if fall >= phi {
		return 0
	}
	c := math.Cos(float64(phi))
	root := math.Sqrt(math.Sin(float64(phi)) * math.Sin(float64(phi-fall)) / math.Cos(float64(fall)))
	return c * c / ((1 - root) * (1 - root))
}

// WedgeFactor returns the share of its level-ground strength that the surface
// wedge of a clay keeps where the ground falls away in front, 1/(1+tan slope)
// (Reese; cf. FHWA GEC 9). The deep limit 9 cu is not reduced.
func WedgeFactor(fall geo.Angle) float64 { return 1 / (1 + math.Tan(float64(fall))) }

// profile is a limiting resistance per length of stake that never falls with
// depth x, together with its integrals from the ground down:
//
//	clay: s cu D (3 + b x) up to xc, 9 cu D below; sand: 2 a x, a = 1.5 Kp γ D
//
// and nothing above the dead top.
type profile struct {
	dead float64
	clay bool
	cd   float64 // clay: cu D
	s, b float64 // clay: wedge factor; growth of the wedge per metre
	xc   float64 // clay: depth where the deep limit takes over
	a    float64 // sand
	s0   float64 // integrals over the dead top
	q0   float64
}

// profile returns the limit profile for a face of width w (metres).
func (g *Ground) profile(w float64) profile {
	p := profile{dead: float64(g.DeadTop)}
	if g.Kind == Clay {
		p.clay = true
		p.cd = float64(g.Cu) * w
		p.s = 1
		if g.Fall > 0 {
			p.s = WedgeFactor(g.Fall)
		}
		p.b = float64(g.UnitWeight)/float64(g.Cu) + g.J/w
		p.xc = (9/p.s - 3) / p.b
	} else {
		p.a = 1.5 * PassiveCoefficient(g.Phi, g.Fall) * float64(g.UnitWeight) * w
	}
	p.s0, p.q0 = p.integrals(p.dead)
	return p
}

// at returns the resistance per length at depth x.
func (p *profile) at(x float64) float64 {
	switch {
	case x < p.dead:
		return 0
	case !p.clay:
		return 2 * p.a * x
	case x < p.xc:
		return p.cd * p.s * (3 + p.b*x)
	}
	return 9 * p.cd
}

// integrals returns S = ∫pu dx and Q = ∫pu x dx from the bottom of the dead
// top to z ≥ dead.
func (p *profile) integrals(z float64) (s, q float64) {
	if !p.clay {
		s = p.a * z * z
		return s - p.s0, 2.0/3*s*z - p.q0
	}
	w := min(z, p.xc)
	c := p.cd * p.s * w
	s = c * (3 + p.b*w/2)
	q = c * w * (1.5 + p.b*w/3)
	if z > w {
		s += 9 * p.cd * (z - w)
		q += 4.5 * p.cd * (z*z - w*w)
	}
	return s - p.s0, q - p.q0
}
