package preplan

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/rig"
)

// stakes lists where every row of stakes goes, measured from the mark, and says
// under it how to set them.
func (a *arranger) stakes(p PointInput, o answer.Option) []Block {
	main, pitch := a.stakeTable(p, o.Main, "Main: "+o.Main.Anchor.Name())
	columns := []Column{{0.5, main}}
	lean, how := a.leanWords(p, o.Main)
	if o.Belay != nil {
		belay, other := a.stakeTable(p, *o.Belay, "Belay: "+o.Belay.Anchor.Name())
		columns = append(columns, Column{0.5, belay})
		pitch = max(pitch, other)
		switch words, too := a.leanWords(p, *o.Belay); {
		case lean == "":
			lean, how = words, too
		case words == "":
		case too != how:
			lean, how = "Main: "+lean+how+" Belay: "+words+too, ""
		case words != lean:
			lean += "; the belay's towards" + strings.SplitN(words, " towards", 2)[1]
		}
	}
	out := []Block{{Columns: columns}}
	if lean == "" {
		return out
	}
	text := fmt.Sprintf("Bearing and distance run from the mark - the surveyed point, %s - to the middle of the row. Row 1 is the front; its stakes (no.) stand across the pull", a.grid(p.Point.Position))
	if pitch > 0 {
		text += ", " + a.length(pitch) + " apart"
	}
	if l := o.Main.Layout; l != nil && len(l.Stakes) > 0 && l.MarkDistanceM > away {
		text += ". NOTHING IS DRIVEN AT THE MARK: the front of the main rigs stands " + a.fromMark(p, o.Main) + ", so that their legs meet before the edge"
	}
	return append(out, Block{Text: text + ". " + lean + how})
}

// leanWords says which way the stakes of an anchor lean, and how that is checked
// and where the legs of its rigs meet; "" where no stake is driven.
func (a *arranger) leanWords(p PointInput, pl answer.Placed) (lean, how string) {
	l := pl.Layout
	if l == nil || len(l.Stakes) == 0 || barred(pl) {
		return "", ""
	}
	s := l.Stakes[0]
	lean = fmt.Sprintf("Lean every stake %s from upright towards %s true, %s magnetic", wording.Angle(s.LeanDeg), wording.Bearing(s.LeanTowardDeg.Degrees()), Magnetic(s.LeanTowardDeg, p.Answer.Pull))
	if l.LeanCheck > 0 {
		how = fmt.Sprintf(" (a stake at the heel of a 12 in boot with its head over the toe leans %s)", wording.Angle(l.LeanCheck))
	}
	how += "."
	if l.CollectorM > 0 {
		how += fmt.Sprintf(" The legs of the rigs meet at least %s ahead of the front stakes; equalise them.", a.length(l.CollectorM))
	}
	return lean, how
}

// away is how far from the marked point an anchor stands when the sheet says
// where it stands.
const away = 0.05 * geo.Metre

// fromMark says where an anchor stands from the marked point, "" where it stands
// at it.
func (a *arranger) fromMark(p PointInput, pl answer.Placed) string {
	var bearing survey.Opt[geo.Bearing]
	var distance survey.Opt[geo.Length]
	switch x := found(p.Point, pl.Anchor); {
	case pl.Layout != nil && pl.Layout.MarkDistanceM <= away:
		return ""
	case pl.Layout != nil:
		bearing, distance = pl.Layout.MarkBearingDeg, survey.Known(pl.Layout.MarkDistanceM)
	case x != nil:
		bearing, distance = x.BearingDeg, x.DistanceM
	default:
		return ""
	}
	if !bearing.Known() && !distance.Known() {
		return "in a place that is " + strings.ToUpper(wording.NotRecorded)
	}
	b, aimed := bearing.Get()
	if !aimed {
		return wording.Opt(distance, a.length) + " from the marked point, on a bearing that is " + strings.ToUpper(wording.NotRecorded)
	}
	return wording.Opt(distance, a.length) + " from the marked point, on " + wording.Bearing(b.Degrees()) + " true, " + Magnetic(b, p.Answer.Pull) + " magnetic"
}

// barred tells an anchor whose stakes are not listed, because they must not be
// driven.
func barred(pl answer.Placed) bool {
	return pl.Verdict == answer.No && pl.Anchor.Kind == survey.KindRig
}

