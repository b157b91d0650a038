package drawing

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/grid"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/wording"
)

// Spot is a surveyed point on a site map.
type Spot struct {
	Label    string
	Position orb.Point
	Class    survey.GroundClass // "" is not recorded
	Verdict  answer.Verdict
	Pull     survey.Opt[geo.Bearing]
	Sector   survey.Opt[[2]geo.Bearing]
	Best     bool // the point the sheet recommends
}

// SiteMap is the map of a site, true north at the top: layers by role, points
// with the mark of their verdict, a tick along the pull bearing and the
// working sector, ticks of the national grid, a scale bar and a legend of
// what is really on it.
type SiteMap struct {
	Units  survey.Units
	Site   orb.Geometry // outline or line of the site; nil for none
	View   *orb.Bound   // ground that the map shows as well; nil asks for none
	Spots  []Spot
	Layers []survey.LayerFeature
	North  North
}

// roleOrder is the order in which roles are drawn, areas first.
var roleOrder = []survey.Role{
	survey.RoleElevation, survey.RoleParcel, survey.RoleOther, survey.RoleWater, survey.RoleBuilding, survey.RoleRoad,
	survey.RoleAccess, survey.RoleToe, survey.RoleBuried, survey.RoleOverhead, survey.RoleCrest,
}

type mapper struct {
	SiteMap
	d     *Drawing
	l     *labeller
	s     sheet
	frame Box
	shown map[survey.Role]bool
	words []string // the grid, for the legend
}

// Draw returns the map at the largest round scale that shows every point and
// the site, never closer than 1:500.
func (m SiteMap) Draw(size Size) Drawing {
	size = size.least()
	d := Drawing{Size: size, Title: "Map of the site"}
	centre, w, h, ok := m.extent()
	if !ok {
		return saying(d, "No map: the site has no position yet.")
	}
	g := mapper{SiteMap: m, d: &d, shown: map[survey.Role]bool{}}
	legend := g.legendHeight(size.W)
	g.frame = Box{Plain, Plain, size.W - Plain, size.H - legend - footHeight - 0.5}
	scale := max(scaleFor(w, inner(g.frame.X1-g.frame.X0)), scaleFor(h, inner(g.frame.Y1-g.frame.Y0)), 500)
	g.s, ok = newSheet(centre, g.frame.centre(), scale, 0)
	if !ok {
		return saying(d, "No map: the site lies off the map.")
	}
	g.l = newLabeller(&d, g.frame.grow(-0.5))
	d.Desc = fmt.Sprintf("Map of the site at scale %s, true north at the top, with %s.", scaleText(scale), wording.Count(len(m.Spots), "point", "points"))

	g.outline()
	named := g.layers()
	g.gridTicks()
	g.spots()
	for _, n := range named {
		g.l.place(n)
	}
	g.l.finish()
	d.area(Pen{Width: Plain}, Empty, g.frame.corners()...)
	d.foot(m.Units, d.norths(m.North, 0, footHeight), scale)
	g.legend(size, legend)
	return d
}

// inner is the part of a frame's side that the points may take: the rest is
// for their labels and the figures of the grid.
func inner(side float64) float64 { return side - min(22, side*0.3) }

// extent returns the middle of the points and the site with the size of the
// ground they cover, in metres.
func (m SiteMap) extent() (centre orb.Point, w, h float64, ok bool) {
	var all []orb.Point
	for _, s := range m.Spots {
		all = append(all, s.Position)
	}
	var origin sheet
	collect := func(g orb.Geometry) {
		if g == nil || g.GeoJSONType() == "GeometryCollection" {
			return
		}
		b := g.Bound()
		all = append(all, b.Min, b.Max)
	}
	collect(m.Site)
	if m.View != nil {
		collect(*m.View)
	}
	all = slices.DeleteFunc(all, func(p orb.Point) bool {
		return !(math.Abs(p.Lat()) <= 90) || !(math.Abs(p.Lon()) <= 180)
	})
	if len(all) == 0 {
		return centre, 0, 0, false
	}
	origin, ok = newSheet(all[0], Pt{}, 1, 0)
	if !ok {
		return centre, 0, 0, false
	}
	x0, x1, y0, y1 := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, p := range all {
		if x, y, on := origin.metres(p); on {
			x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
		}
	}
	lon, lat, err := origin.plane.Inverse((x0+x1)/2+origin.centre[0], (y0+y1)/2+origin.centre[1])
	return orb.Point{lon, lat}, x1 - x0, y1 - y0, err == nil
}

func (g *mapper) outline() {
	if g.Site == nil {
		return
	}
	for _, line := range g.s.geometry(g.Site).outlines() {
		for _, part := range clipLine(line, g.frame) {
			g.d.line(Pen{Width: Thin, Dash: []float64{3, 1, 0.6, 1, 0.6, 1}}, part...)
			g.l.avoid(part...)
		}
	}
}

