package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"strings"
	"time"
)

const (
	queryTable = "Looking up, each query's time, beside SpatiaLite and GDAL on GeoPackage"
	queries    = 100
)

// query measures boxes of about 1,000 places and the 10 places nearest to one.
// Ours answers over HTTP with GeoJSON; the others run in one process, and
// their start is taken off.
func (b *bench) query(ctx context.Context) error {
	for _, n := range b.sizes {
		if err := b.queryOf(ctx, n); err != nil {
			return err
		}
	}
	return nil
}

func (b *bench) queryOf(ctx context.Context, n int) error {
	atlas, err := b.atlasOf(ctx, n)
	if err != nil {
		return err
	}
	geojson, err := b.places(n)
	if err != nil {
		return err
	}
	all := boxes(n, queries)
	var paths []string
	for _, x := range all {
		paths = append(paths, fmt.Sprintf("/api/collections/places/items?limit=2000&bbox=%.6f,%.6f,%.6f,%.6f", x[0], x[1], x[2], x[3]))
	}
	b.say("boxes and neighbours, %s", count(n))
	var ours, spatialite, gdal []sample
	var nearest, gdalNearest []sample
	s, err := b.serve(ctx, atlas)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.stop()) }()
	lite, gpkg := b.file("places.sqlite"), b.file("places-query.gpkg")
	for _, c := range []command{
		{args: []string{"ogr2ogr", "-f", "SQLite", "-dsco", "SPATIALITE=YES", "-nln", "places", lite, geojson}, fresh: []string{lite}},
		{args: []string{"ogr2ogr", "-f", "GPKG", "-nln", "places", gpkg, geojson}, fresh: []string{gpkg}},
	} {
		if installed("ogr2ogr") {
			if _, err := c.run(ctx); err != nil {
				return err
			}
		}
	}
	for range b.runs {
		before, begun := s.cpu(), time.Now()
		if _, err := s.all(ctx, paths); err != nil {
			return err
		}
		ours = append(ours, sample{wall: time.Since(begun) / queries, cpu: (s.cpu() - before) / queries, peak: s.memory("VmHWM")})
		for _, q := range []struct {
			into *[]sample
			sql  string
		}{{&spatialite, boxSQL}, {&nearest, nearSQL}} {
			one, err := b.spatialite(ctx, lite, q.sql, all)
			if err != nil {
				return err
			}
			*q.into = append(*q.into, one...)
		}
		box, near, err := b.gdal(ctx, gpkg, all)
		if err != nil {
			return err
		}
		gdal, gdalNearest = append(gdal, box...), append(gdalNearest, near...)
	}
	b.report.add(queryTable, row{what: "box of about 1,000, beside SpatiaLite", size: n, ours: median(ours), theirs: orMissing(spatialite, "spatialite"), commands: [2]string{first(n == b.sizes[0], "GET "+paths[0]), "spatialite: " + boxSQL}})
	b.report.add(queryTable, row{what: "box of about 1,000, beside GDAL", size: n, ours: median(ours), theirs: orMissing(gdal, "python3-gdal"), commands: [2]string{"", "python3-gdal: SetSpatialFilterRect, ExportToJson of each feature"}})
	reach := 1.8 * 111_000 / math.Sqrt(float64(n)) // about 10 points lie within
	var asks []string
	for _, x := range all {
		asks = append(asks, fmt.Sprintf("/api/near?lon=%.6f&lat=%.6f&rope_m=%.0f", (x[0]+x[2])/2, (x[1]+x[3])/2, min(reach, 2000)))
	}
	var mine []sample
	for range b.runs {
		before, begun := s.cpu(), time.Now()
		if _, err := s.all(ctx, asks); err != nil {
			return err
		}
		mine = append(mine, sample{wall: time.Since(begun) / queries, cpu: (s.cpu() - before) / queries, peak: s.memory("VmHWM")})
	}
	b.report.add(queryTable, row{what: "10 nearest, ours judged as anchors, beside SpatiaLite", size: n, ours: median(mine), theirs: orMissing(nearest, "spatialite"), commands: [2]string{first(n == b.sizes[0], "GET "+asks[0]), "spatialite: " + nearSQL}})
	b.report.add(queryTable, row{what: "10 nearest, ours judged as anchors, beside GDAL", size: n, ours: median(mine), theirs: orMissing(gdalNearest, "python3-gdal"), commands: [2]string{"", "python3-gdal: SetSpatialFilterRect of a growing box, Distance of each feature"}})
	return nil
}

