package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strings"
	"time"
)

// aDay is how many requests of 100 people, each asking once a minute, reach a
// server in 24 hours: as many are sent to see whether memory stays flat.
const aDay = 100 * 60 * 24

// loaded holds what the server bears on the greatest atlas up to 100,000
// points: reads as they come in an incident, writes as they come from the bank,
// and a day's worth of requests.
func (b *bench) loaded(ctx context.Context) (err error) {
	n := b.upTo(100_000)
	from, err := b.atlasOf(ctx, n)
	if err != nil {
		return err
	}
	if !installed("wrk") {
		b.report.note("Under load: wrk not installed.")
		return nil
	}
	file, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	atlas := b.file("loaded.db") // written to, so not the one kept
	for _, old := range []string{atlas + "-wal", atlas + "-shm"} {
		if err := os.RemoveAll(old); err != nil {
			return err
		}
	}
	if err := os.WriteFile(atlas, file, 0o600); err != nil {
		return err
	}
	s, err := b.serve(ctx, atlas)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.stop()) }()

	begun := time.Now()
	if err := s.settle(ctx); err != nil {
		return err
	}
	b.report.note("From the first look at the map of %s until every verdict is known: %s, %s of processor time.", count(n), span(time.Since(begun)-time.Second), span(s.cpu()))
	if err := b.each(ctx, s, n); err != nil {
		return err
	}
	reads := mixed(n, mix...)
	if _, err := b.wrk(ctx, s, asking(reads), 16, 2*time.Second); err != nil { // warm
		return err
	}
	b.say("mixed reads, %s", count(n))
	r, err := b.wrk(ctx, s, asking(reads), 16, b.load)
	if err != nil {
		return err
	}
	var parts []string
	for _, m := range mix {
		parts = append(parts, fmt.Sprintf("%d %s", m.many, m.what))
	}
	how := "of 20 requests " + strings.Join(parts, ", ") + "; 16 connections, " + r.String()
	b.report.hold(limit{what: "mixed reads a second", size: n, is: r.rate, allowed: 2000, unit: "1/s", least: true, how: how})
	b.report.hold(limit{what: "mixed reads, 99 % within", size: n, is: r.p99, allowed: 50, unit: "ms"})

	whole := mixed(n, slices.Concat(mix, pages)...)
	if r, err = b.wrk(ctx, s, asking(whole), 16, b.load); err != nil {
		return err
	}
	b.report.note("The same with 5 pages to each 20 of them (2 lists beside the map, 2 pages of a point, 1 of a site), 16 connections: %s.", r)

	b.say("writes, %s", count(n))
	if r, err = b.wrk(ctx, s, writing(n, "w"), 8, b.load); err != nil {
		return err
	}
	b.report.hold(limit{
		what: "acknowledged writes a second", size: n, is: r.rate, allowed: 200, unit: "1/s", least: true,
		how: "POST of a whole survey point, each judged, chained and flushed to the disk before it is answered; 8 connections, " + r.String(),
	})
	return b.soak(ctx, s, n)
}

// each measures the parts of the mix by themselves.
func (b *bench) each(ctx context.Context, s *served, n int) error {
	r := rand.New(rand.NewPCG(seed, 4))
	for _, m := range slices.Concat(mix, pages) {
		paths := make([]string, 200)
		for i := range paths {
			paths[i] = m.path(r, n)
		}
		before := s.cpu()
		took, err := s.all(ctx, paths)
		if err != nil {
			return err
		}
		b.report.note("One at a time, %s: half within %s, 95 %% within %s, each with %s of processor time.", m.what, span(share(took, 0.5)), span(share(took, 0.95)), span((s.cpu()-before)/time.Duration(len(took))))
	}
	return nil
}

