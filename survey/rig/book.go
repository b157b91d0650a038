package rig

import (
	"errors"
	"fmt"
	"sync"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/soil"
)

// Rated is a rig that a policy rates, with its forms laid out once.
type Rated struct {
	Pattern survey.Pattern
	Name    string
	at      int // place in the book
	rating  survey.Rating
	forms   []Form
}

// Form returns the plan of count such rigs sharing, 1 to the policy's most.
func (r *Rated) Form(count int) *Form { return &r.forms[count-1] }

// Book says what the stake rigs of one policy hold. It remembers what the same
// rig gave in the same ground, which changes nothing but the time it takes; a
// Book is safe for use by several goroutines.
type Book struct {
	Rigs   []Rated // in the policy's order
	policy survey.Policy
	base   soil.Geometry

	mu    sync.RWMutex
	known map[key]*figures
	read  map[reading]readCu // strengths that pulls speak for
}

type reading struct {
	rig  string
	pull survey.Force
}

type readCu struct {
	kPa float64
	ok  bool
}

// key is everything that untested figures depend on besides the policy.
type key struct {
	shown
	factor                     survey.GroundKey
	cuMiddle, phiMiddle, gamma survey.Opt[float64]
	fall                       survey.Opt[geo.Angle]
	rope                       geo.Angle
}

// figures are what the rigs of a book hold in one ground, those that were
// asked for: bare figures by rig, and with their evidence by rig and count.
type figures struct {
	key
	mu    sync.Mutex
	bare  []*Anchor
	rated [][]*Anchor
}

// mostKnown bounds the grounds and pulls that a Book remembers, some 10 MB.
const mostKnown = 2000

// draws is the fixed set of draws behind every range.
var draws = sync.OnceValues(func() (*soil.Draws, error) { return soil.NewDraws(soil.UsualDraws) })

// NewBook returns the book of a policy. It fails on a rig whose name is none
// and on a stake that the mechanics cannot work with.
func NewBook(p survey.Policy) (*Book, error) {
	b := &Book{policy: p, base: geometry(p), known: make(map[key]*figures), read: make(map[reading]readCu)}
	for _, r := range p.Ratings {
		pattern, err := survey.ParsePattern(r.Rig)
		if err != nil {
			return nil, err
		}
		rated := Rated{Pattern: pattern, Name: pattern.String(), at: len(b.Rigs), rating: r}
		for n := range max(int(p.SharingRigs.Value), 1) {
			rated.forms = append(rated.forms, NewForm(pattern, n+1, p))
		}
		b.Rigs = append(b.Rigs, rated)
		probe := soil.Rig{Geometry: b.base, Ground: soil.ClayOf(50 * survey.Kilopascal), Rows: pattern}
		if _, err := soil.NewCollapse(probe); err != nil {
			return nil, fmt.Errorf("use the policy's stake for the %s rig: %w", r.Rig, err)
		}
	}
	return b, nil
}

// geometry is the policy's stake as the mechanics see it.
func geometry(p survey.Policy) soil.Geometry {
	g := soil.BaseGeometry()
	s := p.Stake
	g.Bar.Diameter = geo.Length(s.DiameterMM.Value) * geo.Millimetre
	g.Bar.Yield = survey.Pressure(s.YieldMPa.Value * 1e6)
	g.Length, g.Embedment = s.LengthM.Value, s.EmbedmentM.Value
	g.RopeHeight = s.RopeHeightM.Value
	g.LashBelowHead = max(0, s.LengthM.Value-s.EmbedmentM.Value-s.LashHeightM.Value)
	g.Spacing, g.Lean = s.SpacingM.Value, geo.Degrees(s.LeanDeg.Value)
	g.Lashing.Stiffness = s.LashKNPerM.Value * 1000
	g.Lashing.Slack = s.LashSlackM.Value
	return g
}

