package server

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"holdfast/survey"
)

// policyForm is a policy on its way to being changed: the document, what was
// typed that cannot be used, and what is wrong, by JSON Pointer.
type policyForm struct {
	Base     int64  // revision of the policy in force that it starts from
	Document string // what the fields were filled from, as JSON
	Sheaves  []formSheaf
	Tables   []formTable
	Version  entry
	Reason   entry
	Problems []formProblem // all that is wrong, to be led to

	units survey.Units
	doc   document
	kept  map[string]string // typed text that is no figure
	wrong map[string]string
	bound map[string]*[2]float64 // of what is wrong because it lies outside
}

// entry is one field of a form.
type entry struct {
	Name, ID, Label, Unit, Value, Wrong string
	Choices                             []string
	Long, Optional                      bool
}

type formLine struct{ Value, Source entry }

type formSheaf struct {
	Title, Note string
	Lines       []formLine
}

type formTable struct {
	Title, Note, One string
	Rows             []formRow
}

type formRow struct {
	Title   string
	Remove  string // name of the box that takes the row out; "" of an empty row
	Entries []entry
	Open    bool
}

type formProblem struct{ ID, Label, Text string }

// newPolicyForm is the form of a document.
func newPolicyForm(doc document, base int64, u survey.Units) *policyForm {
	return &policyForm{Base: base, units: u, doc: doc, kept: map[string]string{}, wrong: map[string]string{}, bound: map[string]*[2]float64{}}
}

// read takes what was sent: every field over the document it was filled from.
func (f *policyForm) read(form url.Values) {
	for _, key := range []string{"version", "reason"} {
		f.take(f.doc, "/"+key, cell{Key: key, optional: true}, form)
	}
	for _, s := range sheaves {
		for _, l := range s.Lines {
			in := f.doc.holder(l.Path)
			if in == nil {
				continue
			}
			f.take(in, l.Path+"/value", cell{Key: "value", quantity: l.quantity}, form)
			f.take(in, l.Path+"/source", cell{Key: "source"}, form)
		}
	}
	for _, t := range tables {
		f.readTable(t, form)
	}
}

// mostRows bounds the rows of a table that a form may send; the policy's own
// check allows fewer.
const mostRows = 100

func (f *policyForm) readTable(t table, form url.Values) {
	old, rows := f.doc.rows(t.Path), []any{}
	for i := range mostRows {
		sent := fmt.Sprintf("%s/%d", t.Path, i)
		if !form.Has(sent + "/" + t.Row[0].Key) {
			break
		}
		row := map[string]any{}
		if i < len(old) {
			row = old[i]
		} else if blank(t, sent, form) {
			continue
		}
		if form.Get(sent+"/remove") != "" {
			continue
		}
		for _, c := range t.Row {
			// Rows taken out move those behind them up.
			f.takeAs(row, fmt.Sprintf("%s/%d/%s", t.Path, len(rows), c.Key), c, form, sent+"/"+c.Key)
		}
		rows = append(rows, row)
	}
	f.doc[strings.TrimPrefix(t.Path, "/")] = rows
}

// blank tells whether nothing was typed into a row; what is chosen from a list
// alone does not count.
func blank(t table, sent string, form url.Values) bool {
	return !slices.ContainsFunc(t.Row, func(c cell) bool {
		return c.choices == nil && strings.TrimSpace(form.Get(sent+"/"+c.Key)) != ""
	})
}

func (f *policyForm) take(in map[string]any, pointer string, c cell, form url.Values) {
	f.takeAs(in, pointer, c, form, pointer)
}

// takeAs sets a value from what was sent under a name. A figure that still
// reads as it was shown keeps all its digits.
func (f *policyForm) takeAs(in map[string]any, pointer string, c cell, form url.Values, name string) {
	if !form.Has(name) {
		return
	}
	sent := strings.TrimSpace(form.Get(name))
	switch {
	case sent == typed(in, c.Key, c.quantity, f.units):
	case sent == "" && c.optional:
		delete(in, c.Key)
	case c.quantity == text:
		in[c.Key] = sent
	default:
		v, err := c.quantity.read(f.units, sent)
		if err != nil {
			unit, _ := c.quantity.unit(f.units)
			f.kept[pointer], f.wrong[pointer] = sent, strings.TrimSpace(sayGiveNumber+inWords(unit))+": "+err.Error()+"."
			return
		}
		in[c.Key] = json.Number(strconv.FormatFloat(v, 'g', -1, 64))
	}
}