// soak sends a day's worth of requests and holds the memory of the last
// quarter against that of the second.
func (b *bench) soak(ctx context.Context, s *served, n int) error {
	b.say("a day of requests, %s", count(n))
	var memory []int64
	files, asked, failed := s.files(), 0, 0
	for asked < aDay {
		for _, one := range []struct {
			script      string
			connections int
			time        time.Duration
		}{
			{asking(mixed(n, mix...)), 16, 3 * time.Second},
			{writing(n, fmt.Sprintf("s%d-", len(memory))), 2, time.Second},
			{asking(mixed(n, pages...)), 4, time.Second},
		} {
			r, err := b.wrk(ctx, s, one.script, one.connections, one.time)
			if err != nil {
				return err
			}
			asked, failed = asked+r.requests, failed+r.errors
		}
		memory = append(memory, s.memory("VmRSS"))
	}
	time.Sleep(time.Second) // connections close
	quarter := max(1, len(memory)/4)
	middle := func(of []int64) float64 { return float64(slices.Sorted(slices.Values(of))[len(of)/2]) }
	early, late := middle(memory[quarter:max(quarter+1, 2*quarter)]), middle(memory[len(memory)-quarter:])
	b.report.hold(limit{
		what: "memory after a day of requests, against its first hours", size: n, is: late / early, allowed: 1.15, unit: "times",
		how: fmt.Sprintf("%d requests, reads, writes and pages in turn, %d errors; %s in the second quarter, %s in the last; files open %d before, %d after", asked, failed, bytesOf(int64(early)), bytesOf(int64(late)), files, s.files()),
	})
	return nil
}

// upTo is the greatest size that does not exceed a number, or the least.
func (b *bench) upTo(most int) int {
	n := b.sizes[0]
	for _, size := range b.sizes {
		if size <= most {
			n = size
		}
	}
	return n
}

// often is how often something is asked for.
type often struct {
	what string
	many int
	path func(r *rand.Rand, n int) string
}

// mix is what programs ask for in an incident: phones and the map by
// themselves, desktop GIS; of 20 requests so many of each.
var mix = []often{
	{"one point", 8, func(r *rand.Rand, n int) string { return "/api/collections/points/items/" + pointID(r.IntN(n)) }},
	{"map tile kept from before", 7, func(r *rand.Rand, n int) string {
		tiles := tilePaths("places", zoomFor(n))
		return tiles[r.IntN(min(16, len(tiles)))]
	}},
	{"box of about 20 points", 3, func(r *rand.Rand, n int) string {
		return "/api/collections/points/items?limit=50&bbox=" + small(r, n)
	}},
	{"anchors in reach", 2, func(r *rand.Rand, _ int) string {
		return fmt.Sprintf("/api/near?lon=%.6f&lat=%.6f&rope_m=300", west+r.Float64()*extent, south+r.Float64()*extent)
	}},
}

// pages are what people open; each is worked out anew.
var pages = []often{
	{"list beside the map", 2, func(r *rand.Rand, n int) string { return "/map/ledger?bbox=" + small(r, n) }},
	{"page of a point", 2, func(r *rand.Rand, n int) string { return "/points/" + pointID(r.IntN(n)) }},
	{"page of a site", 1, func(r *rand.Rand, n int) string { return "/sites/" + siteID(r.IntN(sites(n))) }},
}

// small is a box that holds about 20 of n points.
func small(r *rand.Rand, n int) string {
	side := extent * math.Sqrt(20/float64(n))
	x, y := west+r.Float64()*(extent-side), south+r.Float64()*(extent-side)
	return fmt.Sprintf("%.6f,%.6f,%.6f,%.6f", x, y, x+side, y+side)
}

// mixed are requests in the proportions given, shuffled.
func mixed(n int, of ...often) []string {
	r := rand.New(rand.NewPCG(seed, 3))
	var paths []string
	for range 100 {
		for _, m := range of {
			for range m.many {
				paths = append(paths, m.path(r, n))
			}
		}
	}
	r.Shuffle(len(paths), func(i, k int) { paths[i], paths[k] = paths[k], paths[i] })
	return paths
}

