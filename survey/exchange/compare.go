package exchange

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/maphash"
	"slices"
	"strconv"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/wkb"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// LayerComparer tells two editions of a layer apart. It keeps 24 bytes of each
// feature; of a file for which there is no edition, 8.
type LayerComparer struct {
	column   string // that names a feature; "" is its own id
	seed     maphash.Seed
	old      []entry
	sorted   bool
	new      []entry
	alone    []uint64 // the contents of the features of a file for which there is no edition
	skips    []skip
	hadOld   bool
	repeated bool // keys of the edition on file are missing or not unique
	listed   Changes
	members  *geojson.Members
	shape    bytes.Buffer
}

// entry is what is kept of a feature.
type entry struct {
	key     uint64 // 0: it has none
	content uint64
	number  uint32
	met     bool
}

// skip says which record a feature is: those that follow it count on from it.
type skip struct{ index, record int }

// NewLayerComparer compares features by a column, "" by their own ids; where
// those are missing or not unique, by content.
func NewLayerComparer(column string) *LayerComparer {
	return &LayerComparer{column: column, seed: maphash.MakeSeed(), members: geojson.NewMembers()}
}

// Replaces says that there is an edition on file, of so many features, perhaps
// none. It comes before Had and Has.
func (c *LayerComparer) Replaces(features int) {
	c.hadOld = true
	c.old, c.new = make([]entry, 0, features), make([]entry, 0, features)
}

// Had notes a feature of the edition on file, as the store returns it, before
// the first of the file.
func (c *LayerComparer) Had(f survey.LayerFeature) error {
	number, err := strconv.ParseUint(f.ID, 10, 32)
	if err != nil {
		return fmt.Errorf("compare feature %q: %w", f.ID, err)
	}
	f.ID = ""
	e, _, err := c.entry(f, "source_id")
	e.number = uint32(number)
	c.old = append(c.old, e)
	return err
}

// Has notes a feature of the file. The number of the edition's feature that it
// replaces comes back, 0 when there is none or nothing changed, for the caller
// to see what differs.
func (c *LayerComparer) Has(f survey.LayerFeature, record int) (changed int64, err error) {
	if !c.hadOld {
		return 0, c.hasAlone(f, record)
	}
	c.sortOld()
	e, name, err := c.entry(f, "")
	if err != nil {
		return 0, err
	}
	e.number = uint32(record)
	c.new = append(c.new, e)
	if c.repeated || e.key == 0 {
		return 0, nil
	}
	i, found := c.find(e.key)
	switch {
	case !found:
		c.listed.add(Change{Kind: Added, Record: record, Name: name, At: placeOf(f.Geometry)})
	case c.old[i].content != e.content:
		c.old[i].met = true
		if len(c.listed.Listed) < mostChanges {
			changed = int64(c.old[i].number)
		}
		c.listed.add(Change{Kind: Changed, Record: record, Name: name, At: placeOf(f.Geometry)})
	default:
		c.old[i].met = true
	}
	return changed, nil
}

// Differs names what differs between the feature that Has was given last and
// the one on file that it replaces.
func (c *LayerComparer) Differs(now, was survey.LayerFeature) error {
	last := &c.listed.Listed[len(c.listed.Listed)-1]
	fields, loses, err := difference(was.Properties, now.Properties, "source_id")
	last.Fields, last.Loses = fields, loses
	if !orb.Equal(now.Geometry, was.Geometry) {
		last.Fields = append([]string{"place"}, last.Fields...)
	}
	return err
}

// difference lists the members that two objects do not share, and those of them
// that only the first has.
func difference(was, now json.RawMessage, except string) (differs, lost []string, err error) {
	a, b := geojson.NewMembers(), geojson.NewMembers()
	if err := a.Read(was); err != nil {
		return nil, nil, err
	}
	if err := b.Read(now); err != nil {
		return nil, nil, err
	}
	for _, m := range a.List {
		v, has := b.Get(m.Name)
		switch {
		case m.Name == except || !has && string(m.Value) == "null":
		case !has || string(v) == "null" && string(m.Value) != "null":
			differs, lost = append(differs, m.Name), append(lost, m.Name)
		case !sameValue(m.Value, v):
			differs = append(differs, m.Name)
		}
	}
	for _, m := range b.List {
		if _, has := a.Get(m.Name); !has && m.Name != except && string(m.Value) != "null" {
			differs = append(differs, m.Name)
		}
	}
	return differs, lost, nil
}

