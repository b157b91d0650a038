package exchange

import (
	"encoding/json"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/version"
)

// Matcher compares the sites or points of a file, one after the other, with all
// on file: by id where the file gives one, else by code, or by site and label.
// What becomes of them goes into the report: what is added, changed, removed and
// unchanged, what looks like a duplicate within a distance, and what is refused
// as it cannot be told which it is. It keeps little of each.
//
// A property that no record of the file has stays as it is on file, unless it is
// part of a statement that the file makes another: a bearing does not keep the
// north of another, nor a place the accuracy of another.
type Matcher[T any] struct {
	r      *Report
	n      noun[T]
	given  func() (Given, error)
	gives  *Given // once it was asked for
	things things
	scopes map[string]bool // that the file names

	onFile []stored
	byID   map[string]int32
	byKey  map[string]int32 // the last of that key
}

// stored is what is kept of an item on file.
type stored struct {
	id       string
	scope    string
	revision int64
	alike    int32 // another of its key, -1: none
	met      bool
}

// MatchSites returns a Matcher of sites. Given is asked once for what the file
// gives, when the first record is found to be on file.
func MatchSites(r *Report, within geo.Length, given func() (Given, error)) *Matcher[survey.Site] {
	return newMatcher(r, within, given, noun[survey.Site]{
		by: "id, else the code", id: func(s survey.Site) string { return s.ID }, name: func(s survey.Site) string { return s.Code },
		scope: func(survey.Site) string { return "" }, one: true, place: func(s survey.Site) orb.Geometry { return s.Geometry },
		feature: survey.Site.Feature, parse: survey.ParseSite,
	})
}

// MatchPoints is MatchSites for points. Site gives the id of the site that a
// point names by id or code, "" when there is none; nil is not known. What is
// removed is looked for at the sites that the file names.
func MatchPoints(r *Report, within geo.Length, given func() (Given, error), site func(idOrCode string) (string, error)) *Matcher[survey.Point] {
	n := noun[survey.Point]{
		by: "id, else site and label", id: func(p survey.Point) string { return p.ID }, name: func(p survey.Point) string { return p.Label },
		scope: func(p survey.Point) string { return p.Site }, place: func(p survey.Point) orb.Geometry { return p.Position },
		feature: survey.Point.Feature, parse: survey.ParsePoint,
	}
	if site != nil {
		n.settle = func(p *survey.Point) (string, error) {
			id, err := site(p.Site)
			if err == nil && id == "" {
				return fmt.Sprintf("/properties/site: %q is no site of this atlas", p.Site), nil
			}
			p.Site = id
			return "", err
		}
	}
	return newMatcher(r, within, given, n)
}

func newMatcher[T any](r *Report, within geo.Length, given func() (Given, error), n noun[T]) *Matcher[T] {
	r.WithinM = within.Metres()
	return &Matcher[T]{r: r, n: n, given: given, things: things{within: within}, scopes: map[string]bool{}, byID: map[string]int32{}, byKey: map[string]int32{}}
}

// noun is what a Matcher has to know of sites or points.
type noun[T any] struct {
	by      string
	id      func(T) string
	name    func(T) string
	scope   func(T) string // what it is removed from
	place   func(T) orb.Geometry
	one     bool                     // no two may have a key
	settle  func(*T) (string, error) // makes it comparable, or says why it cannot be; nil when it is
	feature func(T) (geojson.Feature, error)
	parse   func(geojson.Feature) (T, error)
}

// key is what tells an item without an id.
func (n noun[T]) key(item T) string { return n.scope(item) + "\x00" + fold(n.name(item)) }

// fold is for comparing names that people typed.
func fold(s string) string { return strings.ToLower(strings.TrimSpace(s)) }

// Had notes an item on file with its revision. All of them come before the
// first of the file.
func (m *Matcher[T]) Had(item T, revision int64) {
	at := int32(len(m.onFile))
	one := stored{id: m.n.id(item), scope: m.n.scope(item), revision: revision, alike: -1}
	if at > 0 && m.onFile[at-1].scope == one.scope {
		one.scope = m.onFile[at-1].scope // the same text once
	}
	key := m.n.key(item)
	if other, has := m.byKey[key]; has {
		one.alike = other
	}
	m.onFile = append(m.onFile, one)
	m.byID[one.id], m.byKey[key] = at, at
	m.things.add(thing{was: at}, m.n.name(item), m.n.place(item))
}

