package version

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Made is one version in the history of an item.
type Made struct {
	Name    string          // tells it from every other version of the item
	On      []string        // the versions it was made on; none for a first one
	At      time.Time       // when, by the clock of whoever made it
	Doc     json.RawMessage // nil: the item was taken out
	Settles bool            // what versions it was made on did not agree on is settled by it
}

// Joined is what an item is by its whole history.
type Joined struct {
	Doc       json.RawMessage // nil: it is taken out
	Newest    []string        // the versions that no other was made on, in the order of their weight
	Conflicts []Conflict
}

// Conflict is a field on which versions made apart from each other do not
// agree. The first side is in force until a person settles it.
type Conflict struct {
	Path  string `json:"path"` // like a JSON Pointer; "" is the item as a whole
	Sides []Side `json:"sides"`
}

// Side is what one version makes of a field.
type Side struct {
	Of    string          `json:"of"`    // the version
	Value json.RawMessage `json:"value"` // nil: nothing is recorded
}

// Rule says how versions of an item are joined.
type Rule struct {
	// Whole keeps a document in one piece: of two that differ one is in force.
	Whole bool
	// Newer, when given, tells whether one document is to be in force before
	// another of equal claim, instead of the one that was made later.
	Newer func(a, b json.RawMessage) int
}

// Join works out what an item is from every version of it. The history comes
// in any order that has versions before those made on them; the outcome is the
// same for all such orders, which is why atlases that exchange their versions
// agree in the end.
//
// A field has the value that the last version to change it gave it. Where
// versions changed a field apart from each other and to different values, all
// are kept as a Conflict, until a version that Settles is made on them. In
// force meanwhile is the value of the weightiest version: made on another
// rather than on nothing, then later, then by name. An item that one version
// takes out and another changes stays, as a conflict. Values that belong
// together - a bearing and its north, a place and how well it is known - are one
// field.
func Join(history []Made, rule Rule) (Joined, error) {
	j := joiner{rule: rule, of: make(map[string]*node, len(history))}
	newest := map[string]bool{}
	for _, m := range history {
		n, err := j.read(m)
		if err != nil {
			return Joined{}, err
		}
		j.of[m.Name] = n
		newest[m.Name] = true
		for _, on := range m.On {
			delete(newest, on)
		}
	}
	heads := slices.SortedFunc(maps.Keys(newest), func(a, b string) int { return j.weigh(b, a) })
	if len(heads) == 0 {
		return Joined{}, nil
	}
	return j.outcome(heads)
}

// claim is a value that a version gave a field and no later one took back.
type claim struct {
	value string
	some  bool // false: the version removed the field
	of    string
}

// node is a version with all that it knows of.
type node struct {
	Made
	seen   map[string]bool // itself and every version before it
	claims map[string][]claim
}

// there is the field that tells whether the item is in the atlas.
const there = "\x00there"

type joiner struct {
	rule Rule
	of   map[string]*node
}

func (j *joiner) read(m Made) (*node, error) {
	n := &node{Made: m, seen: map[string]bool{m.Name: true}}
	for _, on := range m.On {
		before, ok := j.of[on]
		if !ok {
			return nil, fmt.Errorf("join versions: %s was made on %s, which is not there", m.Name, on)
		}
		maps.Copy(n.seen, before.seen)
	}
	n.claims = j.join(m.On)
	own := func(path, value string, some bool) {
		n.claims[path] = []claim{{value, some, m.Name}}
	}
	if m.Doc == nil {
		own(there, "", false)
		return n, nil
	}
	is, err := j.cut(m.Doc)
	if err != nil {
		return nil, fmt.Errorf("join versions: %s: %w", m.Name, err)
	}
	for path, claims := range n.claims {
		value, some := is[path]
		if first := claims[0]; m.Settles || first.some != some || first.value != value {
			own(path, value, some)
		}
	}
	for path, value := range is {
		if n.claims[path] == nil {
			own(path, value, true)
		}
	}
	own(there, "true", true) // whoever changes an item wants it to be there
	return n, nil
}

