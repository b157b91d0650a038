package preplan

import (
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/rig"
)

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
