package soil

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
)

// DeadmanSoil is the ground of a deadman as the handbook tells it apart.
type DeadmanSoil uint8

const (
	Loam          DeadmanSoil = iota + 1 // the table as it stands
	RockOrHardpan                        // five times
	WetOrSandy                           // fine-grained with high moisture, or sandy: half
)

// factor returns the multiplier of TM 5-5420-278-10, WP 0035.
func (s DeadmanSoil) factor() (float64, error) {
	switch s {
	case Loam:
		return 1, nil
	case RockOrHardpan:
		return 5, nil
	case WetOrSandy:
		return 0.5, nil
	}
	return 0, fmt.Errorf("deadman soil %d: want loam, rock or hardpan, wet or sandy", s)
}

// LineUnknown is the slope of 1:1 that TM 5-5420-278-10 has one assume when the
// slope of the line is not known.
const LineUnknown = 45 * geo.Degree

// deadmanTable is the holding power in loam, lbf per square foot of bearing
// face, by mean depth 3-7 ft and slope of the line. Source: TM 5-5420-278-10
// (Improved Ribbon Bridge), WP 0035, Table 9; the first column, for a vertical
// line, is that of FM 5-125, from memory.
var deadmanTable = [5][5]float64{
	{600, 950, 1300, 1450, 1500},
	{1050, 1750, 2200, 2600, 2700},
	{1700, 2800, 3600, 4000, 4100},
	{2400, 3800, 5100, 5800, 6000},
	{3200, 5100, 7000, 8000, 8400},
}

// deadmanLines holds the columns' slopes above the horizontal, rise:run
// vertical, 1:1, 1:2, 1:3, 1:4.
var deadmanLines = [5]geo.Angle{
	math.Pi / 2, math.Pi / 4, geo.Angle(math.Atan2(1, 2)), geo.Angle(math.Atan2(1, 3)), geo.Angle(math.Atan2(1, 4)),
}

const (
	poundPerSquareFoot = survey.TonPerSquareFoot / 2000
	// ShallowestDeadman and DeepestDeadman are the table's mean depths, to the
	// middle of the bearing face.
	ShallowestDeadman = 3 * geo.Foot
	DeepestDeadman    = 7 * geo.Foot
	// Trench is the length lost to the cable's trench (TM 5-5420-278-10).
	Trench = 1 * geo.Foot
)

// fitPower is the power of the cosine of the line's angle that the table follows.
const fitPower = 2.375

// DeadmanPressure returns what a deadman holds on its bearing face, at a mean
// depth and with the line rising above the horizontal by the given angle
// (0-90°; LineUnknown). The table's entries come out as printed. Between them
// pressure over depth squared is interpolated, evenly in depth and in
// cos^2.375 of the angle, since the table keeps within 3 % to
// h² (176.5 cos^2.375 θ + 66.5 sin^2.375 θ) with h in feet. A line flatter than
// 1:4 counts as 1:4, a depth over 7 ft as 7 ft; less than 3 ft is an error. It
// is an ultimate value.
func DeadmanPressure(depth geo.Length, line geo.Angle, soil DeadmanSoil) (survey.Pressure, error) {
	f, err := soil.factor()
	if err == nil {
		err = checkDeadman(depth, line)
	}
	if err != nil {
		return 0, fmt.Errorf("look up deadman: %w", err)
	}
	feet := max(3, min(depth, DeepestDeadman).Feet())
	line = max(line, deadmanLines[4])
	i := min(int(feet-3), 3)
	j := 0
	for j < 3 && line < deadmanLines[j+1] {
		j++
	}
	flat := func(a geo.Angle) float64 { return math.Pow(max(0, math.Cos(float64(a))), fitPower) }
	u := feet - 3 - float64(i)
	v := (flat(line) - flat(deadmanLines[j])) / (flat(deadmanLines[j+1]) - flat(deadmanLines[j]))
	row := func(i int) float64 {
		h := float64(3 + i)
		return ((1-v)*deadmanTable[i][j] + v*deadmanTable[i][j+1]) / (h * h)
	}
	return survey.Pressure(f*feet*feet*((1-u)*row(i)+u*row(i+1))) * poundPerSquareFoot, nil
}

