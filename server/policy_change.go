package server

import (
	"holdfast/survey"
	"holdfast/survey/version"
)

// changedLines says what differs between two policies, in the words and units
// of the form.
func changedLines(before, after survey.Policy) ([]version.Phrase, error) {
	was, err := documentOf(before)
	if err != nil {
		return nil, err
	}
	is, err := documentOf(after)
	if err != nil {
		return nil, err
	}
	u := after.Units
	var out []version.Phrase
	look := func(what string, a, b map[string]any, key string, q quantity) {
		if x, y, ok := differ(a, b, key, q, u); ok {
			out = append(out, version.Phrase{What: what, Before: x, After: y})
		}
	}
	look("Department", was, is, "department", text)
	look("Units", was, is, "units", text)
	for _, s := range sheaves {
		for _, l := range s.Lines {
			a, b := was.holder(l.Path), is.holder(l.Path)
			look(l.Label, a, b, "value", l.quantity)
			look(l.Label+", source", a, b, "source", text)
		}
	}
	for _, t := range tables {
		out = append(out, changedRows(t, was.rows(t.Path), is.rows(t.Path), u)...)
	}
	return out, nil
}

// changedRows says what differs between the rows of a table, which go by their
// names.
func changedRows(t table, was, is []map[string]any, u survey.Units) (out []version.Phrase) {
	key := t.Row[0].Key
	named := func(rows []map[string]any, name string) map[string]any {
		for _, row := range rows {
			if typed(row, key, text, u) == name {
				return row
			}
		}
		return nil
	}
	say := func(row map[string]any) string { // its first figure
		for _, c := range t.Row {
			if c.quantity != text {
				return orNone(spoken(row, c.Key, c.quantity, u))
			}
		}
		return "there"
	}
	title := func(name string) string { return t.Title + ", " + name }
	for _, a := range was {
		name := typed(a, key, text, u)
		b := named(is, name)
		if b == nil {
			out = append(out, version.Phrase{What: title(name), Before: say(a), After: sayFieldTakenOut})
			continue
		}
		for _, c := range t.Row[1:] {
			if x, y, ok := differ(a, b, c.Key, c.quantity, u); ok {
				out = append(out, version.Phrase{What: title(name) + ": " + c.Label, Before: x, After: y})
			}
		}
	}
	for _, b := range is {
		if name := typed(b, key, text, u); named(was, name) == nil {
			out = append(out, version.Phrase{What: title(name), Before: "none", After: say(b)})
		}
	}
	if len(was) > 0 && len(is) > 0 && t.Path == "/load_cases" {
		if a, b := typed(was[0], key, text, u), typed(is[0], key, text, u); a != b {
			out = append(out, version.Phrase{What: sayUsualLoad, Before: a, After: b})
		}
	}
	return out
}

// differ says the values of a key in two objects; ok is false when they are the
// same. Figures that are said alike are given with the digits that tell them
// apart.
func differ(a, b map[string]any, key string, q quantity, u survey.Units) (x, y string, ok bool) {
	if a[key] == b[key] {
		return "", "", false
	}
	x, y = spoken(a, key, q, u), spoken(b, key, q, u)
	for _, n := range []int{4, 9, 17} {
		if x != y {
			break
		}
		more := func(v float64) string { return q.exactly(u, v, n) }
		x, y = worded(a, key, q, u, more), worded(b, key, q, u, more)
	}
	return orNone(x), orNone(y), x != y
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}
