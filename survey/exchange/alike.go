package exchange

import (
	"cmp"
	"encoding/binary"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

// things are items that may be duplicates of each other. They keep 32 bytes of
// each, and its name.
type things struct {
	within geo.Length
	all    []thing
	names  []byte // each after its length
}

type thing struct {
	lon, lat float64
	number   uint32 // of the record; 0 for one on file
	was      int32  // which on file it is, -1 for none
	name     uint32 // where in names it stands
}

// add notes a thing that has a place.
func (t *things) add(one thing, name string, g orb.Geometry) {
	at := placeOf(g)
	one.lon, one.lat, one.name = at[0], at[1], uint32(len(t.names))
	t.names = append(binary.AppendUvarint(t.names, uint64(len(name))), name...)
	t.all = append(t.all, one)
}

// of returns what the thing that was added so many others after was called, and
// where it is.
func (t *things) of(index int) (string, *[2]float64) {
	one := t.all[index]
	return t.called(one), &[2]float64{one.lon, one.lat}
}

func (t *things) called(one thing) string {
	length, n := binary.Uvarint(t.names[one.name:])
	from := int(one.name) + n
	return string(t.names[from : from+int(length)])
}

// samePlace is how close two places are that are one and the same whatever is
// there is called: a tenth of a metre is less than any survey tells apart
// (common practice, no source).
const samePlace = geo.Metre / 10

// metresPerDegree of latitude, the least there is on WGS 84.
const metresPerDegree = 110574

// alike lists pairs of which at least one is in the file, that lie within the
// distance and are called the same but for case, spaces and punctuation, or
// that lie in the same place. It brings the things into another order: into
// rows along the parallels, as high as the distance, so that each is only
// compared with those beside it in its row and in the next.
func (t *things) alike() []Duplicate {
	reach := max(t.within, samePlace).Metres() / metresPerDegree
	row := func(one thing) int64 { return int64(math.Floor(one.lat / reach)) }
	slices.SortFunc(t.all, func(a, b thing) int {
		return cmp.Or(cmp.Compare(row(a), row(b)), cmp.Compare(a.lon, b.lon), cmp.Compare(a.number, b.number), cmp.Compare(a.was, b.was))
	})
	var out []Duplicate
	next := 0 // where in the next row it begins to be near enough
	for i, a := range t.all {
		at := row(a)
		wide := 2 * reach / math.Max(1e-9, math.Cos(math.Min(90, math.Abs(float64(at))*reach+2*reach)*math.Pi/180))
		for j := i + 1; j < len(t.all) && row(t.all[j]) == at && t.all[j].lon-a.lon <= wide && len(out) < mostChanges; j++ {
			out = t.compare(out, a, t.all[j])
		}
		for next = max(next, i+1); next < len(t.all) && (row(t.all[next]) <= at || row(t.all[next]) == at+1 && t.all[next].lon < a.lon-wide); next++ {
		}
		for j := next; j < len(t.all) && row(t.all[j]) == at+1 && t.all[j].lon-a.lon <= wide && len(out) < mostChanges; j++ {
			out = t.compare(out, a, t.all[j])
		}
	}
	slices.SortFunc(out, func(a, b Duplicate) int { return cmp.Or(a.Record-b.Record, a.OfRecord-b.OfRecord) })
	return out
}

// compare appends a pair when it is alike.
func (t *things) compare(out []Duplicate, a, b thing) []Duplicate {
	if a.number == 0 && b.number == 0 || a.was >= 0 && a.was == b.was {
		return out
	}
	d := geodesic.Distance(orb.Point{a.lon, a.lat}, orb.Point{b.lon, b.lat})
	if d > samePlace && (d > t.within || plainName(t.called(a)) != plainName(t.called(b))) {
		return out
	}
	one, other := a, b
	if one.number < other.number {
		one, other = b, a
	}
	return append(out, Duplicate{
		Record: int(one.number), Name: t.called(one), Other: t.called(other), OfRecord: int(other.number),
		DistanceM: math.Round(d.Metres()*100) / 100, At: &[2]float64{one.lon, one.lat},
	})
}

// plainName leaves of a name its letters and digits.
func plainName(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r > 127 {
			return r
		}
		return -1
	}, strings.ToLower(s))
}