// layers draws the features by role and returns the names to be put beside
// them once the points have their labels.
func (g *mapper) layers() (named []label) {
	for _, role := range roleOrder {
		for _, f := range g.Layers {
			if f.Role != role || f.Geometry == nil {
				continue
			}
			if part := g.feature(f); part != nil {
				g.shown[role] = true
				name := nameOf(f.Properties)
				if role == survey.RoleBuried || role == survey.RoleOverhead {
					name = strings.TrimSpace(string(role) + " " + name)
				}
				if name != "" && role != survey.RoleParcel {
					named = append(named, label{text: name, at: along(part, 0.5), or: []Pt{along(part, 0.2), along(part, 0.8)}, rank: 2, clear: 1, size: Small, width: 30, once: true, near: true})
				}
			}
		}
	}
	if len(named) > mostNamed {
		g.d.Left = append(g.d.Left, fmt.Sprintf("the names of %d more features", len(named)-mostNamed))
		named = named[:mostNamed]
	}
	return named
}

// mostNamed is how many names a map of a site tries to find room for.
const mostNamed = 100

// feature draws one feature and returns its longest part on the map.
func (g *mapper) feature(f survey.LayerFeature) (longest []Pt) {
	shape := g.s.geometry(f.Geometry)
	for _, rings := range shape.areas {
		var inside [][]Pt
		for _, r := range rings {
			if c := clipArea(r, g.frame); len(c) > 2 {
				inside = append(inside, c)
			}
		}
		if len(inside) == 0 {
			continue
		}
		switch f.Role {
		case survey.RoleWater:
			g.d.add(hatch(inside, 0, 1.8, Pen{Width: Thin}))
		case survey.RoleBuilding:
			g.d.add(hatch(inside, 45, 1, Pen{Width: Thin}))
		}
		if longest == nil {
			longest = inside[0]
		}
	}
	for _, line := range shape.outlines() {
		for _, part := range clipLine(line, g.frame) {
			g.d.stroke(f.Role, part...)
			g.l.avoid(part...)
			switch f.Role {
			case survey.RoleOverhead:
				g.pylons(part)
			case survey.RoleCrest:
				g.comb(part)
			}
			if longest == nil || length(part) > length(longest) {
				longest = part
			}
		}
	}
	for _, p := range shape.places {
		if g.frame.has(p) {
			g.d.add(Circle{At: p, R: 0.8, Pen: Pen{Width: Plain}})
			if longest == nil {
				longest = []Pt{p, p}
			}
		}
	}
	return longest
}

// pylons sets small crosses along an overhead line.
func (g *mapper) pylons(part []Pt) {
	marks := Path{Pen: Pen{Width: Plain}}
	walk(part, 12, func(p, u Pt) {
		n := u.right().times(1.2)
		marks.Lines = append(marks.Lines, []Pt{p.add(n), p.sub(n)})
	})
	g.d.add(marks)
}

// comb sets strokes on the downhill side of a crest: the side to which the
// nearest point pulls. Without a pull bearing there is none.
func (g *mapper) comb(crest []Pt) {
	var down Pt
	near := math.Inf(1)
	for _, s := range g.Spots {
		b, known := s.Pull.Get()
		p, ok := g.s.on(s.Position)
		if d := p.sub(along(crest, 0.5)).length(); known && ok && d < near {
			near, down = d, heading(b.Degrees())
		}
	}
	if math.IsInf(near, 1) {
		return
	}
	teeth := Path{Pen: Pen{Width: Thin}}
	walk(crest, 2.5, func(p, u Pt) {
		n := u.right()
		if n.X*down.X+n.Y*down.Y < 0 {
			n = n.times(-1)
		}
		teeth.Lines = append(teeth.Lines, []Pt{p, p.add(n.times(1.5))})
	})
	g.d.add(teeth)
}

// spots draws the points: sectors first, then ticks, then marks and labels.
func (g *mapper) spots() {
	const wedge, tick, r = 9.0, 7.0, 1.7
	type placed struct {
		Spot
		at Pt
	}
	var on []placed
	for _, s := range g.Spots {
		if p, ok := g.s.on(s.Position); ok && g.frame.has(p) {
			on = append(on, placed{s, p})
			continue
		}
		g.d.Left = append(g.d.Left, cmp.Or(s.Label, "a point")+" (off the map)")
	}
	for _, s := range on {
		if lim, ok := s.Sector.Get(); ok {
			a, b := lim[0].Degrees(), lim[1].Degrees()
			edge := append(append([]Pt{s.at}, arc(s.at, wedge, a, b)...), s.at)
			for _, part := range clipLine(edge, g.frame) {
				g.d.line(Pen{Width: Thin}, part...)
			}
		}
		if b, ok := s.Pull.Get(); ok {
			to := s.at.add(heading(b.Degrees()).times(tick + 2))
			if from, end, ok := clipSegment(s.at, to, g.frame); ok {
				g.d.arrow(Pen{Width: Bold}, from, end)
				g.l.avoid(from, end)
			}
		}
	}
	for _, s := range on {
		g.d.add(VerdictMark(s.Verdict, s.at, r)...)
		b := Box{s.at.X - r, s.at.Y - r, s.at.X + r, s.at.Y + r}.grow(0.3)
		if s.Best {
			g.d.add(Circle{At: s.at, R: r + 1.1, Pen: Pen{Width: Plain}})
			b = b.grow(1.2)
		}
		g.l.block(b)
	}
	for _, s := range on {
		text := cmp.Or(s.Label, "point")
		if s.Class != "" && s.Class != survey.ClassUnknown {
			text += " · " + string(s.Class)
		} else {
			text += " · ?"
		}
		clear := r + 0.4
		if s.Best {
			clear += 1.2
		}
		g.l.place(label{text: text, at: s.at, clear: clear, size: Normal, bold: true, width: 40})
	}
}

