package main

import (
	"context"
	"fmt"
	"os"
)

const exchangeTable = "Import and export, beside ogr2ogr"

// exchange measures what goes in and out. Ours judges every shape and keeps a
// revision; ogr2ogr copies.
func (b *bench) exchange(ctx context.Context) error {
	for _, n := range b.sizes {
		places, err := b.places(n)
		if err != nil {
			return err
		}
		ways, err := b.ways(n)
		if err != nil {
			return err
		}
		_, points, err := b.surveyed(n)
		if err != nil {
			return err
		}
		for _, layer := range []struct{ name, file string }{{"places", places}, {"ways", ways}} {
			if err := b.layer(ctx, layer.name, layer.file, n); err != nil {
				return err
			}
		}
		if err := b.points(ctx, points, n); err != nil {
			return err
		}
	}
	return nil
}

// layer takes a layer in and out as GeoJSON and GeoPackage.
func (b *bench) layer(ctx context.Context, name, geojson string, n int) error {
	atlas, gpkg, back := b.file("work.db"), b.file("work.gpkg"), b.file("back")
	ours := func(file string) command {
		return command{args: []string{b.binary, "import", file, "--layer", name, "--role", "other", "--atlas", atlas}, fresh: []string{atlas, atlas + "-wal", atlas + "-shm"}}
	}
	theirs := func(to, from, driver string) command {
		return command{args: []string{"ogr2ogr", "-f", driver, to, from}, fresh: []string{to}}
	}
	if err := b.compare(ctx, exchangeTable, "import "+name+", GeoJSON", n, ours(geojson), theirs(gpkg, geojson, "GPKG")); err != nil {
		return err
	}
	from := b.file(fmt.Sprintf("%s-%d.gpkg", name, n))
	out := func(to, driver string) error {
		mine := command{args: []string{b.binary, "export", "--collection", name, "--to", to, "--atlas", atlas}, fresh: []string{to}}
		return b.compare(ctx, exchangeTable, "export "+name+", "+driver, n, mine, theirs(back, from, driver))
	}
	if installed("ogr2ogr") {
		if _, err := theirs(from, geojson, "GPKG").run(ctx); err != nil {
			return err
		}
		if err := b.compare(ctx, exchangeTable, "import "+name+", GPKG", n, ours(from), theirs(gpkg, from, "GPKG")); err != nil {
			return err
		}
	}
	if err := out(b.file("out.geojson"), "GeoJSON"); err != nil {
		return err
	}
	return out(b.file("out.gpkg"), "GPKG")
}

// points takes survey points in and out.
func (b *bench) points(ctx context.Context, points string, n int) error {
	sites, _, err := b.surveyed(n)
	if err != nil {
		return err
	}
	atlas, base := b.file("points.db"), b.file("base.db")
	if _, err := (command{args: []string{b.binary, "import", "--sites", sites, "--atlas", base}, fresh: []string{base}}).run(ctx); err != nil {
		return err
	}
	empty, err := os.ReadFile(base)
	if err != nil {
		return err
	}
	var samples []sample
	b.say("import survey points, GeoJSON, %s", count(n))
	ours := command{args: []string{b.binary, "import", "--points", points, "--atlas", atlas}}
	theirs := command{args: []string{"ogr2ogr", "-f", "GPKG", b.file("work.gpkg"), points}, fresh: []string{b.file("work.gpkg")}}
	var other []sample
	for range b.runs {
		for _, f := range []string{atlas, atlas + "-wal", atlas + "-shm"} {
			if err := os.RemoveAll(f); err != nil {
				return err
			}
		}
		if err := os.WriteFile(atlas, empty, 0o600); err != nil {
			return err
		}
		s, err := ours.run(ctx)
		if err != nil {
			return err
		}
		samples = append(samples, s)
		if installed("ogr2ogr") {
			if s, err = theirs.run(ctx); err != nil {
				return err
			}
			other = append(other, s)
		}
	}
	their := figure{missing: "ogr2ogr"}
	if other != nil {
		their = median(other)
	}
	b.report.add(exchangeTable, row{what: "import survey points, GeoJSON", size: n, ours: median(samples), theirs: their, commands: [2]string{b.plain(ours), b.plain(theirs)}})
	for _, f := range []struct{ driver, ending string }{{"GeoJSON", "geojson"}, {"GPKG", "gpkg"}} {
		to, back := b.file("out."+f.ending), b.file("back")
		mine := command{args: []string{b.binary, "export", "--collection", "points", "--to", to, "--atlas", atlas}, fresh: []string{to}}
		err := b.compare(ctx, exchangeTable, "export survey points, "+f.driver, n, mine,
			command{args: []string{"ogr2ogr", "-f", f.driver, back, b.file("work.gpkg")}, fresh: []string{back}})
		if err != nil {
			return err
		}
	}
	return nil
}
