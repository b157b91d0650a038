package version

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// A field is named by a path like a JSON Pointer (RFC 6901) in which the
// members of a list go by what they are rather than by their place:
// /properties/anchors/T1/bearing_deg. Their order says nothing.

// named are the lists whose members have a name, and the keys that make it up.
// Members that share a name stand together as one field. Members of other
// lists are named by all they say.
var named = map[string][]string{
	"anchors":        {"id"},
	"pull_tests":     {"rig", "at"},
	"tests":          {"kind", "at"},
	"contacts":       {"who"},
	"ratings":        {"rig"},
	"ground_factors": {"ground"},
	"load_cases":     {"id"},
}

// whole are what is never cut, since one part means nothing without another:
// a bearing without its north, a locate without its date, a signature without
// what it says, a stage without its gauge.
var whole = []string{place, fix, "/properties/pull", "/properties/buried_utilities", "/properties/overhead", "/properties/review", "/properties/water"}

// Where something is and how well that is known stand apart in a document and
// are one field, under the path of the place.
const (
	place = "/geometry"
	fix   = "/properties/position"
)

// placed is the value of that field.
type placed struct {
	Geometry json.RawMessage `json:"geometry,omitempty"`
	Position json.RawMessage `json:"position,omitempty"`
}

// bind makes one field of a place and how well it is known.
func (f fields) bind() error {
	is := placed{json.RawMessage(f[place]), json.RawMessage(f[fix])}
	if len(is.Geometry)+len(is.Position) == 0 {
		return nil
	}
	delete(f, fix)
	return f.set(place, is)
}

// Whole tells whether a property of a site or point is never cut: one part of it
// means nothing without another. How well a place is known - "position" - goes
// with the place besides.
func Whole(property string) bool { return slices.Contains(whole, "/properties/"+property) }

// fields are the values of a document by their paths, each in one way of
// writing it. The path of a member of a list has inList before its name; that
// of what is shown has not.
type fields map[string]string

const inList = "\x00"

// shown is a path without the marks of lists.
func shown(path string) string { return strings.ReplaceAll(path, inList, "") }

// cut takes a document apart. Finer goes down to the single values; otherwise
// what belongs together stays together.
func cut(doc json.RawMessage, finer bool) (fields, error) {
	out := fields{}
	if doc == nil {
		return out, nil
	}
	d := json.NewDecoder(bytes.NewReader(doc))
	d.UseNumber() // a coordinate keeps its digits
	var v any
	if err := d.Decode(&v); err != nil {
		return nil, fmt.Errorf("read version: %w", err)
	}
	if err := out.add("", v, finer); err != nil || finer {
		return out, err
	}
	return out, out.bind()
}

func (f fields) add(path string, v any, finer bool) error {
	if slices.Contains(whole, path) && (!finer || path == place) {
		return f.set(path, v)
	}
	switch v := v.(type) {
	case map[string]any:
		for key, member := range v {
			if err := f.add(path+"/"+escape(key), member, finer); err != nil {
				return err
			}
		}
		return nil
	case []any:
		return f.addList(path, v, finer)
	case nil:
		return nil // as good as left out
	}
	return f.set(path, v)
}

func (f fields) addList(path string, list []any, finer bool) error {
	together := map[string][]any{}
	for _, member := range list {
		name, err := nameOf(path, member)
		if err != nil {
			return err
		}
		together[name] = append(together[name], member)
	}
	for name, members := range together {
		at := path + "/" + inList + escape(name)
		var err error
		if finer && len(members) == 1 && named[last(path)] != nil {
			err = f.add(at, members[0], finer)
		} else {
			err = f.set(at, members)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// nameOf names a member of the list at path.
func nameOf(path string, member any) (string, error) {
	object, ok := member.(map[string]any)
	keys := named[last(path)]
	if !ok || keys == nil {
		b, err := json.Marshal(member)
		return string(b), err
	}
	parts := make([]string, len(keys))
	for i, key := range keys {
		if v, ok := object[key]; ok {
			parts[i] = fmt.Sprint(v)
		}
	}
	return strings.TrimRight(strings.Join(parts, " "), " "), nil
}

// set notes a value as JSON with sorted keys, so that it compares as text.
func (f fields) set(path string, v any) error {
	b, err := json.Marshal(v)
	f[path] = string(b)
	return err
}

func last(path string) string { return path[strings.LastIndexByte(path, '/')+1:] }

// tokens are the parts of a path.
func tokens(path string) []string {
	parts := strings.Split(strings.TrimPrefix(path, "/"), "/")
	for i, p := range parts {
		parts[i] = strings.ReplaceAll(strings.ReplaceAll(p, "~1", "/"), "~0", "~")
	}
	return parts
}

func escape(key string) string {
	key = strings.ReplaceAll(key, inList, "")
	return strings.ReplaceAll(strings.ReplaceAll(key, "~", "~0"), "/", "~1")
}
