package exchange

import (
	"fmt"
	"strings"
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
	AccuracyM *float64       `json:"accuracy_m,omitempty"`
	Accepted  int            `json:"accepted"`
	Repaired  int            `json:"repaired"`
	Refused   int            `json:"refused"`
	Notes     []string       `json:"notes,omitempty"` // on the file as a whole
	Records   []RecordReport `json:"records"`
	Unlisted  int            `json:"unlisted,omitempty"` // records counted above but too many to list
}

// RecordReport says what became of one record.
type RecordReport struct {
	Number int      `json:"number"`         // in the file, from 1
	Line   int      `json:"line,omitempty"` // of a CSV file, from 1: where the record begins
	ID     string   `json:"id,omitempty"`
	Label  string   `json:"label,omitempty"` // of a point, or the code of a site
	Status Status   `json:"status"`
	Notes  []string `json:"notes,omitempty"` // what was repaired, or why it was refused
}

// The most records a report lists: of all, and of those with something to say.
const (
	maxListed = 10_000
	maxNoted  = 100_000
)

// Taken returns how many records were accepted or repaired.
func (r *Report) Taken() int { return r.Accepted + r.Repaired }

func (r *Report) add(rec record, id, label string, status Status, notes []string) {
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
	r.Records = append(r.Records, RecordReport{Number: rec.number, Line: rec.line, ID: id, Label: label, Status: status, Notes: notes})
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
	for _, n := range r.Notes {
		b.WriteString("  note: " + n + "\n")
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