func inWords(unit string) string {
	switch unit {
	case "", ":1":
		return ""
	case "°":
		return sayOfDegrees
	}
	return "of " + unit
}

// policy is the document as a policy, when nothing is wrong with it; past are
// the versions on record.
func (f *policyForm) policy(past []string) (p survey.Policy, ok bool, err error) {
	raw, err := json.Marshal(f.doc)
	if err != nil {
		return p, false, err
	}
	p, err = survey.ParsePolicy(raw)
	var invalid *survey.InvalidError
	switch {
	case errors.As(err, &invalid):
		for _, one := range invalid.Problems {
			if f.wrong[one.Pointer] == "" {
				f.wrong[one.Pointer], f.bound[one.Pointer] = sentence(one.Message), one.Within
			}
		}
	case err != nil:
		return p, false, err
	}
	if slices.Contains(past, p.Version) {
		f.wrong["/version"] = fmt.Sprintf(sayPolicyExists, p.Version)
	}
	if strings.TrimSpace(p.Reason) == "" {
		f.wrong["/reason"] = saySayWhy
	}
	return p, len(f.wrong) == 0, nil
}

// fill prepares the form for showing.
func (f *policyForm) fill() error {
	raw, err := json.Marshal(f.doc)
	if err != nil {
		return err
	}
	f.Document, f.Sheaves, f.Tables, f.Problems = string(raw), nil, nil, nil
	f.Version = f.entry(f.doc, "/version", cell{Key: "version", Label: "Version"}, "")
	f.Reason = f.entry(f.doc, "/reason", cell{Key: "reason", Label: sayReason}, "")
	for _, s := range sheaves {
		out := formSheaf{Title: s.Title, Note: s.Note}
		for _, l := range s.Lines {
			in := f.doc.holder(l.Path)
			value := f.entry(in, l.Path+"/value", cell{Key: "value", Label: l.Label, quantity: l.quantity}, "")
			source := f.entry(in, l.Path+"/source", cell{Key: "source", Label: "Source"}, l.Label+": ")
			out.Lines = append(out.Lines, formLine{value, source})
		}
		f.Sheaves = append(f.Sheaves, out)
	}
	for _, t := range tables {
		out := formTable{Title: t.Title, Note: t.Note, One: t.One}
		rows := f.doc.rows(t.Path)
		for i := range len(rows) + 1 {
			row, ptr := formRow{Title: "Another " + t.One}, fmt.Sprintf("%s/%d", t.Path, i)
			in := map[string]any{}
			if i < len(rows) {
				in = rows[i]
				row.Title, row.Remove = typed(in, t.Row[0].Key, text, f.units), ptr+"/remove"
			}
			for _, c := range t.Row {
				e := f.entry(in, ptr+"/"+c.Key, c, strings.TrimSpace(t.One+" "+row.Title)+": ")
				row.Entries, row.Open = append(row.Entries, e), row.Open || e.Wrong != ""
			}
			out.Rows = append(out.Rows, row)
		}
		f.Tables = append(f.Tables, out)
	}
	for _, pointer := range slices.Sorted(maps.Keys(f.wrong)) { // of no field
		if !slices.ContainsFunc(f.Problems, func(p formProblem) bool { return p.ID == idOf(pointer) }) {
			f.Problems = append(f.Problems, formProblem{Label: strings.TrimPrefix(pointer, "/"), Text: f.wrong[pointer]})
		}
	}
	return nil
}

// entry is a field for showing; what is wrong with it is listed under its own
// name after the name of where it belongs.
func (f *policyForm) entry(in map[string]any, pointer string, c cell, of string) entry {
	unit, _ := c.quantity.unit(f.units)
	e := entry{
		Name: pointer, ID: idOf(pointer), Label: c.Label, Unit: unit, Value: typed(in, c.Key, c.quantity, f.units),
		Wrong: f.wrong[pointer], Choices: c.choices, Long: c.quantity == text && c.choices == nil, Optional: c.optional,
	}
	if sent, ok := f.kept[pointer]; ok {
		e.Value = sent
	}
	if b := f.bound[pointer]; b != nil { // in the unit it was typed in
		e.Wrong = c.quantity.between(f.units, b[0], b[1])
	}
	if e.Wrong != "" {
		f.Problems = append(f.Problems, formProblem{ID: e.ID, Label: of + e.Label, Text: e.Wrong})
	}
	return e
}

// idOf is the id of the field of a pointer.
func idOf(pointer string) string { return "f" + strings.ReplaceAll(pointer, "/", "-") }
