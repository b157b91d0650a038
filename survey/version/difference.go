package version

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
)

// Difference is a field that two versions of an item do not agree on. A side
// that does not have the field is nil, which is "not recorded".
type Difference struct {
	Path   string          `json:"path"` // like a JSON Pointer; members of lists go by their names
	Before json.RawMessage `json:"before"`
	After  json.RawMessage `json:"after"`
}

// Differences lists what differs between two versions, in the order of the
// paths; nil is the version of an item that is not there.
func Differences(before, after json.RawMessage) ([]Difference, error) {
	was, err := cut(before, true)
	if err != nil {
		return nil, err
	}
	is, err := cut(after, true)
	if err != nil {
		return nil, err
	}
	paths := slices.Collect(maps.Keys(was))
	for path := range is {
		if _, both := was[path]; !both {
			paths = append(paths, path)
		}
	}
	slices.Sort(paths)
	out := []Difference{}
	for _, path := range paths {
		if path == "/type" || path == "/id" || was[path] == is[path] {
			continue
		}
		out = append(out, Difference{Path: path, Before: raw(was, path), After: raw(is, path)})
	}
	out = gather(out, was, is)
	for i := range out {
		out[i].Path = shown(out[i].Path)
	}
	return out, nil
}

func raw(f fields, path string) json.RawMessage {
	if v, ok := f[path]; ok {
		return json.RawMessage(v)
	}
	return nil
}

// gather makes one difference of a member of a list that came or went as a
// whole.
func gather(all []Difference, was, is fields) []Difference {
	out := []Difference{}
	seen := map[string]int{}
	for _, d := range all {
		member, key, ok := memberOf(d.Path)
		if !ok || was.has(member) && is.has(member) {
			out = append(out, d)
			continue
		}
		i, known := seen[member]
		if !known {
			i = len(out)
			seen[member] = i
			out = append(out, Difference{Path: member})
		}
		out[i].Before = with(out[i].Before, key, d.Before)
		out[i].After = with(out[i].After, key, d.After)
	}
	return out
}

// memberOf splits the path of a value within a member of a named list.
func memberOf(path string) (member, key string, ok bool) {
	parts := strings.Split(path, "/")
	for i := 1; i < len(parts)-2; i++ {
		if named[parts[i]] != nil {
			return strings.Join(parts[:i+2], "/"), strings.Join(parts[i+2:], "/"), true
		}
	}
	return "", "", false
}

// has tells whether there is anything at or under a path.
func (f fields) has(path string) bool {
	for p := range f {
		if p == path || strings.HasPrefix(p, path+"/") {
			return true
		}
	}
	return false
}

// with adds a member to a JSON object; keys come sorted.
func with(object json.RawMessage, key string, value json.RawMessage) json.RawMessage {
	if value == nil {
		return object
	}
	var members map[string]json.RawMessage
	if object != nil && json.Unmarshal(object, &members) != nil {
		return object
	}
	if members == nil {
		members = map[string]json.RawMessage{}
	}
	members[key] = value
	b, err := json.Marshal(members)
	if err != nil {
		return object // the parts were read from JSON
	}
	return b
}

func sorted[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
