package drawing

import (
	"fmt"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/survey/drawing/wording"
)

// Overview shows where something new lies beside what is there already: its
// extent as a frame, places of it as crosses, and what is known as dots.
type Overview struct {
	Extent *orb.Bound
	Known  []orb.Point // sites on file
	Places []orb.Point // of the new that need a look
}

// mostPlaces bounds the dots and the crosses; more would be one blot.
const mostPlaces = 2000

// Draw returns the overview with north at the top. Longitudes are shortened by
// the cosine of the middle latitude, which is enough to see where things lie.
func (o Overview) Draw(size Size) Drawing {
	size = size.least()
	d := Drawing{Size: size, Title: "Where it lies"}
	all := orb.MultiPoint(slices.Concat(o.Known, o.Places))
	if o.Extent != nil {
		all = append(all, o.Extent.Min, o.Extent.Max)
	}
	if len(all) == 0 {
		return saying(d, "No map: nothing has a place.")
	}
	const margin = 4.0
	b := all.Bound()
	shrink := math.Max(0.01, math.Cos(b.Center().Lat()*math.Pi/180))
	w, h := math.Max(1e-5, (b.Right()-b.Left())*shrink), math.Max(1e-5, b.Top()-b.Bottom())
	k := math.Min((size.W-2*margin)/w, (size.H-2*margin)/h) // mm per degree of latitude
	at := func(p orb.Point) Pt {
		return Pt{size.W/2 + (p.Lon()-b.Center().Lon())*shrink*k, size.H/2 - (p.Lat()-b.Center().Lat())*k}
	}
	d.Marks = append(d.Marks, Path{Lines: [][]Pt{{{Thin, Thin}, {size.W - Thin, Thin}, {size.W - Thin, size.H - Thin}, {Thin, size.H - Thin}}}, Closed: true, Pen: Pen{Width: Thin}})
	if e := o.Extent; e != nil {
		a, c := at(orb.Point{e.Left(), e.Top()}), at(orb.Point{e.Right(), e.Bottom()})
		d.Marks = append(d.Marks, Path{Lines: [][]Pt{{{a.X - 1, a.Y - 1}, {c.X + 1, a.Y - 1}, {c.X + 1, c.Y + 1}, {a.X - 1, c.Y + 1}}}, Closed: true, Pen: Pen{Width: Bold, Dash: []float64{2.5, 1.2}}})
	}
	for _, p := range o.Known[:min(mostPlaces, len(o.Known))] {
		d.Marks = append(d.Marks, Circle{At: at(p), R: 1.1, Fill: Ink})
	}
	for _, p := range o.Places[:min(mostPlaces, len(o.Places))] {
		c := at(p)
		d.Marks = append(d.Marks, Path{Lines: [][]Pt{{{c.X - 1.4, c.Y - 1.4}, {c.X + 1.4, c.Y + 1.4}}, {{c.X - 1.4, c.Y + 1.4}, {c.X + 1.4, c.Y - 1.4}}}, Pen: Pen{Width: Plain}})
	}
	d.Desc = fmt.Sprintf("Map, north at the top: the broken frame is the extent of the file, dots are %s on file, crosses are %s of the file to look at.",
		wording.Count(len(o.Known), "site", "sites"), wording.Count(len(o.Places), "record", "records"))
	return d
}