// Match compares an item, the one that the report was told of last, and says
// whether it is to be written, as what, and at which revision it was seen; 0 is
// that of a new one. Stored returns an item on file by its id.
func (m *Matcher[T]) Match(item T, stored func(id string) (T, error)) (as T, revision int64, write bool, err error) {
	number := m.r.last
	if m.n.settle != nil {
		why, err := m.n.settle(&item)
		if err != nil {
			return item, 0, false, err
		}
		if why != "" {
			m.r.refuse(number, m.n.id(item), m.n.name(item), why)
			return item, 0, false, nil
		}
	}
	m.scopes[m.n.scope(item)] = true
	at, why := m.which(item)
	if why != "" {
		m.r.refuse(number, m.n.id(item), m.n.name(item), why)
		return item, 0, false, nil
	}
	m.things.add(thing{number: uint32(number), was: at}, m.n.name(item), m.n.place(item))
	if at < 0 {
		m.change(Change{Kind: Added, Record: number, Name: m.n.name(item), At: placeOf(m.n.place(item))})
		return item, 0, true, nil
	}
	one := &m.onFile[at]
	one.met = true
	was, err := stored(one.id)
	if err != nil {
		return item, 0, false, err
	}
	as, write, err = m.merge(item, was, number)
	return as, one.revision, write, err
}

// merge makes of an item what it becomes on file.
func (m *Matcher[T]) merge(item, was T, number int) (as T, write bool, err error) {
	if m.gives == nil {
		given, err := m.given()
		if err != nil {
			return item, false, err
		}
		m.gives = &given
	}
	now, err := m.n.feature(item)
	if err != nil {
		return item, false, err
	}
	before, err := m.n.feature(was)
	if err != nil {
		return item, false, err
	}
	now, change, err := m.gives.merge(now, before)
	if err != nil {
		return item, false, err
	}
	if len(change.Fields) == 0 {
		m.changes().Unchanged++
		return item, false, nil
	}
	if as, err = m.n.parse(now); err != nil {
		m.r.refuse(number, m.n.id(item), m.n.name(item), "does not go together with what is on file: "+err.Error())
		return item, false, nil
	}
	change.Record, change.Name = number, m.n.name(as)
	m.change(change)
	return as, true, nil
}

// which finds the item on file that one of the file is, -1 when it is none; why
// says that it cannot be told.
func (m *Matcher[T]) which(item T) (at int32, why string) {
	same, has := int32(-1), false
	if len(m.onFile) == 0 {
		return -1, ""
	}
	if same, has = m.byKey[m.n.key(item)]; !has {
		same = -1
	}
	if id := m.n.id(item); id != "" {
		at, found := m.byID[id]
		if !found {
			at = -1
		}
		if m.n.one && has && same != at {
			return -1, fmt.Sprintf("another on file has the name %s already: give it another, or leave out the id", m.n.name(item))
		}
		return at, ""
	}
	many := 0
	for i := same; i >= 0; i = m.onFile[i].alike {
		many++
	}
	if many > 1 {
		return -1, fmt.Sprintf("%d on file are called %s: say by id which it is", many, m.n.name(item))
	}
	return same, ""
}

// changes are those of the report; there are none while there is nothing to
// compare with.
func (m *Matcher[T]) changes() *Changes {
	if m.r.Changes == nil {
		m.r.Changes = &Changes{By: m.n.by}
	}
	return m.r.Changes
}

func (m *Matcher[T]) change(c Change) {
	if len(m.onFile) > 0 {
		m.changes().add(c)
	}
}

// Finish completes the report when the file has ended.
func (m *Matcher[T]) Finish() {
	if len(m.onFile) > 0 {
		m.changes()
	}
	for at := range m.onFile {
		if m.missing(at) {
			name, place := m.things.of(at)
			m.change(Change{Kind: Removed, Name: name, At: place})
		}
	}
	m.r.Duplicates = m.things.alike()
}

func (m *Matcher[T]) missing(at int) bool { return m.scopes[m.onFile[at].scope] && !m.onFile[at].met }

// Missing yields the ids of what is on file, within what the file covers, and
// not in it, with their revisions.
func (m *Matcher[T]) Missing(yield func(id string, revision int64) bool) {
	for at, one := range m.onFile {
		if m.missing(at) && !yield(one.id, one.revision) {
			return
		}
	}
}

// Given are the properties, under dotted names, that some record of a file has.
type Given struct {
	names   map[string]bool
	heights bool
}

// SitesGive reads what sites give. What ends the reading ends it here too.
func SitesGive(sites iter.Seq2[survey.Site, error]) (Given, error) {
	return membersGiven(sites, survey.Site.Feature)
}

// PointsGive is SitesGive for points.
func PointsGive(points iter.Seq2[survey.Point, error]) (Given, error) {
	return membersGiven(points, survey.Point.Feature)
}

func membersGiven[T any](items iter.Seq2[T, error], feature func(T) (geojson.Feature, error)) (Given, error) {
	g := Given{names: map[string]bool{}}
	for item, err := range items {
		if err != nil {
			return g, err
		}
		f, err := feature(item)
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
func (g Given) merge(now, was geojson.Feature) (geojson.Feature, Change, error) {
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
func (g Given) restated(before, after map[string]json.RawMessage, moved bool) map[string]bool {
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
