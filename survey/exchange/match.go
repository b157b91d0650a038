package exchange

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/version"
)

// Match is what a file of sites or points means to those on file.
type Match[T any] struct {
	Write   []T      // what is new or changed
	Missing []string // the ids of what is on file, within what the file covers, and not in it
}

// MatchSites compares the sites of a file with all on file: by id where the
// file gives one, else by code. What becomes of them goes into the report: what
// is added, changed, removed and unchanged, what looks like a duplicate within
// a distance, and what is refused as it cannot be told which it is.
//
// A property that no record of the file has stays as it is on file, unless it is
// part of a statement that the file makes another: a bearing does not keep the
// north of another, nor a place the accuracy of another.
func MatchSites(r *Report, items, onFile []survey.Site, within geo.Length) (Match[survey.Site], error) {
	return match(r, items, onFile, within, noun[survey.Site]{
		by: "id, else the code", id: func(s survey.Site) string { return s.ID }, name: func(s survey.Site) string { return s.Code },
		key: func(s survey.Site) string { return fold(s.Code) }, scope: func(survey.Site) string { return "" }, one: true,
		feature: survey.Site.Feature, parse: survey.ParseSite,
	})
}

// MatchPoints is MatchSites for points: by id, else by site and label. Sites
// gives the ids of the sites that the points name, by id or code; nil is not
// known. What is removed is looked for at the sites that the file names.
func MatchPoints(r *Report, items, onFile []survey.Point, sites map[string]string, within geo.Length) (Match[survey.Point], error) {
	return match(r, items, onFile, within, noun[survey.Point]{
		by: "id, else site and label", id: func(p survey.Point) string { return p.ID }, name: func(p survey.Point) string { return p.Label },
		key: func(p survey.Point) string { return p.Site + "\x00" + fold(p.Label) }, scope: func(p survey.Point) string { return p.Site },
		feature: survey.Point.Feature, parse: survey.ParsePoint,
		settle: func(p *survey.Point) string {
			if sites == nil {
				return ""
			}
			if sites[p.Site] == "" {
				return fmt.Sprintf("/properties/site: %q is no site of this atlas", p.Site)
			}
			p.Site = sites[p.Site]
			return ""
		},
	})
}

// noun is what match has to know of sites or points.
type noun[T any] struct {
	by      string
	id      func(T) string
	name    func(T) string
	key     func(T) string  // what tells it without an id
	scope   func(T) string  // what it is removed from
	one     bool            // no two may have a key
	settle  func(*T) string // makes it comparable; nil when it is, not "" when it cannot be
	feature func(T) (geojson.Feature, error)
	parse   func(geojson.Feature) (T, error)
}

// fold is for comparing names that people typed.
func fold(s string) string { return strings.ToLower(strings.TrimSpace(s)) }

func match[T any](r *Report, items, onFile []T, within geo.Length, n noun[T]) (m Match[T], err error) {
	byID, byKey := map[string]int{}, map[string][]int{}
	for i, item := range onFile {
		byID[n.id(item)] = i
		byKey[n.key(item)] = append(byKey[n.key(item)], i)
	}
	given, err := membersGiven(items, n)
	if err != nil {
		return m, err
	}
	r.Changes = &Changes{By: n.by}
	met, scopes := map[int]bool{}, map[string]bool{}
	var all []thing
	for i, item := range items {
		number := r.taken[i]
		if n.settle != nil {
			if why := n.settle(&item); why != "" {
				r.refuse(number, n.id(item), n.name(item), why)
				continue
			}
		}
		scopes[n.scope(item)] = true
		at, found, why := which(n, item, byID, byKey)
		if why != "" {
			r.refuse(number, n.id(item), n.name(item), why)
			continue
		}
		f, err := n.feature(item)
		if err != nil {
			return m, err
		}
		all = append(all, thing{number: number, name: n.name(item), was: at, found: found, place: placeOf(f.Geometry.Geometry)})
		if !found {
			m.Write = append(m.Write, item)
			r.Changes.add(Change{Kind: Added, Record: number, Name: n.name(item), At: placeOf(f.Geometry.Geometry)})
			continue
		}
		met[at] = true
		was, err := n.feature(onFile[at])
		if err != nil {
			return m, err
		}
		now, change, err := given.merge(f, was)
		if err != nil {
			return m, err
		}
		if len(change.Fields) == 0 {
			r.Changes.Unchanged++
			continue
		}
		if item, err = n.parse(now); err != nil {
			r.refuse(number, n.id(item), n.name(item), "does not go together with what is on file: "+err.Error())
			continue
		}
		m.Write = append(m.Write, item)
		change.Record, change.Name = number, n.name(item)
		r.Changes.add(change)
	}
	for i, item := range onFile {
		f, err := n.feature(item)
		if err != nil {
			return m, err
		}
		at := placeOf(f.Geometry.Geometry)
		all = append(all, thing{name: n.name(item), was: i, found: true, place: at})
		if scopes[n.scope(item)] && !met[i] {
			m.Missing = append(m.Missing, n.id(item))
			r.Changes.add(Change{Kind: Removed, Name: n.name(item), At: at})
		}
	}
	if len(onFile) == 0 {
		r.Changes = nil // there is nothing to compare with
	}
	r.Duplicates = alike(all, within)
	return m, nil
}

