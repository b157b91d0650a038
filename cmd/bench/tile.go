package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"time"
)

// tiles measures every tile of one level that has something in it. ogr2ogr
// makes them all in one run; ours one by one, over HTTP, none of them kept.
func (b *bench) tiles(ctx context.Context) error {
	const table = "Vector tiles, each tile's time, beside ogr2ogr -f MVT"
	for _, n := range b.sizes {
		for _, layer := range []string{"places", "ways"} {
			if err := b.tilesOf(ctx, table, layer, n); err != nil {
				return err
			}
		}
	}
	return nil
}

func (b *bench) tilesOf(ctx context.Context, table, layer string, n int) (err error) {
	atlas, err := b.atlasOf(ctx, n)
	if err != nil {
		return err
	}
	geojson, err := map[string]func(int) (string, error){"places": b.places, "ways": b.ways}[layer](n)
	if err != nil {
		return err
	}
	zoom := zoomFor(n)
	paths := tilePaths(layer, zoom)
	b.say("%d tiles of %s at level %d, %s", len(paths), layer, zoom, count(n))
	out := b.file("tiles")
	theirs := command{args: []string{"ogr2ogr", "-f", "MVT", out, geojson, "-dsco", fmt.Sprint("MINZOOM=", zoom), "-dsco", fmt.Sprint("MAXZOOM=", zoom)}, fresh: []string{out}}
	var mine, other []sample
	for range b.runs {
		ours, err := b.freshTiles(ctx, atlas, paths)
		if err != nil {
			return err
		}
		mine = append(mine, ours)
		if !installed("ogr2ogr") {
			continue
		}
		one, err := theirs.run(ctx)
		if err != nil {
			return err
		}
		made, err := filepath.Glob(filepath.Join(out, fmt.Sprint(zoom), "*", "*.pbf"))
		if err != nil || len(made) == 0 {
			return errors.Join(err, errors.New("ogr2ogr made no tiles"))
		}
		each := time.Duration(len(made))
		other = append(other, sample{wall: one.wall / each, cpu: one.cpu / each, peak: one.peak})
	}
	b.report.add(table, row{what: fmt.Sprintf("tile of %s", layer), size: n, ours: median(mine), theirs: orMissing(other, "ogr2ogr"), commands: [2]string{first(n == b.sizes[0], "GET "+paths[0]), first(n == b.sizes[0], b.plain(theirs))}})
	return os.RemoveAll(out)
}

// freshTiles asks a server that keeps none yet for each of the tiles.
func (b *bench) freshTiles(ctx context.Context, atlas string, paths []string) (one sample, err error) {
	s, err := b.serve(ctx, atlas)
	if err != nil {
		return one, err
	}
	defer func() { err = errors.Join(err, s.stop()) }()
	before, begun := s.cpu(), time.Now()
	if _, err := s.all(ctx, paths); err != nil {
		return one, err
	}
	each := time.Duration(len(paths))
	return sample{wall: time.Since(begun) / each, cpu: (s.cpu() - before) / each, peak: s.memory("VmHWM")}, nil
}

// zoomFor is the level at which a tile shows about 1,400 of n things.
func zoomFor(n int) int {
	perDegree := float64(n) / (extent * extent)
	tiles := perDegree / 1400 // a square degree
	side := 1 / math.Sqrt(max(tiles, 1))
	return max(6, min(14, int(math.Round(math.Log2(360/side)))))
}

// tilePaths are the tiles within the extent of the data.
func tilePaths(layer string, zoom int) []string {
	x0, y0 := tileAt(west+0.01, south+extent-0.01, zoom)
	x1, y1 := tileAt(west+extent-0.01, south+0.01, zoom)
	var paths []string
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			paths = append(paths, fmt.Sprintf("/api/collections/%s/tiles/WebMercatorQuad/%d/%d/%d", layer, zoom, y, x))
		}
	}
	return paths
}

func tileAt(lon, lat float64, zoom int) (x, y int) {
	n := math.Exp2(float64(zoom))
	s := math.Sin(lat * math.Pi / 180)
	return int((lon + 180) / 360 * n), int((0.5 - math.Log((1+s)/(1-s))/(4*math.Pi)) * n)
}
