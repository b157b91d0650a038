package exchange

import (
	"fmt"
	"slices"
	"strings"

	"github.com/paulmach/orb"
)

// Status is what became of a record.
type Status string

const (
	Accepted Status = "accepted"
	Repaired Status = "repaired" // taken, with a change that the notes name
	Refused  Status = "refused"
)

// Report says what became of each record of a file.
type Report struct {
	File   string `json:"file,omitempty"`
	Format Format `json:"format,omitempty"` // "" when it is none of ours
	CRS    string `json:"crs,omitempty"`    // as declared, or OGC:CRS84, which RFC 7946 implies
	// Table is the one that was read of a file with several.
	Table string `json:"table,omitempty"`
	// AccuracyM is the stated accuracy of the datum shift to WGS 84 in metres,
	// nil when there was none or it is not stated.
	AccuracyM *float64 `json:"accuracy_m,omitempty"`
	Accepted  int      `json:"accepted"`
	Repaired  int      `json:"repaired"`
	Refused   int      `json:"refused"`
	// BBox is where the records that are taken lie: west, south, east, north.
	BBox *[4]float64 `json:"bbox,omitempty"`
	// Changes says what the file changes of what is on file, nil when it was not
	// compared or there is nothing to compare with.
	Changes *Changes `json:"changes,omitempty"`
	// Duplicates are pairs that look like the same thing twice; they are taken.
	Duplicates []Duplicate `json:"duplicates,omitempty"`
	WithinM    float64     `json:"duplicates_within_m,omitempty"`
	Unmatched  []Unmatched `json:"unmatched,omitempty"`
	Notes      []string    `json:"notes,omitempty"` // on the file as a whole
	// Records is nil in a Summary.
	Records  []RecordReport `json:"records,omitzero"`
	Unlisted int            `json:"unlisted,omitempty"` // records counted above but too many to list

	last int // the number of the record that was added last
}

// Unmatched is a value that the mapping does not list.
type Unmatched struct {
	Property string `json:"property"`
	Value    string `json:"value"`
	Records  int    `json:"records"`
}

func (u Unmatched) String() string {
	return fmt.Sprintf("%s: the value %q is not in the mapping (%d records)", u.Property, u.Value, u.Records)
}

// Last is the number of the record that was read last.
func (r *Report) Last() int { return r.last }

// Summary is the report without its records.
func (r *Report) Summary() Report {
	s := *r
	s.Records, s.Unlisted = nil, 0
	if s.Changes != nil {
		c := *s.Changes
		c.Unlisted, c.Listed = 0, nil
		s.Changes = &c
	}
	return s
}

// RecordReport says what became of one record.
type RecordReport struct {
	Number int      `json:"number"`         // in the file, from 1
	Line   int      `json:"line,omitempty"` // of a CSV file, from 1: where the record begins
	ID     string   `json:"id,omitempty"`
	Label  string   `json:"label,omitempty"` // of a point, or the code of a site
	Status Status   `json:"status"`
	Notes  []string `json:"notes,omitempty"` // what was repaired, or why it was refused
	// At is the middle of the record, longitude and latitude; nil when it has no
	// place that can be used, or nothing to say.
	At *[2]float64 `json:"at,omitempty"`
}

// The most records a report lists: of all, and of those with something to say.
const (
	maxListed = 10_000
	maxNoted  = 100_000
)

// Taken returns how many records were accepted or repaired.
func (r *Report) Taken() int { return r.Accepted + r.Repaired }

func (r *Report) add(rec record, id, label string, status Status, notes []string) {
	r.last = rec.number
	switch status {
	case Accepted:
		r.Accepted++
	case Repaired:
		r.Repaired++
	case Refused:
		r.Refused++
	}
	if n := len(r.Records); n >= maxNoted || n >= maxListed && status == Accepted {
		r.Unlisted++
		return
	}
	one := RecordReport{Number: rec.number, Line: rec.line, ID: id, Label: label, Status: status, Notes: notes}
	if g := rec.feature.Geometry.Geometry; len(notes) > 0 && g != nil && onGlobe(g.Bound().Center()) == nil {
		one.At = placeOf(g)
	}
	r.Records = append(r.Records, one)
}

// refuse takes back that a record was taken.
func (r *Report) refuse(number int, id, label, why string) {
	i, listed := slices.BinarySearchFunc(r.Records, number, func(one RecordReport, n int) int { return one.Number - n })
	if !listed {
		r.Accepted--
		r.Unlisted--
		r.Records = slices.Insert(r.Records, i, RecordReport{Number: number, ID: id, Label: label})
	} else if r.Records[i].Status == Repaired {
		r.Repaired--
	} else {
		r.Accepted--
	}
	r.Refused++
	r.Records[i].Status, r.Records[i].Notes = Refused, append([]string{why}, r.Records[i].Notes...)
}

// cover widens the box to a geometry that is taken.
func (r *Report) cover(g orb.Geometry) {
	b := g.Bound()
	if r.BBox == nil {
		r.BBox = &[4]float64{b.Left(), b.Bottom(), b.Right(), b.Top()}
		return
	}
	r.BBox[0], r.BBox[1] = min(r.BBox[0], b.Left()), min(r.BBox[1], b.Bottom())
	r.BBox[2], r.BBox[3] = max(r.BBox[2], b.Right()), max(r.BBox[3], b.Top())
}

// String renders the report as plain text: a summary, then a line for each
// note of each record that was repaired or refused.
func (r *Report) String() string {
	var b strings.Builder
	if r.File != "" {
		b.WriteString(r.File + ": ")
	}
	fmt.Fprintf(&b, "%d accepted, %d repaired, %d refused", r.Accepted, r.Repaired, r.Refused)
	if r.Format != "" {
		fmt.Fprintf(&b, " (%s, %s)", r.Format, r.CRS)
	}
	b.WriteByte('\n')
	if r.BBox != nil {
		fmt.Fprintf(&b, "  extent: longitude %.5f to %.5f, latitude %.5f to %.5f\n", r.BBox[0], r.BBox[2], r.BBox[1], r.BBox[3])
	}
	for _, n := range r.Notes {
		b.WriteString("  note: " + n + "\n")
	}
	for _, u := range r.Unmatched {
		b.WriteString("  unmatched: " + u.String() + "\n")
	}
	if r.Changes != nil {
		b.WriteString(r.Changes.String())
	}
	for _, d := range r.Duplicates {
		b.WriteString("  DUPLICATE? " + d.String() + "\n")
	}
	for _, rec := range r.Records {
		for _, n := range rec.Notes {
			fmt.Fprintf(&b, "  %s %s: %s\n", rec.Status, rec.name(), n)
		}
	}
	if r.Unlisted > 0 {
		fmt.Fprintf(&b, "  and %d more records that are not listed\n", r.Unlisted)
	}
	return b.String()
}

func (r RecordReport) name() string {
	s := fmt.Sprintf("record %d", r.Number)
	if r.Label != "" {
		s += fmt.Sprintf(" %q", r.Label)
	} else if r.ID != "" {
		s += fmt.Sprintf(" %q", r.ID)
	}
	if r.Line > 0 {
		s += fmt.Sprintf(", line %d", r.Line)
	}
	return s
}
