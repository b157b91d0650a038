package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"
)

const ms = float64(time.Millisecond)

// api measures what the server must keep to on the greatest atlas, one request
// after another, and how it fares under load.
func (b *bench) api(ctx context.Context) (err error) {
	n := b.sizes[len(b.sizes)-1]
	atlas, err := b.atlasOf(ctx, n)
	if err != nil {
		return err
	}
	b.say("server, %s", count(n))
	info, err := os.Stat(b.binary)
	if err != nil {
		return err
	}
	b.report.hold(limit{what: "binary, stripped", is: float64(info.Size()) / 1e6, allowed: 30, unit: "MB", how: "go build -trimpath -ldflags '-s -w'"})
	s, err := b.starts(ctx, atlas, n)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.stop()) }()
	if err := b.paged(ctx, s, n); err != nil {
		return err
	}
	var bboxes, tiles []string
	for _, x := range boxes(n, queries) {
		bboxes = append(bboxes, fmt.Sprintf("/api/collections/ways/items?limit=1000&bbox=%.6f,%.6f,%.6f,%.6f", x[0], x[1], x[2], x[3]))
	}
	tiles = tilePaths("ways", zoomFor(n))
	for _, c := range []struct {
		what    string
		paths   []string
		allowed float64
	}{
		{"box of about 1,000 features, 95 % within", bboxes, 20},
		{"tile not kept from before, 95 % within", tiles, 30},
	} {
		if err := b.within(ctx, s, c.what, n, c.paths, c.allowed); err != nil {
			return err
		}
	}
	if err := b.near(ctx); err != nil {
		return err
	}
	for _, c := range []struct {
		what  string
		paths []string
	}{{"boxes of about 1,000", bboxes}, {"tiles kept from before", tiles}} {
		if err := b.underLoad(ctx, s, c.what, c.paths); err != nil {
			return err
		}
	}
	b.report.note("Memory of the server on %s after the load: %s, at most %s.", count(n), bytesOf(s.memory("VmRSS")), bytesOf(s.memory("VmHWM")))
	return nil
}

// starts measures the start and the memory of a server that has answered once.
func (b *bench) starts(ctx context.Context, atlas string, n int) (*served, error) {
	var took []sample
	var s *served
	for i := range max(3, b.runs) {
		if i > 0 {
			if err := s.stop(); err != nil {
				return nil, err
			}
		}
		var err error
		if s, err = b.serve(ctx, atlas); err != nil {
			return nil, err
		}
		took = append(took, sample{wall: s.started})
	}
	time.Sleep(2 * time.Second) // idle
	b.report.hold(limit{what: "start to first answer", size: n, is: float64(median(took).wall) / ms, allowed: 150, unit: "ms", how: fmt.Sprintf("median of %d, from the start of the process", len(took))})
	b.report.hold(limit{what: "memory when idle", size: n, is: float64(s.memory("VmRSS")) / 1e6, allowed: 60, unit: "MB", how: "VmRSS after the first answer and two seconds of rest"})
	return s, nil
}

// paged holds the last page of a list against the first.
func (b *bench) paged(ctx context.Context, s *served, n int) error {
	const asked = 50
	half := func(path string) (time.Duration, error) {
		paths := make([]string, asked)
		for i := range paths {
			paths[i] = path
		}
		took, err := s.all(ctx, paths)
		if err != nil {
			return 0, err
		}
		return share(took, 0.5), nil
	}
	const at = "/api/collections/places/items?limit=100"
	first, err := half(at)
	if err != nil {
		return err
	}
	last, err := half(fmt.Sprintf("%s&after=%d", at, n-100))
	if err != nil {
		return err
	}
	b.report.hold(limit{what: "last page against the first", size: n, is: float64(last) / float64(first), allowed: 1.2, unit: "times", how: fmt.Sprintf("pages of 100, half within %s and %s", span(first), span(last))})
	return nil
}

// near measures the incident question over 100,000 points, or the greatest
// data set up to that.
func (b *bench) near(ctx context.Context) (err error) {
	n := b.upTo(100_000)
	atlas, err := b.atlasOf(ctx, n)
	if err != nil {
		return err
	}
	s, err := b.serve(ctx, atlas)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.stop()) }()
	var paths []string
	for _, x := range boxes(n, queries) {
		paths = append(paths, fmt.Sprintf("/api/near?lon=%.6f&lat=%.6f&rope_m=300", x[0], x[1]))
	}
	if _, err := s.all(ctx, paths[:5]); err != nil {
		return err
	}
	return b.within(ctx, s, "near, 95 % within", n, paths, 10)
}

// within holds the times of requests, one after another, against a limit. The
// processor time beside them does not depend on what else the machine does.
func (b *bench) within(ctx context.Context, s *served, what string, n int, paths []string, allowed float64) error {
	before := s.cpu()
	took, err := s.all(ctx, paths)
	if err != nil {
		return err
	}
	each := (s.cpu() - before) / time.Duration(len(took))
	b.report.hold(limit{
		what: what, size: n, is: float64(share(took, 0.95)) / ms, allowed: allowed, unit: "ms",
		how: fmt.Sprintf("%d requests like GET %s, half of them within %s, each with %s of processor time", len(took), paths[0], span(share(took, 0.5)), span(each)),
	})
	return nil
}

// underLoad puts a load on the server for some seconds.
func (b *bench) underLoad(ctx context.Context, s *served, what string, paths []string) error {
	if !installed("wrk") {
		b.report.note("Under load, %s: wrk not installed.", what)
		return nil
	}
	for _, connections := range []int{1, 16} {
		b.say("wrk, %s, %d connections", what, connections)
		r, err := b.wrk(ctx, s, asking(paths), connections, b.load)
		if err != nil {
			return err
		}
		b.report.note("Under load, %s, %d connections: %s.", what, connections, r)
	}
	return nil
}