// figuresHere are the figures of the ground under the conditions.
func (b *Book) figuresHere(c *Conditions) *figures {
	if c.figures != nil {
		return c.figures
	}
	k := key{
		shown: b.pullsHere(c).shown, factor: c.Ground.Factor, cuMiddle: c.Ground.CuMedianKPa, phiMiddle: c.Ground.PhiMedianDeg,
		gamma: c.Ground.GammaKNM3, fall: c.Fall, rope: c.RopeAngle,
	}
	b.mu.RLock()
	c.figures = b.known[k]
	b.mu.RUnlock()
	if c.figures != nil {
		return c.figures
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if c.figures = b.known[k]; c.figures != nil { // another was quicker
		return c.figures
	}
	c.figures = &figures{key: k, bare: make([]*Anchor, len(b.Rigs)), rated: make([][]*Anchor, len(b.Rigs))}
	if len(b.known) >= mostKnown {
		clear(b.known)
	}
	b.known[k] = c.figures
	return c.figures
}

// untested returns what count rigs hold by handbook and mechanics alone. The
// anchor's slices belong to the book and are not to be written to.
func (b *Book) untested(r *Rated, c *Conditions, count int) (Anchor, error) {
	f := b.figuresHere(c)
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.rated[r.at] == nil {
		f.rated[r.at] = make([]*Anchor, len(r.forms)+1)
	}
	one := f.rated[r.at]
	if one[count] != nil {
		return *one[count], nil
	}
	if one[1] == nil {
		a, err := b.estimate(r, &f.key, true)
		if err != nil {
			return a, err
		}
		one[1] = &a
	}
	if count > 1 {
		a := one[1].Times(count)
		one[count] = &a
	}
	return *one[count], nil
}

// bare is untested of one rig without the evidence and its ranges, which take
// the most time.
func (b *Book) bare(r *Rated, c *Conditions) (Anchor, error) {
	f := b.figuresHere(c)
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.bare[r.at] == nil {
		a, err := b.estimate(r, &f.key, false)
		if err != nil {
			return a, err
		}
		f.bare[r.at] = &a
	}
	return *f.bare[r.at], nil
}

// shown is what failed pulls here leave of the ground's strength and of the
// handbook's ratings. Held pulls never raise it.
type shown struct {
	cu, phi survey.Opt[float64]
	asClay  survey.Opt[float64] // of sand: the shear strength of a clay that gave way alike
	share   float64             // of every handbook figure, at most 1
	lowered bool
}

// pulls are the pull tests of stake rigs here, read once.
type pulls struct {
	read  bool
	all   []pullHere
	shown shown
}

// pullHere is one pull on a stake rig, and what to say of it.
type pullHere struct {
	*survey.PullTest
	rows   survey.Pattern
	source string
	note   string
	counts bool // a held pull that applies
	said   []saying
}

// saying is the note of a pull beside a figure.
type saying struct {
	own   bool // of the rig that was pulled
	count int
	note  string
}

// says is the note of the pull beside the figure of so many rigs.
func (p *pullHere) says(own bool, count int) string {
	for i := range p.said {
		if s := &p.said[i]; s.own == own && s.count == count {
			return s.note
		}
	}
	on := ""
	if !own {
		on = ", pulled on a " + p.Rig
	}
	note := p.note + on + sharing(count)
	p.said = append(p.said, saying{own, count, note})
	return note
}

// pullsHere reads the pull tests of the conditions, the first time it is asked.
func (b *Book) pullsHere(c *Conditions) *pulls {
	if c.pulls.read {
		return &c.pulls
	}
	c.pulls = pulls{read: true, shown: shown{cu: c.Ground.CuKPa, phi: c.Ground.PhiDeg, share: 1}}
	for i := range c.Tests {
		t := &c.Tests[i]
		rows, err := survey.ParsePattern(t.Rig)
		if err != nil {
			continue // a pull of an anchor found here
		}
		p := pullHere{PullTest: t, rows: rows, source: "pull test here"}
		if !c.Brief {
			p.source += on(t)
		}
		if t.Outcome == survey.Held {
			p.note, p.counts = b.heldNote(c, t, rows)
		} else {
			p.note = string(t.Outcome) + ": caps every figure"
			b.weaken(&c.pulls.shown, c, &p)
		}
		c.pulls.all = append(c.pulls.all, p)
	}
	return &c.pulls
}

// heldNote says whether a held pull counts here, and what strength it shows.
func (b *Book) heldNote(c *Conditions, t *survey.PullTest, rows survey.Pattern) (note string, counts bool) {
	switch {
	case c.wetter(t):
		return "held, but this ground is or may be wetter than it was: shown, not used", false
	case c.offLine(t, &b.policy):
		return "held, but pulled outside this working sector: shown, not used", false
	}
	note = heldWords(t)
	if !c.Brief && t.Rig == "1" && c.Ground.CuKPa.Known() {
		if kPa, ok := b.shows(rows, t.Force()); ok {
			note += fmt.Sprintf("; it shows a shear strength of at least %.0f kPa", kPa)
		}
	}
	return note, true
}

const held = "held: a lower bound"

// NoBearing is in the note of a held pull of no recorded bearing: it counts as if
// pulled this way, and what rests on it is to say so.
const NoBearing = "pulled on a bearing that is not recorded"

func heldWords(t *survey.PullTest) string {
	if t.BearingDeg.Known() {
		return held
	}
	return held + "; " + NoBearing + ": taken as pulled this way"
}

// weaken lowers the strength to what a failed pull here shows: the rig that
// gave way can have had no stronger ground, and where it fell short of its own
// rating every rating is believed to fall as short.
func (b *Book) weaken(s *shown, c *Conditions, t *pullHere) {
	if r, ok := b.policy.Rating(t.Rig); ok {
		f, _ := b.policy.Factor(c.Ground.Factor)
		if factor, ok := f.Factor.Get(); ok {
			if share := t.Force().Newtons() / (r.HoldingN * factor); share < s.share {
				s.share, s.lowered = share, true
			}
		}
	}
	limit, clay := b.shows(t.rows, t.Force())
	if cu, ok := s.cu.Get(); ok && clay && limit < cu {
		s.cu, s.lowered = survey.Known(limit), true
	}
	phi, sand := s.phi.Get()
	if s.cu.Known() || !sand {
		return
	}
	if less := b.showsFriction(t.rows, t.Force(), phi); less < phi {
		s.phi, s.lowered = survey.Known(less), true
	}
	if was, known := s.asClay.Get(); clay && (!known || limit < was) {
		s.asClay = survey.Known(limit)
	}
}

// leastCu is the strength in kPa that the weakest pull still shows: the least
// the mechanics work with.
const leastCu = 0.1

// shows is the shear strength in kPa that a pull on a rig speaks for, by limit
// equilibrium: at least that where it held, at most where it failed. Ground
// falling away in front and buoyancy weaken the stake, so leaving them out, as
// this does, reads the soil no stronger than it is. ok is false where the bars
// bend first.
func (b *Book) shows(rows survey.Pattern, pull survey.Force) (kPa float64, ok bool) {
	k := reading{rows.String(), pull}
	b.mu.RLock()
	got, met := b.read[k]
	b.mu.RUnlock()
	if met {
		return got.kPa, got.ok
	}
	r := soil.Rig{Geometry: b.base, Ground: soil.ClayOf(50 * survey.Kilopascal), Rows: rows}
	p, err := soil.CuFromPull(r, pull)
	got = readCu{p.Kilopascals(), err == nil}
	if err != nil && !errors.Is(err, soil.ErrBarFirst) {
		got = readCu{leastCu, true} // any ground holds so little
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.read) >= mostKnown {
		clear(b.read)
	}
	b.read[k] = got
	return got.kPa, got.ok
}

// showsFriction is the same of sand: the greatest friction angle in degrees, no
// more than phi, at which the rig in level and heavy sand holds no more than a
// failed pull.
func (b *Book) showsFriction(rows survey.Pattern, pull survey.Force, phi float64) float64 {
	const heavy = 20.4 // kN/m³, very dense sand (EM 1110-2-2504 Table 3-1)
	lo, hi := 1.0, phi
	for range 30 {
		mid := (lo + hi) / 2
		r, _ := b.model(rows, survey.Opt[float64]{}, survey.Known(mid), survey.Known(heavy), survey.Opt[geo.Angle]{}, 0)
		if col, err := soil.NewCollapse(r); err == nil && col.Pull <= pull {
			lo = mid
		} else {
			hi = mid
		}
	}
	if phi-lo < 1e-6 {
		return phi // it did not give way below its estimate
	}
	return lo
}

// model is the mechanical model of a rig in ground of the given strength; ok
// is false when there is no strength to work with.
func (b *Book) model(rows survey.Pattern, cu, phi, gamma survey.Opt[float64], fall survey.Opt[geo.Angle], rope geo.Angle) (r soil.Rig, ok bool) {
	var earth soil.Ground
	if v, known := cu.Get(); known {
		earth = soil.ClayOf(survey.Pressure(v) * survey.Kilopascal)
	} else if v, known := phi.Get(); known {
		earth = soil.SandOf(geo.Degrees(v))
	} else {
		return soil.Rig{}, false
	}
	if v, known := gamma.Get(); known {
		earth.UnitWeight = soil.UnitWeight(v * 1000)
	}
	if a, known := fall.Get(); known {
		earth.Fall = min(a, soil.MaxFall)
	}
	r = soil.Rig{Geometry: b.base, Ground: earth, Rows: rows}
	r.RopeAngle = rope
	return r, true
}
