package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"
)

// row is one line of a table.
type row struct {
	what         string
	size         int
	ours, theirs figure
	commands     [2]string
}

// limit is a figure that must stay below another, or above it.
type limit struct {
	what        string
	size        int
	is, allowed float64
	least       bool // allowed is the least, not the most
	unit, how   string
}

// report gathers the figures.
type report struct {
	at       time.Time
	machine  string
	load     string
	versions []string
	order    []string // of the tables
	tables   map[string][]row
	limits   []limit
	notes    []string
}

// begin notes the day, the machine and the versions.
func (r *report) begin(ctx context.Context) {
	r.at, r.tables = time.Now().UTC(), map[string][]row{}
	r.machine = fmt.Sprintf("%d processors, %s, %s/%s, %s", runtime.NumCPU(), processor(), runtime.GOOS, runtime.GOARCH, runtime.Version())
	r.load = loadAverage()
	for _, v := range []struct {
		name string
		args []string
	}{
		{"GDAL", []string{"ogr2ogr", "--version"}},
		{"PROJ", []string{"cs2cs"}},
		{"GeographicLib", []string{"GeodSolve", "--version"}},
		{"SpatiaLite", []string{"spatialite", "-silent", ":memory:", "SELECT spatialite_version()"}},
		{"wrk", []string{"wrk", "--version"}},
	} {
		said := "not installed"
		if installed(v.args[0]) {
			out, _ := exec.CommandContext(ctx, v.args[0], v.args[1:]...).CombinedOutput() // cs2cs and wrk fail when asked for their version
			for line := range strings.Lines(string(out)) {
				if strings.ContainsAny(line, "0123456789") { // the first that holds a version
					said = line
					break
				}
			}
		}
		r.versions = append(r.versions, v.name+": "+strings.TrimSpace(said))
	}
}

func processor() string {
	text, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return "processor not known"
	}
	for line := range strings.Lines(string(text)) {
		if name, is := strings.CutPrefix(line, "model name"); is {
			return strings.TrimSpace(strings.TrimLeft(name, "\t :"))
		}
	}
	return "processor not known"
}

func loadAverage() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "not known"
	}
	return strings.Join(strings.Fields(string(text))[:3], " ")
}

func (r *report) add(table string, w row) {
	if r.tables[table] == nil {
		r.order = append(r.order, table)
	}
	r.tables[table] = append(r.tables[table], w)
}

func (r *report) hold(l limit) { r.limits = append(r.limits, l) }

func (r *report) note(format string, args ...any) {
	r.notes = append(r.notes, fmt.Sprintf(format, args...))
}

// write writes the report in Markdown.
func (r *report) write(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "# Measured %s\n\n%s. Load average when begun %s, when done %s.\n\n", r.at.Format("2006-01-02 15:04 UTC"), r.machine, r.load, loadAverage())
	b.WriteString("Medians. Ratios are ours to theirs: below 1 we are faster or smaller. Processor time counts all threads. Growth is the exponent\nof the time from one size to the next: 1 is in proportion, 0 is as fast at any size.\n\n")
	for _, v := range r.versions {
		fmt.Fprintf(&b, "- %s\n", v)
	}
	for _, name := range r.order {
		r.table(&b, name)
	}
	r.held(&b)
	for i, n := range r.notes {
		if i == 0 {
			b.WriteString("\n")
		}
		fmt.Fprintf(&b, "- %s\n", n)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (r *report) table(b *strings.Builder, name string) {
	fmt.Fprintf(b, "\n## %s\n\n| what | size | ours | theirs | time ratio | processor ratio | memory ours | memory theirs | growth ours | growth theirs |\n|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|\n", name)
	rows := r.tables[name]
	var commands []string
	for i, w := range rows {
		their, ratio, cpu, memory := w.theirs.missing+" not installed", "", "", ""
		if w.theirs.missing == "" {
			their, ratio = span(w.theirs.wall), times(float64(w.ours.wall)/float64(w.theirs.wall))
			memory = bytesOf(w.theirs.peak)
			if w.theirs.cpu > 0 && w.ours.cpu > 0 {
				cpu = times(float64(w.ours.cpu) / float64(w.theirs.cpu))
			}
		}
		var grown [2]string
		for k := i - 1; k >= 0; k-- {
			if before := rows[k]; before.what == w.what {
				grown = [2]string{growth(before, w, func(w row) figure { return w.ours }), growth(before, w, func(w row) figure { return w.theirs })}
				break
			}
		}
		fmt.Fprintf(b, "| %s | %s | %s | %s | %s | %s | %s | %s | %s | %s |\n", w.what, count(w.size), span(w.ours.wall), their, ratio, cpu, bytesOf(w.ours.peak), memory, grown[0], grown[1])
		for _, c := range w.commands {
			if line := "- `" + c + "`"; c != "" && !contains(commands, line) {
				commands = append(commands, line)
			}
		}
	}
	fmt.Fprintf(b, "\n%s\n", strings.Join(commands, "\n"))
}

func contains(lines []string, line string) bool {
	for _, l := range lines {
		if l == line {
			return true
		}
	}
	return false
}

// growth is the exponent by which time grew with size.
func growth(a, b row, of func(row) figure) string {
	before, after := of(a), of(b)
	if before.wall <= 0 || after.wall <= 0 || before.missing != "" || a.size == b.size {
		return ""
	}
	return fmt.Sprintf("%.2f", math.Log(float64(after.wall)/float64(before.wall))/math.Log(float64(b.size)/float64(a.size)))
}

func (r *report) held(b *strings.Builder) {
	if len(r.limits) == 0 {
		return
	}
	b.WriteString("\n## Limits\n\n| what | size | measured | limit | |\n|---|--:|--:|--:|---|\n")
	for _, l := range r.limits {
		verdict := "kept"
		if (l.is > l.allowed) != l.least {
			verdict = "**missed**"
		}
		fmt.Fprintf(b, "| %s | %s | %.3g %s | %g %s | %s |\n", l.what, cmp.Or(count(l.size), "-"), l.is, l.unit, l.allowed, l.unit, verdict)
	}
	for _, l := range r.limits {
		if l.how != "" {
			fmt.Fprintf(b, "\n%s: %s.\n", l.what, l.how)
		}
	}
}

// span writes a time with three digits.
func span(d time.Duration) string {
	switch s := d.Seconds(); {
	case s >= 1:
		return fmt.Sprintf("%.3g s", s)
	case s >= 1e-3:
		return fmt.Sprintf("%.3g ms", s*1e3)
	default:
		return fmt.Sprintf("%.3g µs", s*1e6)
	}
}

func times(v float64) string { return fmt.Sprintf("%.2f", v) }

func bytesOf(n int64) string {
	if n <= 0 {
		return ""
	}
	return fmt.Sprintf("%d MB", (n+1<<19)>>20)
}

// count writes 100000 as 100k.
func count(n int) string {
	switch {
	case n == 0:
		return ""
	case n%1_000_000 == 0:
		return fmt.Sprintf("%dM", n/1_000_000)
	case n%1000 == 0:
		return fmt.Sprintf("%dk", n/1000)
	}
	return fmt.Sprint(n)
}