func sameValue(a, b json.RawMessage) bool {
	if bytes.Equal(a, b) {
		return true
	}
	x, y := number64(a), number64(b)
	return x != nil && y != nil && *x == *y
}

func number64(v []byte) *float64 {
	if len(v) == 0 || v[0] != '-' && (v[0] < '0' || v[0] > '9') {
		return nil
	}
	x, err := strconv.ParseFloat(string(v), 64)
	if err != nil {
		return nil
	}
	return &x
}

// hasAlone notes a feature when there is nothing on file to compare it with: it
// is enough to tell the features of the one file apart.
func (c *LayerComparer) hasAlone(f survey.LayerFeature, record int) error {
	shape, err := c.wkb(f.Geometry)
	if err != nil {
		return err
	}
	if c.recordOf(len(c.alone)) != record {
		c.skips = append(c.skips, skip{len(c.alone), record})
	}
	c.alone = append(c.alone, maphash.Bytes(c.seed, shape)+3*maphash.Bytes(c.seed, f.Properties))
	return nil
}

// recordOf is the number of the record that a feature was, counted from 0.
func (c *LayerComparer) recordOf(index int) int {
	i, found := slices.BinarySearchFunc(c.skips, index, func(s skip, index int) int { return s.index - index })
	if !found {
		i--
	}
	if i < 0 {
		return index + 1
	}
	return c.skips[i].record + index - c.skips[i].index
}

func (c *LayerComparer) wkb(g orb.Geometry) ([]byte, error) {
	c.shape.Reset()
	err := wkb.NewEncoder(&c.shape).SetByteOrder(binary.LittleEndian).Encode(g)
	return c.shape.Bytes(), err
}

// entry reads the key and the content of a feature. The member idKey holds the
// id that the source gave.
func (c *LayerComparer) entry(f survey.LayerFeature, idKey string) (e entry, name string, err error) {
	if err := c.members.Read(f.Properties); err != nil {
		return e, "", err
	}
	name = f.ID
	column := c.column
	if column == "" {
		column = idKey
	}
	for _, m := range c.members.List {
		if m.Name == column {
			name = textOf(m.Value)
		}
		if m.Name != "source_id" && string(m.Value) != "null" {
			e.content += c.member(m) // in any order
		}
	}
	if name != "" {
		e.key = max(1, maphash.String(c.seed, name))
	}
	shape, err := c.wkb(f.Geometry)
	e.content += maphash.Bytes(c.seed, shape)
	return e, name, err
}

func textOf(raw json.RawMessage) string {
	switch v := plainValue(raw).(type) {
	case string:
		return v
	case json.RawMessage:
		return string(v)
	}
	return ""
}

func (c *LayerComparer) member(m geojson.Member) uint64 {
	h := maphash.String(c.seed, m.Name)
	if x := number64(m.Value); x != nil {
		return maphash.Comparable(c.seed, [2]uint64{h, maphash.Comparable(c.seed, *x)})
	}
	return maphash.Comparable(c.seed, [2]uint64{h, maphash.Bytes(c.seed, m.Value)})
}

func byKey(a, b entry) int     { return cmp.Compare(a.key, b.key) }
func byContent(a, b entry) int { return cmp.Compare(a.content, b.content) }

func (c *LayerComparer) sortOld() {
	if c.sorted {
		return
	}
	c.sorted = true
	slices.SortFunc(c.old, byKey)
	c.repeated = ambiguous(c.old)
}

// ambiguous tells whether an entry has no key or that of the one before it.
// The entries are in the order of their keys.
func ambiguous(es []entry) bool {
	for i := range es {
		if es[i].key == 0 || i > 0 && es[i].key == es[i-1].key {
			return true
		}
	}
	return false
}