// asking is a script for wrk that asks for the paths in turn.
func asking(paths []string) string {
	var quoted []string
	for _, p := range paths[:min(len(paths), 2000)] {
		quoted = append(quoted, fmt.Sprintf("%q", p))
	}
	return "local paths, i = {" + strings.Join(quoted, ",") + "}, 0\n" +
		"request = function() i = i % #paths + 1; return wrk.format(\"GET\", paths[i]) end\n"
}

// writing is a script for wrk that records new points on the sites of the
// atlas, each under a label of its own.
func writing(n int, label string) string {
	return fmt.Sprintf(`local i, headers = 0, {["Content-Type"] = "application/geo+json"}
local body = %q
request = function()
  i = i + 1
  local lon, lat = %g + i * 7919 %% 9973 / 9973, %g + i * 6007 %% 9967 / 9967
  local site = string.format("BN-%%05d", i %% %d)
  return wrk.format("POST", "/api/collections/points/items", headers, string.format(body, lon, lat, site, "%s" .. i))
end
`, written, west, south, sites(n), label)
}

const written = `{"type":"Feature","geometry":{"type":"Point","coordinates":[%f,%f,231.5]},"properties":{"site":"%s","label":"%s","surveyed_at":"2026-03-09T08:00:00Z","surveyed_by":"D. Lorne",` +
	`"ground":{"texture":"clay loam","moisture":"moist","disturbed":"no","fissured":"no","seeping":"no","vibration":"no","layers_dip_into_slope":"no","tests":[{"kind":"pocket penetrometer","reading":1.5,"unit":"tsf"}],"depth_to_refusal_m":1.5},` +
	`"terrain":{"slope_deg":30,"height_m":7,"setback_m":3,"source":"measured"},"pull":{"bearing_deg":200,"north":"true","source":"measured"},"buried_utilities":{"state":"marked clear"},"overhead":{"state":"none"}}}`

// borne is what wrk saw.
type borne struct {
	requests, errors    int
	rate, p50, p95, p99 float64 // a second; milliseconds
}

func (r borne) String() string {
	return fmt.Sprintf("%d requests, %.0f a second; half within %.1f ms, 95 %% within %.1f ms, 99 %% within %.1f ms; %d errors", r.requests, r.rate, r.p50, r.p95, r.p99, r.errors)
}

// told has wrk print what borne reads.
const told = `done = function(s, l)
  local e = s.errors
  print(string.format("RESULT %d %d %f %f %f %f", s.requests, e.connect + e.read + e.write + e.status + e.timeout,
    s.requests / s.duration * 1e6, l:percentile(50) / 1e3, l:percentile(95) / 1e3, l:percentile(99) / 1e3))
end
`

// wrk puts a load on the server.
func (b *bench) wrk(ctx context.Context, s *served, script string, connections int, d time.Duration) (borne, error) {
	file := b.file("load.lua")
	if err := os.WriteFile(file, []byte(script+told), 0o600); err != nil {
		return borne{}, err
	}
	out, err := exec.CommandContext(ctx, "wrk", "-t1", fmt.Sprintf("-c%d", connections), fmt.Sprintf("-d%ds", max(1, int(d.Seconds()))), "--timeout", "10s", "-s", file, s.base).CombinedOutput()
	if err != nil {
		return borne{}, fmt.Errorf("wrk: %w: %s", err, out)
	}
	_, said, ok := strings.Cut(string(out), "RESULT ")
	if !ok {
		return borne{}, fmt.Errorf("wrk said nothing: %s", out)
	}
	var r borne
	if _, err := fmt.Sscan(said, &r.requests, &r.errors, &r.rate, &r.p50, &r.p95, &r.p99); err != nil {
		return borne{}, fmt.Errorf("read what wrk said: %w: %s", err, said)
	}
	r.rate *= float64(r.requests-r.errors) / float64(max(1, r.requests)) // an error is no answer
	return r, nil
}