// gridTicks draws the ticks of the UTM grid, on which the national grid
// stands, along the frame and small crosses where its lines meet.
func (g *mapper) gridTicks() {
	mid := g.frame.centre()
	lon, lat, err := g.s.plane.Inverse(g.s.centre[0], g.s.centre[1])
	if err != nil {
		return
	}
	c, err := grid.Project(orb.Point{lon, lat})
	if err != nil || c.Zone == grid.UPS {
		return
	}
	step, figures := 0.0, 0
	for _, s := range []struct {
		metres  float64
		figures int
	}{{100, 3}, {1000, 2}, {10_000, 1}} {
		if g.s.mm(s.metres) >= 18 {
			step, figures = s.metres, s.figures
			break
		}
	}
	if step == 0 {
		return
	}
	half := math.Hypot(g.frame.X1-g.frame.X0, g.frame.Y1-g.frame.Y0) / 2 * g.s.scale / 1000
	e0, n0 := c.Easting.Metres(), c.Northing.Metres()
	at := func(e, n float64) (Pt, bool) {
		p, err := grid.Coord{Zone: c.Zone, North: c.North, Easting: geo.Length(e), Northing: geo.Length(n)}.Point()
		if err != nil {
			return mid, false
		}
		return g.s.on(p)
	}
	name := func(v float64) string {
		return fmt.Sprintf("%0*d", figures, int(math.Round(v/step))%int(math.Pow10(figures)))
	}
	var east, north []float64
	for e := math.Ceil((e0-half)/step) * step; e <= e0+half; e += step {
		east = append(east, e)
	}
	for n := math.Ceil((n0-half)/step) * step; n <= n0+half; n += step {
		north = append(north, n)
	}
	crosses := Path{Pen: Pen{Width: Thin}}
	for _, e := range east {
		for _, n := range north {
			if p, ok := at(e, n); ok && g.frame.grow(-9).has(p) {
				crosses.Lines = append(crosses.Lines, []Pt{p.add(Pt{-1, 0}), p.add(Pt{1, 0})}, []Pt{p.add(Pt{0, -1}), p.add(Pt{0, 1})})
			}
		}
	}
	g.d.add(crosses)
	for _, e := range east {
		a, okA := at(e, n0-half)
		b, okB := at(e, n0+half)
		if okA && okB {
			g.edgeTick(a, b, name(e))
		}
	}
	for _, n := range north {
		a, okA := at(e0-half, n)
		b, okB := at(e0+half, n)
		if okA && okB {
			g.edgeTick(a, b, name(n))
		}
	}
	square, err := grid.USNG(orb.Point{lon, lat}, 0)
	if err == nil {
		g.words = []string{fmt.Sprintf("grid ticks: USNG %s, every %s m", square, group(int(step)))}
	}
}

// edgeTick draws the two ends of a grid line at the frame with its figures.
func (g *mapper) edgeTick(a, b Pt, name string) {
	p, q, ok := clipSegment(a, b, g.frame)
	if !ok || q.sub(p).length() < 10 {
		return
	}
	em := Small * lettering.Point
	inner := g.frame.grow(-1)
	for _, end := range []struct{ at, to Pt }{{p, q}, {q, p}} {
		u := end.to.sub(end.at).unit()
		g.d.line(Pen{Width: Plain}, end.at, end.at.add(u.times(2)))
		t := Text{Text: name, Size: Small, Align: Middle, At: end.at.add(u.times(2.3 + em*0.6)).add(Pt{0, em * lettering.Cap / 2})}
		if math.Abs(u.X) > math.Abs(u.Y) {
			t.At = end.at.add(u.times(2.5 + t.Width()/2)).add(Pt{0, em * lettering.Cap / 2})
		}
		b := t.Box().grow(0.4)
		if !t.Box().Within(inner) || g.l.taken.hits(b) {
			continue
		}
		g.l.block(b)
		g.d.area(Pen{}, Paper, t.Box().corners()...)
		g.d.add(t)
	}
}

// nameOf returns what a feature calls itself, if anything.
func nameOf(props json.RawMessage) string {
	var m struct {
		Name any `json:"name"`
	}
	if json.Unmarshal(props, &m) != nil {
		return ""
	}
	s, _ := m.Name.(string)
	return s
}
