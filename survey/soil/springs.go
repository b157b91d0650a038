package soil

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
)

// Law is how the soil's resistance grows with a stake's movement.
type Law uint8

const (
	// StiffClay is the clay above water of Reese and Welch (1972), static, with
	// a straight start up to a tenth of the movement at half strength.
	StiffClay Law = iota + 1
	// SoftClay is the clay of Matlock (1970), static.
	SoftClay
	// SandAPI is the sand of API RP 2A, static. At shallow depth it allows
	// several times the strength that Collapse gives.
	SandAPI
	// SandLow has the shape of SandAPI and the strength that Collapse gives.
	SandLow
	// Linear springs of modulus Subgrade, without limit; for checking.
	Linear
)

// Springs is a law with its constants. Its limiting pressure follows the ground.
type Springs struct {
	Law Law
	// Strain50 is the strain of a clay at half its strength.
	Strain50 float64
	// Subgrade is the growth of stiffness with depth in sand, N/m³;
	// for Linear the stiffness itself, N/m².
	Subgrade float64
}

// Strain50 returns the usual strain at half strength of a clay of strength cu
// (Reese's tables as printed by FHWA, from memory).
func Strain50(cu survey.Pressure) float64 {
	switch k := cu.Kilopascals(); {
	case k < 24:
		return 0.020
	case k < 48:
		return 0.010
	case k < 96:
		return 0.007
	case k < 192:
		return 0.005
	}
	return 0.004
}

// Subgrade returns the usual growth of stiffness with depth, N/m³, of sand
// above water by friction angle: loose below 30°, dense above 36° (Reese, Cox
// and Koop 1974: 25, 90 and 225 lb/in³, from memory).
func Subgrade(phi geo.Angle) float64 {
	switch d := phi.Degrees(); {
	case d < 30:
		return 6.8e6
	case d <= 36:
		return 24.4e6
	}
	return 61e6
}

// SpringsOf returns the usual springs of a ground: StiffClay or SandLow.
func SpringsOf(g Ground) Springs {
	if g.Kind == Sand {
		return Springs{Law: SandLow, Subgrade: Subgrade(g.Phi)}
	}
	return Springs{Law: StiffClay, Strain50: Strain50(g.Cu)}
}

func (s *Springs) validate(g *Ground) error {
	switch s.Law {
	case StiffClay, SoftClay:
		if g.Kind != Clay {
			return fmt.Errorf("springs of clay in ground that is not clay")
		}
		if !within(s.Strain50, 1e-4, 0.2) {
			return fmt.Errorf("strain at half strength %g: want 0.0001 to 0.2", s.Strain50)
		}
		return nil
	case SandAPI, SandLow:
		if g.Kind != Sand {
			return fmt.Errorf("springs of sand in ground that is not sand")
		}
		if g.Fall >= g.Phi {
			return fmt.Errorf("sand of %v on ground falling %v has no strength", g.Phi, g.Fall)
		}
	case Linear:
	default:
		return fmt.Errorf("spring law %d: not known", s.Law)
	}
	if !within(s.Subgrade, 1, 1e12) {
		return fmt.Errorf("subgrade modulus %g: want 1 to 1e12", s.Subgrade)
	}
	return nil
}

// APISand returns the coefficients of the limiting pressure of API RP 2A sand,
// pu = min(C1 x + C2 D, C3 D) γ x, by the closed forms of Mosher and Dawkins
// with an earth pressure coefficient at rest of 0.4.
func APISand(phi geo.Angle) (c1, c2, c3 float64) {
	const k0 = 0.4
	f := float64(phi)
	sin := math.Sin(f)
	kp := (1 + sin) / (1 - sin)
	ka := 1 / kp
	a, b := f/2, math.Pi/4+f/2
	c1 = math.Tan(b) * (kp*math.Tan(a) + k0*(math.Tan(f)*math.Sin(b)*(1/math.Cos(a)+1)-math.Tan(a)))
	c2 = kp - ka
	c3 = kp*kp*(kp+k0*math.Tan(f)) - ka
	return c1, c2, c3
}

// spring is the soil at one node: its greatest force and the movement that
// scales the law.
type spring struct{ most, scale float64 }

// node returns the spring of a row n bars of diameter d wide at depth x that
// stands for a length w of stake. Strength goes with the row's width, the
// movement at half strength with the single bar's.
func (s *Springs) node(g *Ground, p *profile, n, d, x, w float64) spring {
	switch s.Law {
	case StiffClay, SoftClay:
		return spring{p.at(x) * w, 2.5 * s.Strain50 * d}
	case Linear:
		return spring{s.Subgrade * w, 1}
	}
	pu := p.at(x)
	if x <= 0 || pu <= 0 {
		return spring{0, 1}
	}
	if s.Law == SandAPI {
		c1, c2, c3 := APISand(g.Phi)
		pu = max(0.9, 3-0.8*x/(n*d)) * min(c1*x+c2*n*d, c3*n*d) * float64(g.UnitWeight) * x
		pu *= PassiveCoefficient(g.Phi, g.Fall) / PassiveCoefficient(g.Phi, 0)
	}
	return spring{pu * w, pu / (s.Subgrade * x)}
}

// force returns the resistance to movement y and its slope.
func (l Law) force(s spring, y float64) (p, dp float64) {
	u := math.Abs(y) / s.scale
	switch l {
	case StiffClay:
		p, dp = power(u, 16, func(u float64) float64 { return math.Sqrt(math.Sqrt(u)) }, 4, 0.1)
	case SoftClay:
		p, dp = power(u, 8, math.Cbrt, 3, 0.001)
	case Linear:
		p, dp = u, 1
	default:
		// The trace of hardening keeps a stake turning in yielded sand determinate.
		const hardening = 1e-6
		p = math.Tanh(u)
		p, dp = p+hardening*u, 1-p*p+hardening
	}
	return math.Copysign(p*s.most, y), dp * s.most / s.scale
}

// power returns half the n-th root of u and its slope: 1 from limit on, and a
// straight line up to straight, since the slope of the root has no bound.
func power(u, limit float64, root func(float64) float64, n, straight float64) (p, dp float64) {
	switch {
	case u >= limit:
		return 1, 0
	case u < straight:
		dp = 0.5 * root(straight) / straight
		return dp * u, dp
	}
	p = 0.5 * root(u)
	return p, p / (n * u)
}
