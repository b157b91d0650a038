package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
)

// geodesy measures programs that take positions as text, one a line.
func (b *bench) geodesy(ctx context.Context) error {
	const table = "Geodesics, UTM and reprojection, text in and text out"
	r := rand.New(rand.NewPCG(seed, 3))
	globe := func(w *bufio.Writer) {
		fmt.Fprintf(w, "%.9f %.9f", math.Asin(2*r.Float64()-1)*180/math.Pi, 360*r.Float64()-180)
	}
	pairs, err := b.text("pairs.txt", func(w *bufio.Writer) { globe(w); w.WriteByte(' '); globe(w) })
	if err != nil {
		return err
	}
	places, err := b.text("positions.txt", func(w *bufio.Writer) {
		fmt.Fprintf(w, "%.9f %.9f", 44.1+1.5*r.Float64(), -92.8+2.7*r.Float64()) // in UTM zone 15 and in central Wisconsin
	})
	if err != nil {
		return err
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	for _, c := range []struct {
		what, in string
		ours     []string
		theirs   []string
	}{
		{"geodesic inverse", pairs, []string{"inverse"}, []string{"GeodSolve", "-i", "-p", "3"}},
		{"position to UTM", places, []string{"utm"}, []string{"GeoConvert", "-u", "-p", "0"}},
		{"WGS 84 to UTM zone 15", places, []string{"reproject", "EPSG:4326", "EPSG:32615"}, []string{"cs2cs", "-d", "3", "EPSG:4326", "EPSG:32615"}},
		{"WGS 84 to Wisconsin Central in US feet", places, []string{"reproject", "EPSG:4326", "EPSG:2288"}, []string{"cs2cs", "-d", "3", "EPSG:4326", "EPSG:2288"}},
		{"WGS 84 to NAD27 / UTM zone 15", places, []string{"reproject", "EPSG:4326", "EPSG:26715"}, []string{"cs2cs", "-d", "3", "EPSG:4326", "EPSG:26715"}},
	} {
		ours := command{args: append([]string{self, "work"}, c.ours...), stdin: c.in}
		if err := b.compare(ctx, table, c.what, b.lines, ours, command{args: c.theirs, stdin: c.in}); err != nil {
			return err
		}
	}
	return nil
}

func (b *bench) text(name string, line func(w *bufio.Writer)) (string, error) {
	f, err := os.Create(b.file(name))
	if err != nil {
		return "", err
	}
	w := bufio.NewWriterSize(f, 1<<20)
	for range b.lines {
		line(w)
		w.WriteByte('\n')
	}
	return f.Name(), errors.Join(w.Flush(), f.Close())
}

// slope measures the slope of an elevation grid. Ours measures every cell on
// the ellipsoid and finds the aspect with it.
func (b *bench) slope(ctx context.Context) error {
	const table = "Slope of an elevation grid, beside gdaldem"
	if !installed("gdal_translate") {
		b.report.note("Slope: gdal_translate is not installed, which makes the grid.")
		return nil
	}
	raw := b.file("grid.raw")
	b.say("make a grid of %d by %d cells", b.side, b.side)
	if err := b.wavy(raw); err != nil {
		return err
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	for _, kind := range []struct {
		what    string
		options []string
	}{
		{"slope, tiled", []string{"-co", "TILED=YES"}},
		{"slope, tiled and deflated", []string{"-co", "TILED=YES", "-co", "COMPRESS=DEFLATE", "-co", "PREDICTOR=3"}},
	} {
		tif, out := b.file("grid.tif"), b.file("slope")
		made := command{args: append([]string{"gdal_translate", "-q", "-a_srs", "EPSG:32615", "-a_ullr", "500000", fmt.Sprint(4_900_000 + 10*b.side), fmt.Sprint(500_000 + 10*b.side), "4900000", raw, tif}, kind.options...), fresh: []string{tif}}
		if _, err := made.run(ctx); err != nil {
			return err
		}
		ours := command{args: []string{self, "work", "slope", tif, "EPSG:32615", out}, fresh: []string{out}}
		theirs := command{args: []string{"gdaldem", "slope", "-q", tif, out}, fresh: []string{out}}
		if err := b.compare(ctx, table, kind.what, b.side*b.side, ours, theirs); err != nil {
			return err
		}
	}
	return nil
}

// wavy writes a grid of float32 and the header that GDAL reads it by.
func (b *bench) wavy(path string) error {
	header := fmt.Sprintf("ENVI\nsamples = %d\nlines = %d\nbands = 1\ndata type = 4\ninterleave = bsq\nbyte order = 0\n", b.side, b.side)
	if err := os.WriteFile(path[:len(path)-len(".raw")]+".hdr", []byte(header), 0o600); err != nil {
		return err
	}
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(f, 1<<20)
	var cell [4]byte
	for y := range b.side {
		for x := range b.side {
			h := 250 + 40*math.Sin(float64(x)/31) + 30*math.Cos(float64(y)/47) + float64((x*7919+y*104729)%97)/100
			binary.LittleEndian.PutUint32(cell[:], math.Float32bits(float32(h)))
			w.Write(cell[:])
		}
	}
	return errors.Join(w.Flush(), f.Close())
}