func checkDeadman(depth geo.Length, line geo.Angle) error {
	if !within(float64(depth), float64(ShallowestDeadman)-1e-9, 100) {
		return fmt.Errorf("mean depth %v: the table begins at %v", depth, ShallowestDeadman)
	}
	if !within(float64(line), 0, math.Pi/2+1e-12) {
		return fmt.Errorf("line %v above the horizontal: want 0° to 90°", line)
	}
	return nil
}

// PassiveResistance returns what the soil before and above a deadman resists
// per length of it, N/m, by earth pressure: h² [½ Kp γ cos² θ + γ tan φ sin² θ]
// between Rankine's passive wedge for a level pull and a prism with sides at φ
// for a vertical one (an interpolation, not a theory). With γ = 105 lb/ft³ and
// φ = 32° on a face of one foot it follows the table within 6 % below and 14 %
// above. It does not grow with the height of the face, as the table does.
func PassiveResistance(depth geo.Length, line geo.Angle, w UnitWeight, phi geo.Angle) float64 {
	sin, cos := math.Sincos(float64(line))
	h := float64(depth)
	level := PassiveCoefficient(phi, 0) / 2
	up := math.Tan(float64(phi))
	return float64(w) * h * h * (level*cos*cos + up*sin*sin)
}

// Deadman is a log or timber buried across the line.
type Deadman struct {
	Log       bool       // a log; else a timber
	Length    geo.Length // along the deadman
	Face      geo.Length // height of the bearing face; a log's diameter
	Thickness geo.Length // of a timber, along the pull; not used for a log
	Depth     geo.Length // mean, to the middle of the face
	Line      geo.Angle  // above the horizontal
	Soil      DeadmanSoil
}

func (d *Deadman) validate() error {
	switch {
	case !within(float64(d.Face), 0.01, 10):
		return fmt.Errorf("face %v: want 0.01 m to 10 m", d.Face)
	case !d.Log && !within(float64(d.Thickness), 0.01, 10):
		return fmt.Errorf("thickness %v: want 0.01 m to 10 m", d.Thickness)
	case !within(float64(d.Length), float64(Trench), 100):
		return fmt.Errorf("length %v: want more than the %v of the trench", d.Length, Trench)
	}
	return checkDeadman(d.Depth, d.Line)
}

// Holds returns what the deadman holds by the table: the pressure on its face
// times the face, less the trench.
func (d Deadman) Holds() (survey.Force, error) {
	if err := d.validate(); err != nil {
		return 0, fmt.Errorf("rate deadman: %w", err)
	}
	p, err := DeadmanPressure(d.Depth, d.Line, d.Soil)
	if err != nil {
		return 0, err
	}
	return survey.Force(float64(p) * float64(d.Face) * float64(d.Length-Trench)), nil
}

// Passive returns what the deadman holds by PassiveResistance, ends not
// counted: the check on Holds for a tall face.
func (d Deadman) Passive(w UnitWeight, phi geo.Angle) (survey.Force, error) {
	err := d.validate()
	if err == nil {
		err = (&Ground{Kind: Sand, Phi: phi, UnitWeight: w}).validate()
	}
	if err != nil {
		return 0, fmt.Errorf("check deadman: %w", err)
	}
	return survey.Force(PassiveResistance(d.Depth, d.Line, w, phi) * float64(d.Length-Trench)), nil
}

// Slenderness returns length over thickness (over diameter for a log) and the
// most that TM 5-5420-278-10 allows, 9 for a timber and 5 for a log. Beyond it
// bury deeper, flatten the line or take a thicker piece.
func (d Deadman) Slenderness() (ratio, most float64) {
	if d.Log {
		return float64(d.Length / d.Face), 5
	}
	return float64(d.Length / d.Thickness), 9
}
