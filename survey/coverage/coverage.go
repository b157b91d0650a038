// Package coverage measures how much of a district's banks lies within rope
// reach of a usable point, and lists the reaches that do not.
//
// The bank crest lines are sampled every few metres. A sample is covered by a
// point when a casualty at the foot of the bank there could be reached with
// the rope, in the point's working sector or with a rig aimed afresh.
package coverage

import (
	"cmp"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/near"
)

// Step is how far apart the samples of a crest line are.
const Step = 5 * geo.Metre

// State says how a stretch of bank is covered.
type State string

const (
	Covered   State = "holds"
	ShortOnly State = "short" // only by points that fall short of the required ratio
	Uncovered State = "uncovered"
)

// Anchor is a surveyed point with its verdict.
type Anchor struct {
	Point   survey.Point
	Site    string // code
	Pull    survey.Opt[geo.Bearing]
	Verdict answer.Verdict
	Back    geo.Length // how much more rope its anchor takes than one at the point
}

// Crest is one bank crest line.
type Crest struct {
	Name string
	Line orb.LineString
}

// Reach is a stretch of bank of one state.
type Reach struct {
	Name    string
	State   State
	Sites   []string // codes of the sites whose points cover it
	Line    orb.LineString
	LengthM geo.Length
}

// Lengths adds stretches up.
type Lengths struct {
	HoldsM     geo.Length `json:"holds_m"`
	ShortM     geo.Length `json:"short_m"`
	UncoveredM geo.Length `json:"uncovered_m"`
}

func (l *Lengths) add(s State, d geo.Length) {
	switch s {
	case Covered:
		l.HoldsM += d
	case ShortOnly:
		l.ShortM += d
	default:
		l.UncoveredM += d
	}
}

// Result is the coverage of a district.
type Result struct {
	All   Lengths
	Names map[string]*Lengths // by the name of the crest line
	Sites map[string]*Lengths // what each site's points cover; a stretch two sites cover counts for both
	// Reaches are the stretches in order: uncovered first, longest first.
	Reaches []Reach
}

// Measure works the coverage out for a rope.
func Measure(crests []Crest, anchors []Anchor, sector geo.Angle, rope geo.Length) Result {
	g := newGrid(anchors, rope)
	r := Result{Names: map[string]*Lengths{}, Sites: map[string]*Lengths{}}
	for _, c := range crests {
		for _, part := range stretches(c, g, sector, rope) {
			r.All.add(part.State, part.LengthM)
			tally(r.Names, c.Name).add(part.State, part.LengthM)
			for _, s := range part.Sites {
				tally(r.Sites, s).add(part.State, part.LengthM)
			}
			r.Reaches = append(r.Reaches, part)
		}
	}
	order := []State{Uncovered, ShortOnly, Covered}
	slices.SortStableFunc(r.Reaches, func(a, b Reach) int {
		return cmp.Or(
			cmp.Compare(slices.Index(order, a.State), slices.Index(order, b.State)),
			cmp.Compare(b.LengthM, a.LengthM))
	})
	return r
}

func tally(m map[string]*Lengths, key string) *Lengths {
	if m[key] == nil {
		m[key] = &Lengths{}
	}
	return m[key]
}

// stretches cuts a crest into pieces of one state. Each piece of at most Step
// takes the state of its middle.
func stretches(c Crest, g *grid, sector geo.Angle, rope geo.Length) []Reach {
	var out []Reach
	for i := 1; i < len(c.Line); i++ {
		a, b := c.Line[i-1], c.Line[i]
		length, az, _, ok := geodesic.Inverse(a, b)
		if !ok {
			continue
		}
		n := int(math.Ceil(float64(length / Step)))
		course := geodesic.NewLine(a, az)
		piece := length / geo.Length(n)
		for k := range n {
			middle, _ := course.At((geo.Length(k) + 0.5) * piece)
			state, sites := g.state(middle, sector, rope)
			from, _ := course.At(geo.Length(k) * piece)
			to, _ := course.At(geo.Length(k+1) * piece)
			out = extend(out, c.Name, state, sites, from, to, piece)
		}
	}
	return out
}

