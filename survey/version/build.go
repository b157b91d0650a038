package version

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// build puts a document together from its fields. The members of lists stand
// in the order given, others after them by name.
func build(is fields, order map[string]int) (json.RawMessage, error) {
	root := map[string]any{}
	lists := map[string][]string{} // members by the path of their list
	for _, path := range sorted(is) {
		if path == place {
			if err := putPlaced(root, is[path]); err != nil {
				return nil, err
			}
			continue
		}
		list, _, member := strings.Cut(path, "/"+inList)
		if member {
			lists[list] = append(lists[list], path)
			continue
		}
		put(root, tokens(path), json.RawMessage(is[path]))
	}
	for _, list := range sorted(lists) {
		members := lists[list]
		slices.SortStableFunc(members, func(a, b string) int { return cmp.Compare(placeOf(a, order), placeOf(b, order)) })
		var all []json.RawMessage
		for _, path := range members {
			var some []json.RawMessage
			if err := json.Unmarshal([]byte(is[path]), &some); err != nil {
				return nil, fmt.Errorf("join list %s: %w", shown(list), err)
			}
			all = append(all, some...)
		}
		put(root, tokens(list), all)
	}
	return json.Marshal(root)
}

// putPlaced puts a place and how well it is known where each stands.
func putPlaced(root map[string]any, value string) error {
	var is placed
	if err := json.Unmarshal([]byte(value), &is); err != nil {
		return fmt.Errorf("join place: %w", err)
	}
	if is.Geometry != nil {
		put(root, tokens(place), is.Geometry)
	}
	if is.Position != nil {
		put(root, tokens(fix), is.Position)
	}
	return nil
}

func put(root map[string]any, at []string, v any) {
	for _, key := range at[:len(at)-1] {
		next, ok := root[key].(map[string]any)
		if !ok {
			next = map[string]any{}
			root[key] = next
		}
		root = next
	}
	root[at[len(at)-1]] = v
}

func placeOf(path string, order map[string]int) int {
	if n, ok := order[path]; ok {
		return n
	}
	return len(order)
}

// listed numbers the members of the lists of a document by their paths, going
// on from what is numbered already.
func listed(doc json.RawMessage, out map[string]int) {
	d := json.NewDecoder(bytes.NewReader(doc))
	d.UseNumber()
	var v any
	if d.Decode(&v) != nil {
		return // it was cut, so it is JSON
	}
	walk("", v, out)
}

func walk(path string, v any, out map[string]int) {
	switch v := v.(type) {
	case map[string]any:
		for _, key := range sorted(v) {
			walk(path+"/"+escape(key), v[key], out)
		}
	case []any:
		for _, member := range v {
			name, err := nameOf(path, member)
			at := path + "/" + inList + escape(name)
			if _, known := out[at]; err == nil && !known {
				out[at] = len(out)
			}
		}
	}
}

// With returns a document in which some fields have other values: those of a
// person's choice between the sides of conflicts. A nil value removes a field.
func With(doc json.RawMessage, chosen map[string]json.RawMessage) (json.RawMessage, error) {
	is, err := cut(doc, false)
	if err != nil {
		return nil, err
	}
	order := map[string]int{}
	listed(doc, order)
	for path, value := range chosen {
		at := marked(path)
		if value == nil {
			delete(is, at)
			continue
		}
		is[at] = string(value)
	}
	return build(is, order)
}

// marked is a shown path with the mark of its list.
func marked(path string) string {
	parts := strings.Split(path, "/")
	for i := 1; i < len(parts)-1; i++ {
		if named[parts[i]] != nil || parts[i] == "hazards" || parts[i] == "photos" {
			parts[i+1] = inList + parts[i+1]
			break
		}
	}
	return strings.Join(parts, "/")
}
