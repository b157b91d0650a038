// Command bench measures holdfast beside the programs its users have: it makes
// seeded data sets, runs both in turn in one run, and writes a table of
// medians, ratios, peak memory and how the cost grows with size.
//
//	go run ./cmd/bench                                  # everything, 10,000 to 1,000,000
//	go run ./cmd/bench --sizes 10k,100k --only api,tile --to figures.md
//
// The programs beside are those of Debian: gdal-bin, python3-gdal, proj-bin,
// geographiclib-tools, spatialite-bin, wrk. A row whose program is missing says
// so. All files lie in one folder, which is removed unless --in names it.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// bench is one run.
type bench struct {
	dir      string // of all files
	binary   string // holdfast
	sizes    []int
	runs     int           // of each command
	side     int           // cells of the elevation grid, each way
	lines    int           // positions handed to text programs
	load     time.Duration // of each load on the server
	progress io.Writer
	report   report
}

// parts are the measurements, in the order of the report.
var parts = []struct {
	name string
	run  func(*bench, context.Context) error
}{
	{"exchange", (*bench).exchange},
	{"query", (*bench).query},
	{"tile", (*bench).tiles},
	{"api", (*bench).api},
	{"load", (*bench).loaded},
	{"geodesy", (*bench).geodesy},
	{"slope", (*bench).slope},
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	args := os.Args[1:]
	var err error
	if len(args) > 1 && args[0] == "work" {
		err = work(ctx, args[1], args[2:], os.Stdin, os.Stdout)
	} else {
		err = start(ctx, args)
	}
	if err != nil && !errors.Is(err, flag.ErrHelp) {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func start(ctx context.Context, args []string) (err error) {
	f := flag.NewFlagSet("bench", flag.ContinueOnError)
	sizes := f.String("sizes", "10k,100k,1M", "sizes of the data sets")
	only := f.String("only", "", "what to measure: "+strings.Join(partNames(), ",")+"; all if left out")
	runs := f.Int("runs", 3, "runs of each command, of which the median counts")
	side := f.Int("side", 5000, "cells of the elevation grid each way")
	lines := f.Int("lines", 500_000, "positions for the geodesy programs")
	load := f.Duration("load", 10*time.Second, "how long each load on the server lasts")
	binary := f.String("binary", "", "holdfast to measure; built from this module if left out")
	in := f.String("in", "", "folder that keeps the data sets for another run; a temporary one, removed, if left out")
	to := f.String("to", "", "file for the tables in Markdown; standard output if left out")
	if err := f.Parse(args); err != nil {
		return err
	}
	b := &bench{binary: *binary, runs: *runs, side: *side, lines: *lines, load: *load, progress: os.Stderr}
	if b.sizes, err = parseSizes(*sizes); err != nil {
		return err
	}
	chosen := partNames()
	if *only != "" {
		chosen = strings.Split(*only, ",")
	}
	for _, name := range chosen {
		if !slices.Contains(partNames(), name) {
			return fmt.Errorf("--only %s: there are %s", name, strings.Join(partNames(), ", "))
		}
	}
	if b.dir = *in; b.dir == "" {
		if b.dir, err = os.MkdirTemp("", "holdfast-bench-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(b.dir)) }()
	} else if err := os.MkdirAll(b.dir, 0o755); err != nil {
		return err
	}
	if err := b.build(ctx); err != nil {
		return err
	}
	b.report.begin(ctx)
	var failed error
	for _, p := range parts {
		if !slices.Contains(chosen, p.name) {
			continue
		}
		if err := p.run(b, ctx); err != nil { // what was measured is shown all the same
			failed = errors.Join(failed, fmt.Errorf("measure %s: %w", p.name, err))
			b.report.note("Not measured to the end: %s.", p.name)
		}
	}
	return errors.Join(failed, b.show(*to))
}

// show writes the report to a file, or to standard output.
func (b *bench) show(to string) error {
	if to == "" {
		return b.report.write(os.Stdout)
	}
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	return errors.Join(b.report.write(out), out.Close())
}

func partNames() []string {
	var names []string
	for _, p := range parts {
		names = append(names, p.name)
	}
	return names
}

// parseSizes reads "10k,1M".
func parseSizes(text string) ([]int, error) {
	var out []int
	for s := range strings.SplitSeq(text, ",") {
		digits, times := s, 1
		switch {
		case strings.HasSuffix(s, "k"):
			digits, times = s[:len(s)-1], 1000
		case strings.HasSuffix(s, "M"):
			digits, times = s[:len(s)-1], 1_000_000
		}
		n, err := strconv.Atoi(digits)
		if err != nil || n < 1 || n*times > 20_000_000 {
			return nil, fmt.Errorf("--sizes %s: give sizes like 10k,100k,1M", s)
		}
		out = append(out, n*times)
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// build makes the binary that is measured, as it is released.
func (b *bench) build(ctx context.Context) error {
	if b.binary != "" {
		return nil
	}
	b.say("build holdfast")
	b.binary = filepath.Join(b.dir, "holdfast")
	out, err := exec.CommandContext(ctx, "go", "build", "-trimpath", "-ldflags", "-s -w", "-o", b.binary, "holdfast/cmd/holdfast").CombinedOutput()
	if err != nil {
		return fmt.Errorf("build holdfast: %w: %s", err, out)
	}
	return nil
}

func (b *bench) say(format string, args ...any) { fmt.Fprintf(b.progress, format+"\n", args...) }

func (b *bench) file(name string) string { return filepath.Join(b.dir, name) }