// stakeTable lists the rows of one anchor; pitch is how far apart the stakes of
// a row stand.
func (a *arranger) stakeTable(p PointInput, pl answer.Placed, heading string) (table []Block, pitch geo.Length) {
	l := pl.Layout
	switch {
	case l == nil:
		return []Block{{Heading: heading, Text: "Not laid out."}}, 0
	case barred(pl):
		return []Block{{Heading: heading, Text: forbidden(pl) + " Its stakes are not listed."}}, 0
	case len(l.Stakes) == 0:
		return []Block{{Heading: heading, Text: a.foundWords(p, pl)}}, 0
	}
	rows := rowsOf(p.Point.Position, l.Stakes)
	square := a.square(append(rows.middles(), p.Point.Position))
	t := Table{Columns: []string{"row", "no.", "true", "mag.", "distance", strings.TrimSpace("USNG " + square)}, Widths: []float64{14, 7, 10, 10, 30, 23}}
	for _, r := range rows.list {
		name := fmt.Sprint(r.row)
		if pl.Anchor.Count > 1 {
			name = fmt.Sprintf("rig %d, %d", r.rig, r.row)
		}
		c := []string{name, fmt.Sprint(r.stakes), "mark", "mark", a.length(r.distance), strings.TrimSpace(strings.TrimPrefix(a.grid(r.middle), square))}
		if b, ok := r.bearing.Get(); ok {
			c[2], c[3] = wording.Bearing(b.Degrees()), Magnetic(b, p.Answer.Pull)
		}
		t.Rows = append(t.Rows, Row{Cells: c})
	}
	if bar := forbidden(pl); bar != "" {
		heading += ". " + bar[:strings.IndexAny(bar, ",:.")] + "."
	}
	return []Block{{Heading: heading, Table: &t}}, rows.pitch
}

// square is the zone and 100 km square that all places share, as their grid
// references begin; "" where they share none.
func (a *arranger) square(places []orb.Point) string {
	square := ""
	for i, p := range places {
		part := strings.Fields(a.grid(p))
		if len(part) != 4 {
			return ""
		}
		s := part[0] + " " + part[1]
		if i > 0 && s != square {
			return ""
		}
		square = s
	}
	return square
}

// stakeRow is a row of stakes as it is set out by tape and compass.
type stakeRow struct {
	rig, row, stakes int
	middle           orb.Point
	bearing          survey.Opt[geo.Bearing] // from the mark, true; none at the mark itself
	distance         geo.Length
}

type stakeRows struct {
	list  []stakeRow
	pitch geo.Length // from stake to stake in a row; 0 where every row has one
}

// rowsOf gathers stakes by rig and row, and measures each row's middle from
// the mark.
func rowsOf(mark orb.Point, stakes []rig.Stake) (out stakeRows) {
	var at [][]orb.Point
	for _, s := range stakes {
		i := slices.IndexFunc(out.list, func(r stakeRow) bool { return r.rig == s.Rig && r.row == s.Row })
		if i < 0 {
			i = len(out.list)
			out.list = append(out.list, stakeRow{rig: s.Rig, row: s.Row})
			at = append(at, nil)
		}
		at[i] = append(at[i], orb.Point{s.Lon, s.Lat})
	}
	for i := range out.list {
		r := &out.list[i]
		r.stakes = len(at[i])
		// Stakes of a row stand within a few feet: the mean of their
		// coordinates, counted from the first across any meridian, is its middle.
		first := at[i][0]
		var lon, lat float64
		for _, p := range at[i] {
			lon += math.Remainder(p.Lon()-first.Lon(), 360) / float64(r.stakes)
			lat += (p.Lat() - first.Lat()) / float64(r.stakes)
		}
		r.middle = orb.Point{first.Lon() + lon, first.Lat() + lat}
		d, bearing, _, ok := geodesic.Inverse(mark, r.middle)
		if ok && d > 5*geo.Millimetre {
			r.bearing, r.distance = survey.Known(bearing), d
		}
		if d := geodesic.Distance(first, at[i][len(at[i])-1]); r.stakes > 1 && out.pitch == 0 {
			out.pitch = d / geo.Length(r.stakes-1)
		}
	}
	return out
}

func (r stakeRows) middles() (out []orb.Point) {
	for _, row := range r.list {
		out = append(out, row.middle)
	}
	return out
}