func (j *joiner) cut(doc json.RawMessage) (fields, error) {
	if j.rule.Whole {
		return fields{"": string(doc)}, nil
	}
	return cut(doc, false)
}

// join brings together what some versions claim. A claim falls when another of
// them knew it and no longer makes it. The weightiest comes first.
func (j *joiner) join(names []string) map[string][]claim {
	out := map[string][]claim{}
	for i, name := range names {
		for path, claims := range j.of[name].claims {
			for _, c := range claims {
				if !slices.Contains(out[path], c) && !j.fallen(path, c, names, i) {
					out[path] = append(out[path], c)
				}
			}
		}
	}
	for _, claims := range out {
		slices.SortFunc(claims, func(a, b claim) int { return j.weigh(b.of, a.of) })
	}
	return out
}

func (j *joiner) fallen(path string, c claim, names []string, by int) bool {
	for i, name := range names {
		if other := j.of[name]; i != by && other.seen[c.of] && !slices.Contains(other.claims[path], c) {
			return true
		}
	}
	return false
}

// weigh compares the weight of two versions.
func (j *joiner) weigh(a, b string) int {
	x, y := j.of[a], j.of[b]
	if onX, onY := len(x.On) > 0, len(y.On) > 0; onX != onY {
		if onX {
			return 1
		}
		return -1
	}
	if j.rule.Newer != nil && x.Doc != nil && y.Doc != nil {
		if c := j.rule.Newer(x.Doc, y.Doc); c != 0 {
			return c
		}
	}
	if c := x.At.Compare(y.At); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}

func (j *joiner) outcome(heads []string) (Joined, error) {
	out := Joined{Newest: heads}
	claims := j.join(heads)
	kept := slices.ContainsFunc(claims[there], func(c claim) bool { return c.some })
	if !kept {
		return out, nil
	}
	if differ(claims[there]) {
		out.Conflicts = append(out.Conflicts, j.existence(claims[there]))
	}
	delete(claims, there)
	is := fields{}
	for _, path := range sorted(claims) {
		list := claims[path]
		if list[0].some {
			is[path] = list[0].value
		}
		if differ(list) {
			out.Conflicts = append(out.Conflicts, conflictOf(path, list))
		}
	}
	if head := j.of[heads[0]]; len(heads) == 1 && head.Doc != nil {
		out.Doc = head.Doc // as it was written
		return out, nil
	}
	if j.rule.Whole {
		out.Doc = json.RawMessage(is[""])
		return out, nil
	}
	var err error
	out.Doc, err = build(is, j.order(heads))
	return out, err
}

// existence is the conflict of versions that take an item out with others that
// changed it; it stays meanwhile.
func (j *joiner) existence(list []claim) Conflict {
	c := Conflict{}
	for _, stays := range []bool{true, false} {
		for _, one := range list {
			if one.some == stays {
				c.Sides = append(c.Sides, Side{Of: one.of, Value: j.of[one.of].Doc})
			}
		}
	}
	return c
}

func differ(list []claim) bool {
	return slices.ContainsFunc(list, func(c claim) bool { return c.some != list[0].some || c.value != list[0].value })
}

// conflictOf lists the values of a field, each once.
func conflictOf(path string, list []claim) Conflict {
	out := Conflict{Path: shown(path)}
	for i, c := range list {
		if slices.ContainsFunc(list[:i], func(b claim) bool { return b.some == c.some && b.value == c.value }) {
			continue
		}
		side := Side{Of: c.of}
		if c.some {
			side.Value = json.RawMessage(c.value)
		}
		out.Sides = append(out.Sides, side)
	}
	return out
}

// order is how the members of lists follow each other: as in the weightiest
// version, then as in the next.
func (j *joiner) order(heads []string) map[string]int {
	out := map[string]int{}
	for _, h := range heads {
		if doc := j.of[h].Doc; doc != nil {
			listed(doc, out)
		}
	}
	return out
}