// which finds the item on file that one of the file is; why says that it
// cannot be told.
func which[T any](n noun[T], item T, byID map[string]int, byKey map[string][]int) (at int, found bool, why string) {
	same := byKey[n.key(item)]
	if id := n.id(item); id != "" {
		at, found = byID[id]
		if n.one && len(same) > 0 && (!found || same[0] != at) {
			return 0, false, fmt.Sprintf("another on file has the name %s already: give it another, or leave out the id", n.name(item))
		}
		return at, found, ""
	}
	switch len(same) {
	case 0:
		return 0, false, ""
	case 1:
		return same[0], true, ""
	}
	return 0, false, fmt.Sprintf("%d on file are called %s: say by id which it is", len(same), n.name(item))
}

// given are the properties, under dotted names, that some record of a file has.
type given struct {
	names   map[string]bool
	heights bool
}

func membersGiven[T any](items []T, n noun[T]) (given, error) {
	g := given{names: map[string]bool{}}
	for _, item := range items {
		f, err := n.feature(item)
		if err != nil {
			return g, err
		}
		leaves, err := leavesOf(f)
		if err != nil {
			return g, err
		}
		for name := range leaves {
			g.names[name] = true
		}
		g.heights = g.heights || f.Geometry.Z != nil
	}
	return g, nil
}

// leavesOf are the properties of a Feature under dotted names; lists are whole.
func leavesOf(f geojson.Feature) (map[string]json.RawMessage, error) {
	members, err := membersOf(f)
	if err != nil {
		return nil, err
	}
	return flat(members)
}

// merge keeps of what is on file what the file as a whole does not speak of,
// and tells what changes.
func (g given) merge(now, was geojson.Feature) (geojson.Feature, Change, error) {
	change := Change{Kind: Changed, At: placeOf(now.Geometry.Geometry)}
	now.ID = was.ID
	before, err := leavesOf(was)
	if err != nil {
		return now, change, err
	}
	after, err := leavesOf(now)
	if err != nil {
		return now, change, err
	}
	moved := !orb.Equal(now.Geometry.Geometry, was.Geometry.Geometry)
	other := g.restated(before, after, moved)
	for name, value := range before {
		if _, has := after[name]; !has && !g.names[name] && !other[statement(name)] {
			after[name] = value
		}
	}
	tree := map[string]any{}
	for name, value := range after {
		plant(tree, strings.Split(name, "."), value)
	}
	if now.Properties, err = json.Marshal(tree); err != nil {
		return now, change, err
	}
	if !g.heights && !moved {
		now.Geometry.Z = was.Geometry.Z
	}
	if moved {
		change.Fields = append(change.Fields, "place")
	} else if !slices.Equal(now.Geometry.Z, was.Geometry.Z) {
		change.Fields = append(change.Fields, "elevation")
	}
	for _, name := range slices.Sorted(maps.Keys(before)) {
		value, has := after[name]
		if !has {
			change.Loses = append(change.Loses, name)
		}
		if !has || !sameValue(before[name], value) {
			change.Fields = append(change.Fields, name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(after)) {
		if _, has := before[name]; !has {
			change.Fields = append(change.Fields, name)
		}
	}
	return now, change, nil
}

// restated are the properties that are one statement, of which a file gives a
// part that is not as it is on file. A place is part of how well it is known.
func (g given) restated(before, after map[string]json.RawMessage, moved bool) map[string]bool {
	out := map[string]bool{"position": moved}
	for name := range g.names {
		was, had := before[name]
		is, has := after[name]
		if version.Whole(statement(name)) && (had != has || had && !sameValue(was, is)) {
			out[statement(name)] = true
		}
	}
	return out
}

// statement is the property that a dotted name is part of.
func statement(name string) string {
	property, _, _ := strings.Cut(name, ".")
	return property
}

// thing is an item that may be a duplicate of another.
type thing struct {
	number int // of the record; 0 for one on file
	name   string
	was    int // of one that is on file, which
	found  bool
	place  *[2]float64
}

// samePlace is how close two places are that are one and the same whatever is
// there is called: a tenth of a metre is less than any survey tells apart
// (common practice, no source).
const samePlace = geo.Metre / 10

// alike lists the pairs of which at least one is in the file, that lie within a
// distance and are called the same but for case, spaces and punctuation, or
// that lie in the same place.
func alike(all []thing, within geo.Length) []Duplicate {
	const metresPerDegree = 110574 // of latitude, the least there is on WGS 84
	reach := max(within, samePlace)
	slices.SortStableFunc(all, func(a, b thing) int {
		switch {
		case a.place[1] < b.place[1]:
			return -1
		case a.place[1] > b.place[1]:
			return 1
		}
		return 0
	})
	var out []Duplicate
	for i, a := range all {
		for _, b := range all[i+1:] {
			if b.place[1]-a.place[1] > reach.Metres()/metresPerDegree || len(out) >= mostChanges {
				break
			}
			if math.Abs(b.place[0]-a.place[0])*metresPerDegree*math.Cos(b.place[1]*math.Pi/180) > 2*reach.Metres() {
				continue // far off along the parallel
			}
			if a.number == 0 && b.number == 0 || a.found && b.found && a.was == b.was {
				continue
			}
			d := geodesic.Distance(orb.Point(*a.place), orb.Point(*b.place))
			if d > samePlace && (d > within || plainName(a.name) != plainName(b.name)) {
				continue
			}
			one, other := a, b
			if one.number < other.number {
				one, other = b, a
			}
			out = append(out, Duplicate{
				Record: one.number, Name: one.name, Other: other.name, OfRecord: other.number,
				DistanceM: math.Round(d.Metres()*100) / 100, At: one.place,
			})
		}
	}
	slices.SortFunc(out, func(a, b Duplicate) int { return a.Record - b.Record })
	return out
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
