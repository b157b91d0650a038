// Package dxf writes the layout of an anchor as a drawing that surveying and
// drawing programs read: DXF as published for release 12 (AC1009), as text.
// Coordinates are metres east and north on the UTM grid of WGS 84 in the zone
// of the surveyed point, so that the file lies in place beside other data.
// A distance taken from it is a grid distance: on the ground it is up to 0.04 %
// longer, or 0.1 % shorter at the edge of a zone.
package dxf

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/clip"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/grid"
	"holdfast/geo/projection"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/wording"
)

// Layers of the file.
const (
	Mark        = "MARK"         // the surveyed point, from which everything is set out
	Stakes      = "STAKES"       // of the main anchor
	BelayStakes = "STAKES_BELAY" // of the belay
	Lashings    = "LASHINGS"     // from row to row of each rig
	Pull        = "PULL"         // from the front of the anchor along the pull bearing
	Sector      = "SECTOR"       // within which the anchor may be pulled
	Footprint   = "FOOTPRINT"    // ground that the rigs and the people driving them need
	Refusal     = "REFUSAL"      // no stake may be driven within
	Near        = "NEAR"         // what the layers show nearby
	Text        = "TEXT"
)

var layers = []string{Mark, Stakes, BelayStakes, Lashings, Pull, Sector, Footprint, Refusal, Near, Text}

// reach of the pull line, how far round the mark the layers are shown, and
// letter heights, in metres.
const (
	pullShown = 5.0
	nearShown = 60.0
	letters   = 0.15
)

// Frame is the grid that a file's coordinates are on.
type Frame struct {
	Zone  int
	South bool
	plane *projection.TransverseMercator
}

// FrameAt returns the frame for files round a place.
func FrameAt(p orb.Point) (Frame, error) {
	zone, err := grid.Zone(p)
	if err != nil {
		return Frame{}, fmt.Errorf("choose the grid: %w", err)
	}
	if zone == grid.UPS {
		return Frame{}, survey.Invalid("", "a layout this near a pole has no UTM zone and is not written as DXF")
	}
	f := Frame{Zone: zone, South: p.Lat() < 0}
	north := 0.0
	if f.South {
		north = 1e7
	}
	f.plane = projection.NewTransverseMercator(geo.WGS84, float64(6*zone-183), 0, 0.9996, 500_000, north)
	return f, nil
}

// String names the frame as UTM zone and EPSG code.
func (f Frame) String() string {
	half, code := "N", 32600
	if f.South {
		half, code = "S", 32700
	}
	return fmt.Sprintf("WGS 84 / UTM zone %d%s (EPSG:%d)", f.Zone, half, code+f.Zone)
}

// Short names the frame for a file name, such as utm15n.
func (f Frame) Short() string {
	if f.South {
		return fmt.Sprintf("utm%ds", f.Zone)
	}
	return fmt.Sprintf("utm%dn", f.Zone)
}

// Write writes the layout of a plan. notes are set as text beside it, the
// frame first; the caller's say where it is and which cautions hold.
func Write(w io.Writer, p drawing.Plan, notes []string) error {
	if p.Main.Layout == nil {
		return survey.Invalid("", "nothing is laid out at %s", p.Point)
	}
	f, err := FrameAt(p.Position)
	if err != nil {
		return err
	}
	d := writer{b: bufio.NewWriter(w), f: f}
	d.head()
	d.pair(0, "SECTION")
	d.pair(2, "ENTITIES")
	d.anchor(p.Main, Stakes, p.Pull)
	if p.Belay != nil && p.Belay.Layout != nil {
		d.anchor(*p.Belay, BelayStakes, answer.Pull{})
	}
	d.point(Mark, p.Position)
	d.text(Mark, p.Position, "mark "+p.Point)
	d.nearby(p)
	d.notes(p.Position, append([]string{d.f.String() + ", metres"}, notes...))
	d.pair(0, "ENDSEC")
	d.pair(0, "EOF")
	if d.err == nil {
		d.err = d.b.Flush()
	}
	if d.err != nil {
		return fmt.Errorf("write DXF: %w", d.err)
	}
	return nil
}

// writer writes groups: a code and a value, each on a line of its own. It keeps
// the first error.
type writer struct {
	b   *bufio.Writer
	f   Frame
	err error
}

func (d *writer) pair(code int, value string) {
	if d.err == nil {
		_, d.err = fmt.Fprintf(d.b, "%3d\n%s\n", code, value)
	}
}

func (d *writer) number(code int, v float64) { d.pair(code, fmt.Sprintf("%.4f", v)) }