func (c *LayerComparer) find(key uint64) (int, bool) {
	return slices.BinarySearchFunc(c.old, key, func(e entry, key uint64) int { return cmp.Compare(e.key, key) })
}

// Changes counts what the file changes, once it has been read; nil when there
// is no edition on file. removed gives the number of a feature of that edition
// that the file does not have, for the listing.
func (c *LayerComparer) Changes(removed func(number int64) (survey.LayerFeature, error)) (*Changes, error) {
	if !c.hadOld {
		return nil, nil
	}
	c.sortOld()
	slices.SortFunc(c.new, byKey)
	if c.repeated || ambiguous(c.new) {
		return c.byContent(), nil
	}
	out := c.listed
	if out.By = "the id of the feature"; c.column != "" {
		out.By = "the column " + c.column
	}
	out.Unchanged = len(c.new) - out.Added - out.Changed
	for _, e := range c.old {
		if e.met {
			continue
		}
		one := Change{Kind: Removed}
		if len(out.Listed) < mostChanges {
			f, err := removed(int64(e.number))
			if err != nil {
				return nil, err
			}
			f.ID = ""
			_, one.Name, err = c.entry(f, "source_id")
			if err != nil {
				return nil, err
			}
			one.At = placeOf(f.Geometry)
		}
		out.add(one)
	}
	return &out, nil
}

// byContent counts what both editions have, whatever it is called.
func (c *LayerComparer) byContent() *Changes {
	out := &Changes{By: "content, since ids are missing or not unique"}
	slices.SortFunc(c.old, byContent)
	slices.SortFunc(c.new, byContent)
	for i, j := 0, 0; i < len(c.old) || j < len(c.new); {
		switch {
		case j == len(c.new) || i < len(c.old) && c.old[i].content < c.new[j].content:
			out.Removed++
			i++
		case i == len(c.old) || c.new[j].content < c.old[i].content:
			out.Added++
			j++
		default:
			out.Unchanged++
			i++
			j++
		}
	}
	return out
}

// Twice returns pairs of features of the file that are the same in every
// respect, the first few of them, and how many there are.
func (c *LayerComparer) Twice() (some []Duplicate, all int) {
	if !c.hadOld {
		return c.twiceAlone()
	}
	slices.SortFunc(c.new, func(a, b entry) int { return cmp.Or(byContent(a, b), cmp.Compare(a.number, b.number)) })
	first := 0
	for i := 1; i < len(c.new); i++ {
		if c.new[i].content != c.new[first].content {
			first = i
			continue
		}
		if all++; len(some) < mostChanges {
			some = append(some, twin(int(c.new[i].number), int(c.new[first].number)))
		}
	}
	slices.SortFunc(some, func(a, b Duplicate) int { return a.Record - b.Record })
	return some, all
}

func (c *LayerComparer) twiceAlone() (some []Duplicate, all int) {
	sorted := slices.Clone(c.alone)
	slices.Sort(sorted)
	first := map[uint64]int{} // of each content that comes again, its first record; 0 before it came
	for i := 1; i < len(sorted); i++ {
		if sorted[i] == sorted[i-1] {
			first[sorted[i]] = 0
			all++
		}
	}
	if all == 0 {
		return nil, 0
	}
	for i, content := range c.alone {
		before, again := first[content]
		switch record := c.recordOf(i); {
		case !again:
		case before == 0:
			first[content] = record
		case len(some) < mostChanges:
			some = append(some, twin(record, before))
		}
	}
	return some, all
}

func twin(record, of int) Duplicate {
	return Duplicate{Record: record, Name: fmt.Sprintf("record %d", record), Other: fmt.Sprintf("record %d", of), OfRecord: of}
}

// placeOf is a place that stands for a geometry.
func placeOf(g orb.Geometry) *[2]float64 {
	if g == nil {
		return nil
	}
	p := g.Bound().Center()
	return &[2]float64{p.Lon(), p.Lat()}
}
