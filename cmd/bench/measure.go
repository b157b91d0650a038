package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"time"
)

// sample is what one run of a program took.
type sample struct {
	wall, cpu time.Duration
	peak      int64 // bytes of memory at most
}

// command is a program with its arguments.
type command struct {
	args  []string
	stdin string   // file, "" for none
	fresh []string // files to be removed before each run
}

// run runs a command once. What it prints is thrown away, but for complaints.
func (c command) run(ctx context.Context) (sample, error) {
	for _, f := range c.fresh {
		if err := os.RemoveAll(f); err != nil {
			return sample{}, err
		}
	}
	cmd := exec.CommandContext(ctx, c.args[0], c.args[1:]...)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	if c.stdin != "" {
		in, err := os.Open(c.stdin)
		if err != nil {
			return sample{}, err
		}
		defer in.Close()
		cmd.Stdin = in
	}
	begun := time.Now()
	if err := cmd.Run(); err != nil {
		return sample{}, fmt.Errorf("%s: %w: %.500s", strings.Join(c.args, " "), err, complaints.String())
	}
	s := sample{wall: time.Since(begun), cpu: cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()}
	if u, is := cmd.ProcessState.SysUsage().(*syscall.Rusage); is {
		s.peak = u.Maxrss << 10 // kilobytes on Linux
	}
	return s, nil
}

// installed tells whether a program is there.
func installed(program string) bool {
	_, err := exec.LookPath(program)
	return err == nil
}

// figure is the median of some samples.
type figure struct {
	sample
	missing string // program that is not installed; nothing else counts then
}

func median(samples []sample) figure {
	middle := func(of func(sample) int64) int64 {
		v := make([]int64, len(samples))
		for i, s := range samples {
			v[i] = of(s)
		}
		slices.Sort(v)
		return v[len(v)/2]
	}
	return figure{sample: sample{
		wall: time.Duration(middle(func(s sample) int64 { return int64(s.wall) })),
		cpu:  time.Duration(middle(func(s sample) int64 { return int64(s.cpu) })),
		peak: middle(func(s sample) int64 { return s.peak }),
	}}
}

// sideBySide runs ours and theirs in turn, so that both meet the same machine.
func (b *bench) sideBySide(ctx context.Context, ours, theirs command) (our, their figure, err error) {
	var mine, other []sample
	has := len(theirs.args) > 0 && installed(theirs.args[0])
	for range b.runs {
		s, err := ours.run(ctx)
		if err != nil {
			return our, their, err
		}
		mine = append(mine, s)
		if !has {
			continue
		}
		if s, err = theirs.run(ctx); err != nil {
			return our, their, err
		}
		other = append(other, s)
	}
	if our = median(mine); !has {
		return our, figure{missing: theirs.args[0]}, nil
	}
	return our, median(other), nil
}

// compare measures a row of the report.
func (b *bench) compare(ctx context.Context, table, what string, size int, ours, theirs command) error {
	b.say("%s, %s", what, count(size))
	our, their, err := b.sideBySide(ctx, ours, theirs)
	if err != nil {
		return err
	}
	b.report.add(table, row{what: what, size: size, ours: our, theirs: their, commands: [2]string{b.plain(ours), b.plain(theirs)}})
	return nil
}

var sizeInName = regexp.MustCompile(`-[0-9]+\.(geojson|gpkg)`)

// plain is a command as one would type it, the same for every size.
func (b *bench) plain(c command) string {
	s := strings.Join(c.args, " ")
	if c.stdin != "" {
		s += " < " + c.stdin
	}
	s = strings.ReplaceAll(s, b.binary, "holdfast")
	if self, err := os.Executable(); err == nil {
		s = strings.ReplaceAll(s, self, "bench")
	}
	return sizeInName.ReplaceAllString(strings.ReplaceAll(s, b.dir+"/", ""), "-N.$1")
}
