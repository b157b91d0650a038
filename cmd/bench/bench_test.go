package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestParseSizes(t *testing.T) {
	got, err := parseSizes("1M,10k,500,10k")
	require.NoError(t, err)
	assert.Equal(t, []int{500, 10_000, 1_000_000}, got)
	for _, bad := range []string{"", "k", "-1", "1.5k", "99999999M", "10k,"} {
		_, err := parseSizes(bad)
		assert.Error(t, err, bad)
	}
	for n, text := range map[int]string{0: "", 500: "500", 10_000: "10k", 25_000_000: "25M"} {
		assert.Equal(t, text, count(n))
	}
}

func TestMedian(t *testing.T) {
	f := median([]sample{{wall: 5, cpu: 1, peak: 30}, {wall: 1, cpu: 9, peak: 10}, {wall: 3, cpu: 2, peak: 20}})
	assert.Equal(t, sample{wall: 3, cpu: 2, peak: 20}, f.sample, "each by itself")
	assert.Equal(t, time.Duration(95), share([]time.Duration{1, 2, 3, 4, 5, 6, 7, 8, 9, 95}, 0.95))
}

// A program that is missing is said to be so, and time in proportion to size
// has the exponent 1.
func TestReport(t *testing.T) {
	var r report
	r.begin(context.Background())
	r.add("A", row{what: "x", size: 1000, ours: figure{sample: sample{wall: time.Second, cpu: time.Second}}, theirs: figure{sample: sample{wall: 2 * time.Second, cpu: 4 * time.Second}}})
	r.add("A", row{what: "x", size: 10_000, ours: figure{sample: sample{wall: 10 * time.Second}}, theirs: figure{missing: "ogr2ogr"}, commands: [2]string{"holdfast import", ""}})
	r.hold(limit{what: "tile", size: 1000, is: 31, allowed: 30, unit: "ms"})
	r.hold(limit{what: "near", size: 1000, is: 9, allowed: 10, unit: "ms"})
	var b bytes.Buffer
	require.NoError(t, r.write(&b))
	assert.Contains(t, b.String(), "| x | 1k | 1 s | 2 s | 0.50 | 0.25 |")
	assert.Contains(t, b.String(), "| x | 10k | 10 s | ogr2ogr not installed |  |  |  |  | 1.00 |  |")
	assert.Contains(t, b.String(), "| tile | 1k | 31 ms | 30 ms | **missed** |")
	assert.Contains(t, b.String(), "| near | 1k | 9 ms | 10 ms | kept |")
	assert.Contains(t, b.String(), "- `holdfast import`")
}

// The tiles cover the data: the corners lie in the first and the last
// (OGC 17-083r4 annex D.1: column from the longitude, row from the north).
func TestTilePaths(t *testing.T) {
	paths := tilePaths("ways", 10)
	assert.Equal(t, "/api/collections/ways/tiles/WebMercatorQuad/10/368/250", paths[0], "(1 - asinh(tan 44.99°)/π)/2 · 1024 = 368.4")
	for n, zoom := range map[int]int{10_000: 10, 100_000: 12, 1_000_000: 13} {
		assert.InDelta(t, zoom, zoomFor(n), 1)
	}
}

// What the workers print is what the programs beside print.
func TestWorkersAgree(t *testing.T) {
	for _, c := range []struct {
		work   []string
		beside []string
		in     string
		within float64
	}{
		{[]string{"inverse"}, []string{"GeodSolve", "-i", "-p", "3"}, "40.6 -73.8 51.6 -0.5\n-12.25 130.5 61.5 -149.75\n", 0.0011},
		{[]string{"reproject", "EPSG:4326", "EPSG:32615"}, []string{"cs2cs", "-d", "3", "EPSG:4326", "EPSG:32615"}, "44.65 -91.2\n45.1 -90.25\n", 0.0011},
		{[]string{"utm"}, []string{"GeoConvert", "-u", "-p", "0"}, "44.65 -91.2\n45.1 -90.25\n", 1.1},
	} {
		t.Run(c.work[0], func(t *testing.T) {
			if !installed(c.beside[0]) {
				if os.Getenv("CI") != "" {
					t.Fatalf("%s is needed here", c.beside[0])
				}
				t.Skipf("%s is not installed", c.beside[0])
			}
			var ours bytes.Buffer
			require.NoError(t, work(t.Context(), c.work[0], c.work[1:], strings.NewReader(c.in), &ours))
			cmd := exec.CommandContext(t.Context(), c.beside[0], c.beside[1:]...)
			cmd.Stdin = strings.NewReader(c.in)
			theirs, err := cmd.Output()
			require.NoError(t, err)
			got, want := numbers(ours.String()), numbers(string(theirs))
			require.GreaterOrEqual(t, len(got), 4)
			for i, v := range got {
				// cs2cs prints a height behind the position
				at := i
				if c.work[0] == "reproject" {
					at = i/2*3 + i%2
				}
				assert.InDelta(t, want[at], v, c.within, "%s %s", ours.String(), theirs)
			}
		})
	}
	assert.Error(t, work(t.Context(), "inverse", nil, strings.NewReader("1 2 3\n"), &bytes.Buffer{}))
	assert.Error(t, work(t.Context(), "nothing", nil, strings.NewReader(""), &bytes.Buffer{}))
}

func numbers(text string) []float64 {
	var out []float64
	for _, f := range strings.Fields(text) {
		var v float64
		if _, err := fmt.Sscan(f, &v); err == nil && !math.IsNaN(v) {
			out = append(out, v)
		}
	}
	return out
}
