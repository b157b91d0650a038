package exchange

import (
	"fmt"
	"strings"
)

// Changes says what a file would change of what is on file.
type Changes struct {
	By        string   `json:"by"` // what tells which record of the file is which on file
	Added     int      `json:"added"`
	Changed   int      `json:"changed"`
	Removed   int      `json:"removed"` // on file and not in the file
	Unchanged int      `json:"unchanged"`
	Listed    []Change `json:"listed,omitempty"`   // those that are not unchanged
	Unlisted  int      `json:"unlisted,omitempty"` // too many to list
}

// Change is one record that the file adds or changes, or does not have.
type Change struct {
	Kind   ChangeKind  `json:"kind"`
	Record int         `json:"record,omitempty"` // in the file; 0 for one that it does not have
	Name   string      `json:"name"`
	Fields []string    `json:"fields,omitempty"` // of a changed one: what differs
	Loses  []string    `json:"loses,omitempty"`  // of a changed one: what is on file and the file's record leaves out
	At     *[2]float64 `json:"at,omitempty"`     // longitude and latitude
}

// ChangeKind is what happens to a record.
type ChangeKind string

const (
	Added   ChangeKind = "added"
	Changed ChangeKind = "changed"
	Removed ChangeKind = "removed"
)

// mostChanges bounds the changes that are listed.
const mostChanges = 1000

func (c *Changes) add(one Change) {
	switch one.Kind {
	case Added:
		c.Added++
	case Changed:
		c.Changed++
	case Removed:
		c.Removed++
	}
	if len(c.Listed) < mostChanges {
		c.Listed = append(c.Listed, one)
	} else {
		c.Unlisted++
	}
}

// String renders the changes as lines of plain text.
func (c *Changes) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "  against what is on file (by %s): %d added, %d changed, %d removed, %d unchanged\n", c.By, c.Added, c.Changed, c.Removed, c.Unchanged)
	for _, one := range c.Listed {
		fmt.Fprintf(&b, "    %s\n", one)
	}
	if c.Unlisted > 0 {
		fmt.Fprintf(&b, "    and %d more that are not listed\n", c.Unlisted)
	}
	return b.String()
}

func (c Change) String() string {
	s := fmt.Sprintf("%s %q", c.Kind, c.Name)
	if c.Record > 0 {
		s += fmt.Sprintf(" (record %d)", c.Record)
	}
	if len(c.Fields) > 0 {
		s += ": " + strings.Join(c.Fields, ", ")
	}
	if len(c.Loses) > 0 {
		s += "; NO LONGER RECORDED: " + strings.Join(c.Loses, ", ")
	}
	return s
}

// Duplicate is a pair that looks like the same thing twice.
type Duplicate struct {
	Record    int         `json:"record"` // in the file
	Name      string      `json:"name"`
	Other     string      `json:"other"`               // what it looks like
	OfRecord  int         `json:"of_record,omitempty"` // when that is in the file too; 0 when it is on file
	DistanceM float64     `json:"distance_m"`
	At        *[2]float64 `json:"at,omitempty"`
}

func (d Duplicate) String() string {
	where := "on file"
	if d.OfRecord > 0 {
		where = fmt.Sprintf("record %d", d.OfRecord)
	}
	return fmt.Sprintf("record %d %q looks like %q (%s), %.1f m away", d.Record, d.Name, d.Other, where, d.DistanceM)
}