// first keeps an example of the smallest size only.
func first(is bool, example string) string {
	if is {
		return example
	}
	return ""
}

func orMissing(samples []sample, program string) figure {
	if len(samples) == 0 {
		return figure{missing: program}
	}
	return median(samples)
}

const (
	boxSQL = "SELECT ogc_fid, name, owner, kind, flow, open, checked, remark, diameter_mm, AsGeoJSON(GEOMETRY) FROM places WHERE ROWID IN (SELECT ROWID FROM SpatialIndex WHERE f_table_name = 'places' AND search_frame = BuildMbr(%f, %f, %f, %f, 4326));"
	// The index looks around the middle of the box.
	nearSQL = "SELECT p.ogc_fid, p.name, k.distance FROM knn AS k JOIN places AS p ON p.ogc_fid = k.fid WHERE k.f_table_name = 'places' AND k.ref_geometry = MakePoint((%f + %[3]f) / 2, (%[2]f + %[4]f) / 2, 4326) AND k.max_items = 10;"
)

// spatialite runs a query for every box and takes the start of the program off.
func (b *bench) spatialite(ctx context.Context, db, sql string, all [][4]float64) ([]sample, error) {
	if !installed("spatialite") || !installed("ogr2ogr") {
		return nil, nil
	}
	var script strings.Builder
	for _, x := range all {
		fmt.Fprintf(&script, sql+"\n", x[0], x[1], x[2], x[3])
	}
	full, empty := b.file("script.sql"), b.file("empty.sql")
	if err := errors.Join(os.WriteFile(full, []byte(script.String()), 0o600), os.WriteFile(empty, []byte("SELECT 1;\n"), 0o600)); err != nil {
		return nil, err
	}
	start, err := command{args: []string{"spatialite", "-silent", db}, stdin: empty}.run(ctx)
	if err != nil {
		return nil, err
	}
	s, err := command{args: []string{"spatialite", "-silent", db}, stdin: full}.run(ctx)
	return []sample{{wall: max(1, s.wall-start.wall) / time.Duration(len(all)), cpu: max(1, s.cpu-start.cpu) / time.Duration(len(all)), peak: s.peak}}, err
}

// gdalScript reads boxes and prints seconds and processor seconds for the boxes
// and for the neighbours, and the peak memory in kilobytes.
const gdalScript = `
import json, resource, sys, time
from osgeo import ogr
ogr.UseExceptions()
boxes = json.load(sys.stdin)
layer = (source := ogr.Open(sys.argv[1])).GetLayer(0)
def measured(do):
    wall, cpu = time.perf_counter(), time.process_time()
    for b in boxes: do(b)
    return [time.perf_counter() - wall, time.process_time() - cpu]
def box(b):
    layer.SetSpatialFilterRect(*b)
    return [f.ExportToJson() for f in layer]
def near(b):
    x, y = (b[0] + b[2]) / 2, (b[1] + b[3]) / 2
    p = ogr.CreateGeometryFromWkt('POINT (%.9f %.9f)' % (x, y))
    r = (b[2] - b[0]) / 16
    while True:
        layer.SetSpatialFilterRect(x - r, y - r, x + r, y + r)
        found = sorted((f.GetGeometryRef().Distance(p), f.GetFID()) for f in layer)
        if len(found) >= 10 and found[9][0] <= r: return found[:10]
        r *= 1.5
print(json.dumps(measured(box) + measured(near) + [resource.getrusage(resource.RUSAGE_SELF).ru_maxrss]))
`

// python is the one that Debian's python3-gdal is for.
const python = "/usr/bin/python3"

func (b *bench) gdal(ctx context.Context, path string, all [][4]float64) (box, near []sample, err error) {
	if !installed(python) || exec.CommandContext(ctx, python, "-c", "from osgeo import ogr").Run() != nil {
		return nil, nil, nil
	}
	in, err := json.Marshal(all)
	if err != nil {
		return nil, nil, err
	}
	cmd := exec.CommandContext(ctx, python, "-c", gdalScript, path)
	cmd.Stdin = strings.NewReader(string(in))
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return nil, nil, err
	}
	var v [5]float64
	if err := json.Unmarshal(out, &v); err != nil {
		return nil, nil, err
	}
	each := func(s float64) time.Duration { return time.Duration(s / float64(len(all)) * 1e9) }
	return []sample{{each(v[0]), each(v[1]), int64(v[4]) << 10}}, []sample{{each(v[2]), each(v[3]), int64(v[4]) << 10}}, nil
}