// head says the release and names the layers.
func (d *writer) head() {
	d.pair(999, "layout of an anchor; coordinates: "+d.f.String()+", metres; a planning aid")
	d.pair(0, "SECTION")
	d.pair(2, "HEADER")
	d.pair(9, "$ACADVER")
	d.pair(1, "AC1009")
	d.pair(9, "$DWGCODEPAGE")
	d.pair(3, "ANSI_1252")
	d.pair(0, "ENDSEC")
	d.pair(0, "SECTION")
	d.pair(2, "TABLES")
	d.pair(0, "TABLE")
	d.pair(2, "LTYPE")
	d.pair(70, "1")
	d.pair(0, "LTYPE")
	d.pair(2, "CONTINUOUS")
	d.pair(70, "0")
	d.pair(3, "Solid line")
	d.pair(72, "65")
	d.pair(73, "0")
	d.pair(40, "0.0")
	d.pair(0, "ENDTAB")
	d.pair(0, "TABLE")
	d.pair(2, "LAYER")
	d.pair(70, fmt.Sprint(len(layers)))
	for _, l := range layers {
		d.pair(0, "LAYER")
		d.pair(2, l)
		d.pair(70, "0")
		d.pair(62, "7") // black or white, as the ground is
		d.pair(6, "CONTINUOUS")
	}
	d.pair(0, "ENDTAB")
	d.pair(0, "ENDSEC")
}

// at returns a place on the grid; ok is false where it lies off it.
func (d *writer) at(p orb.Point) (xy [2]float64, ok bool) {
	x, y, err := d.f.plane.Forward(p.Lon(), p.Lat())
	return [2]float64{x, y}, err == nil && !math.IsNaN(x+y)
}

func (d *writer) begin(kind, layer string) {
	d.pair(0, kind)
	d.pair(8, layer)
}

func (d *writer) spot(code int, xy [2]float64) {
	d.number(code, xy[0])
	d.number(code+10, xy[1])
	d.number(code+20, 0)
}

func (d *writer) point(layer string, p orb.Point) {
	if xy, ok := d.at(p); ok {
		d.begin("POINT", layer)
		d.spot(10, xy)
	}
}

func (d *writer) line(layer string, a, b orb.Point) {
	p, okP := d.at(a)
	q, okQ := d.at(b)
	if okP && okQ {
		d.begin("LINE", layer)
		d.spot(10, p)
		d.spot(11, q)
	}
}

func (d *writer) path(layer string, ps []orb.Point, closed bool) {
	var xy [][2]float64
	for _, p := range ps {
		if q, ok := d.at(p); ok {
			xy = append(xy, q)
		}
	}
	d.polyline(layer, xy, closed)
}

func (d *writer) polyline(layer string, xy [][2]float64, closed bool) {
	if closed && len(xy) > 1 && xy[0] == xy[len(xy)-1] {
		xy = xy[:len(xy)-1]
	}
	if len(xy) < 2 {
		return
	}
	d.begin("POLYLINE", layer)
	d.pair(66, "1")
	d.spot(10, [2]float64{})
	d.pair(70, map[bool]string{true: "1", false: "0"}[closed])
	for _, p := range xy {
		d.begin("VERTEX", layer)
		d.spot(10, p)
	}
	d.begin("SEQEND", layer)
}

// text sets letters a little right of a place.
func (d *writer) text(layer string, p orb.Point, s string) {
	if xy, ok := d.at(p); ok {
		d.textAt(layer, [2]float64{xy[0] + letters/2, xy[1] + letters/2}, s)
	}
}

func (d *writer) textAt(layer string, xy [2]float64, s string) {
	d.begin("TEXT", layer)
	d.spot(10, xy)
	d.number(40, letters)
	d.pair(1, plain(s))
}

// plain writes a text in the code page that the head names; other characters as
// \U+ and their number, which is how the format spells them. Beyond four digits
// there is no spelling, and the number stands in brackets.
func plain(s string) string {
	var b []byte
	for _, r := range strings.Join(strings.Fields(s), " ") {
		switch {
		case r < ' ' || r >= 0x7F && r < 0xA0:
		case r <= 0xFF: // the same in Latin 1 and Windows-1252
			b = append(b, byte(r))
		case r <= 0xFFFF:
			b = fmt.Appendf(b, "\\U+%04X", r)
		default:
			b = fmt.Appendf(b, "[U+%X]", r)
		}
	}
	return string(b)
}