// extend lengthens the last stretch, or begins a new one where the state or
// the sites change.
func extend(out []Reach, name string, state State, sites []string, from, to orb.Point, d geo.Length) []Reach {
	if n := len(out); n > 0 && out[n-1].State == state && slices.Equal(out[n-1].Sites, sites) {
		out[n-1].Line = append(out[n-1].Line, to)
		out[n-1].LengthM += d
		return out
	}
	return append(out, Reach{Name: name, State: state, Sites: sites, Line: orb.LineString{from, to}, LengthM: d})
}

// grid finds the anchors near a place. Cells are at least a rope wide, so the
// nine round a place hold every anchor that can reach it.
type grid struct {
	lat, lon float64 // size of a cell in degrees
	cells    map[[2]int][]*usable
}

type usable struct {
	Anchor
	forward float64 // level breadth of the bank's face, metres
	kx, ky  float64 // metres a degree of longitude and latitude
}

func newGrid(anchors []Anchor, rope geo.Length) *grid {
	g := &grid{cells: map[[2]int][]*usable{}}
	g.lat = max(float64(rope), 1) / 110000 // a degree of latitude is 110.6 to 111.7 km
	furthest := 0.0
	for _, a := range anchors {
		furthest = max(furthest, math.Abs(a.Point.Position.Lat()))
	}
	g.lon = g.lat / math.Max(math.Cos((furthest+g.lat)*math.Pi/180), 0.01)
	for _, a := range anchors {
		if a.Verdict != answer.Holds && a.Verdict != answer.Short {
			continue
		}
		u := &usable{Anchor: a, forward: near.Face(a.Point).Metres()}
		// Radii of curvature on the ellipsoid: within a rope's length the plane
		// they span is true to a millimetre.
		sin, cos := math.Sincos(a.Point.Position.Lat() * math.Pi / 180)
		w := 1 - geo.WGS84.E2()*sin*sin
		u.kx = math.Pi / 180 * geo.WGS84.A / math.Sqrt(w) * cos
		u.ky = math.Pi / 180 * geo.WGS84.A * (1 - geo.WGS84.E2()) / (w * math.Sqrt(w))
		k := g.cell(a.Point.Position)
		g.cells[k] = append(g.cells[k], u)
	}
	return g
}

func (g *grid) cell(p orb.Point) [2]int {
	return [2]int{int(math.Floor(p.Lon() / g.lon)), int(math.Floor(p.Lat() / g.lat))}
}

// state is the best that any anchor offers at a place on the crest, and the
// sites that offer it.
func (g *grid) state(at orb.Point, sector geo.Angle, rope geo.Length) (State, []string) {
	best := Uncovered
	var sites []string
	c := g.cell(at)
	for dx := -1; dx <= 1; dx++ {
		for dy := -1; dy <= 1; dy++ {
			for _, u := range g.cells[[2]int{c[0] + dx, c[1] + dy}] {
				if !u.reaches(at, sector, rope) {
					continue
				}
				s := ShortOnly
				if u.Verdict == answer.Holds {
					s = Covered
				}
				switch {
				case s == best:
				case best == Uncovered || s == Covered:
					best, sites = s, nil
				default:
					continue
				}
				if !slices.Contains(sites, u.Site) {
					sites = append(sites, u.Site)
				}
			}
		}
	}
	slices.Sort(sites)
	return best, sites
}

// reaches tells whether a casualty at the foot of the bank below a place on
// the crest is within rope, and within the sector or the turn of a rig yet to
// be driven.
func (u *usable) reaches(at orb.Point, sector geo.Angle, rope geo.Length) bool {
	pull, ok := u.Pull.Get()
	if !ok {
		return false
	}
	sin, cos := math.Sincos(pull.Radians())
	x := (at.Lon()-u.Point.Position.Lon())*u.kx + u.forward*sin
	y := (at.Lat()-u.Point.Position.Lat())*u.ky + u.forward*cos
	level := geo.Length(math.Hypot(x, y))
	if level > rope || level == 0 {
		return false
	}
	if r, _ := near.RopeTo(u.Point, level); r+u.Back > rope {
		return false
	}
	off := math.Abs(float64(pull.Off(geo.NewBearing(math.Atan2(x, y) * 180 / math.Pi))))
	return off <= math.Max(float64(sector), float64(near.WidestTurn))
}