// anchor writes one anchor: its stakes named by rig, row and number, and what
// belongs to them. A pull that is not known draws no line.
func (d *writer) anchor(pl answer.Placed, layer string, pull answer.Pull) {
	l := pl.Layout
	for _, s := range l.Stakes {
		at := orb.Point{s.Lon, s.Lat}
		d.point(layer, at)
		d.text(layer, at, fmt.Sprintf("%d.%d.%d", s.Rig, s.Row, s.Place))
	}
	if len(l.Stakes) == 0 {
		d.point(layer, l.Front())
		d.text(layer, l.Front(), pl.Anchor.Name())
	}
	for i, s := range l.Stakes { // from the first stake of a row to that of the next
		if s.Place != 1 {
			continue
		}
		for _, t := range l.Stakes[i+1:] {
			if t.Rig == s.Rig && t.Row == s.Row+1 && t.Place == 1 {
				d.line(Lashings, orb.Point{s.Lon, s.Lat}, orb.Point{t.Lon, t.Lat})
			}
		}
	}
	if b, ok := pull.TrueDeg.Get(); ok {
		to, _ := geodesic.Direct(l.Front(), b, pullShown)
		d.line(Pull, l.Front(), to)
		d.text(Pull, to, "pull "+wording.Bearing(b.Degrees())+" true")
	}
	d.path(Sector, l.Sector, true)
	d.path(Footprint, l.Footprint, true)
}

// nearby writes the lines of the layers and, round buried ones, the ground in
// which no stake may be driven: a rectangle along each stretch and a circle at
// each corner.
func (d *writer) nearby(p drawing.Plan) {
	shown := orb.Bound{Min: p.Position, Max: p.Position}
	for _, b := range []geo.Bearing{0, 90, 180, 270} {
		at, _ := geodesic.Direct(p.Position, b, nearShown)
		shown = shown.Extend(at)
	}
	for _, n := range p.Near {
		if n.Role == survey.RoleParcel || n.Role == survey.RoleElevation {
			continue
		}
		clear := p.Tolerance
		if own, ok := n.Tolerance.Get(); ok {
			clear = own
		}
		named := false
		for _, part := range parts(n.Feature.Geometry, shown) {
			d.path(Near, part, false)
			if !named && len(part) > 0 {
				d.text(Near, part[0], strings.TrimSpace(string(n.Role)+" "+n.Name))
				named = true
			}
			if n.Role == survey.RoleBuried {
				d.refuse(part, (clear + n.HalfWidth).Metres())
			}
		}
	}
}

// parts lists the stretches of lines and rings, and the places, of a geometry
// within a bound.
func parts(g orb.Geometry, within orb.Bound) (out [][]orb.Point) {
	line := func(l orb.LineString) {
		for _, part := range clip.LineString(within, l) {
			out = append(out, part)
		}
	}
	switch g := g.(type) {
	case orb.Point:
		if within.Contains(g) {
			out = append(out, []orb.Point{g})
		}
	case orb.MultiPoint:
		for _, p := range g {
			out = append(out, parts(p, within)...)
		}
	case orb.LineString:
		line(g)
	case orb.Ring:
		line(orb.LineString(g))
	case orb.MultiLineString:
		for _, l := range g {
			line(l)
		}
	case orb.Polygon:
		for _, r := range g {
			line(orb.LineString(r))
		}
	case orb.MultiPolygon:
		for _, p := range g {
			out = append(out, parts(p, within)...)
		}
	case orb.Collection:
		for _, part := range g {
			out = append(out, parts(part, within)...)
		}
	}
	return out
}

func (d *writer) refuse(line []orb.Point, clear float64) {
	var before [2]float64
	for i, p := range line {
		xy, ok := d.at(p)
		if !ok {
			return
		}
		d.begin("CIRCLE", Refusal)
		d.spot(10, xy)
		d.number(40, clear)
		if dx, dy := xy[0]-before[0], xy[1]-before[1]; i > 0 && (dx != 0 || dy != 0) {
			l := math.Hypot(dx, dy)
			nx, ny := -dy/l*clear, dx/l*clear
			d.polyline(Refusal, [][2]float64{{before[0] + nx, before[1] + ny}, {xy[0] + nx, xy[1] + ny}, {xy[0] - nx, xy[1] - ny}, {before[0] - nx, before[1] - ny}}, true)
		}
		before = xy
	}
}

// notes are set under the mark, clear of the rig.
func (d *writer) notes(mark orb.Point, lines []string) {
	xy, ok := d.at(mark)
	if !ok {
		return
	}
	xy[0] += 8
	for _, s := range lines {
		d.textAt(Text, xy, s)
		xy[1] -= 2 * letters
	}
}
