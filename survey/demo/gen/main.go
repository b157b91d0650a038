// Command gen writes the invented district into data/demo. Every name, place,
// person and figure in it is made up; run it with go generate ./survey/demo.
package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
)

func main() {
	if err := write(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

func write(dir string) error {
	var features []geojson.Feature
	for _, s := range sites() {
		if err := s.Validate(); err != nil {
			return fmt.Errorf("site %s: %w", s.Code, err)
		}
		f, err := s.Feature()
		if err != nil {
			return err
		}
		features = append(features, f)
	}
	if err := save(dir, "sites", features); err != nil {
		return err
	}
	features = nil
	for _, p := range points() {
		for i := range p.PullTests { // pulled as the rope will pull
			if b, ok := p.Pull.BearingDeg.Get(); ok && p.Pull.North == survey.TrueNorth {
				p.PullTests[i].BearingDeg = survey.Known(geo.NewBearing(b))
			}
		}
		if err := p.Validate(); err != nil {
			return fmt.Errorf("point %s: %w", p.ID, err)
		}
		f, err := p.Feature()
		if err != nil {
			return err
		}
		features = append(features, f)
	}
	if err := save(dir, "points", features); err != nil {
		return err
	}
	for _, l := range layers() {
		if err := save(dir, l.id, l.features); err != nil {
			return err
		}
	}
	return nil
}

func save(dir, name string, features []geojson.Feature) error {
	b := []byte("{\"type\":\"FeatureCollection\",\"features\":[\n")
	for i, f := range features {
		one, err := f.MarshalJSON()
		if err != nil {
			return err
		}
		if i > 0 {
			b = append(b, ",\n"...)
		}
		b = append(b, one...)
	}
	b = append(b, "\n]}\n"...)
	return os.WriteFile(filepath.Join(dir, name+".geojson"), b, 0o644)
}

type layer struct {
	id       string
	features []geojson.Feature
}

func feature(g orb.Geometry, props map[string]any) geojson.Feature {
	raw, err := json.Marshal(props)
	if err != nil {
		panic(err) // the properties are literals below
	}
	return geojson.Feature{Geometry: geojson.Geometry{Geometry: g}, Properties: raw}
}

func named(name string) map[string]any { return map[string]any{"name": name} }

const end = 2300.0 // the river runs from −end to end

func layers() []layer {
	l := func(id string, fs ...geojson.Feature) layer { return layer{id, fs} }
	left, right := run(river, -end, end, 28), run(river, -end, end, -28)
	creekLeft, creekRight := run(creek, -560, 900, 4), run(creek, -560, 900, -4)
	box := func(c xy, w, h float64) orb.Polygon {
		return polygon([]xy{{c.x - w, c.y - h}, {c.x + w, c.y - h}, {c.x + w, c.y + h}, {c.x - w, c.y + h}})
	}
	strip := func(curve func(float64) xy, from, to, in, out float64) orb.Polygon {
		return polygon(append(run(curve, from, to, in), reversed(run(curve, from, to, out))...))
	}
	return []layer{
		l("water",
			feature(polygon(append(left, reversed(right)...)), named("Quillet River")),
			feature(polygon(append(creekLeft, reversed(creekRight)...)), named("Brask Creek")),
			feature(polygon(ring(-45)), named("Greystane pit"))),
		l("bank-crest",
			feature(line(run(river, -end, end, 42)), named("Quillet River, left bank")),
			feature(line(run(river, -end, end, -42)), named("Quillet River, right bank")),
			feature(line(run(roadNine, 300, 1100, -6)), named("County Road 9, downhill")),
			feature(line(run(spur, 500, 1000, -5)), named("Freight spur, south")),
			feature(line(run(levee, -500, 250, -4)), named("Long Levee, river side")),
			feature(orb.LineString(polygon(ring(0))[0]), named("Greystane Quarry rim"))),
		l("bank-toe",
			feature(line(run(river, -end, end, 31)), named("Quillet River, left bank")),
			feature(line(run(river, -end, end, -31)), named("Quillet River, right bank")),
			feature(line(run(roadNine, 300, 1100, -20)), named("County Road 9, downhill")),
			feature(line(run(spur, 500, 1000, -13)), named("Freight spur, south")),
			feature(line(run(levee, -500, 250, -14)), named("Long Levee, river side"))),
		l("roads",
			feature(line(run(roadNine, -500, 3800, 0)), named("County Road 9")),
			feature(line(run(river, -2100, -1200, 190)), named("Ferry Lane")),
			feature(line(run(river, -1200, -500, -210)), named("Mill Road")),
			feature(line([]xy{side(river, 430, -900), side(river, 430, -60), side(river, 430, 60), side(river, 430, 900)}), named("Bridge Street")),
			feature(line([]xy{creek(-120).add(xy{-400, -10}), creek(-120).add(xy{-9, 14}), creek(-120).add(xy{350, 30})}), named("Creek Street")),
			feature(line([]xy{{900, 1600}, {1300, 1420}, quarry.add(xy{-210, 60})}), named("Quarry Road"))),
		l("buried-utilities",
			feature(line(run(river, -1100, -600, -60)), map[string]any{"name": "gas main", "owner": "Ostrel Gas", "diameter_mm": 150}),
			feature(line(run(roadNine, 300, 1100, -4.6)), map[string]any{"name": "water main", "owner": "Ostrel Water", "diameter_mm": 200}),
			feature(line([]xy{side(river, 426, 400), side(river, 426, 20)}), map[string]any{"name": "telecom duct", "owner": "Valley Telecom"}),
			feature(line([]xy{side(river, 1205, -300), side(river, 1205, -30)}), map[string]any{"name": "pump outfall", "owner": "Ostrel Water", "diameter_mm": 600})),
		l("overhead-lines",
			feature(line([]xy{side(river, -1560, 500), side(river, -1560, -500)}), map[string]any{"name": "12.5 kV line", "kv": 12.5}),
			feature(line([]xy{roadNine(690).add(xy{-120, 300}), roadNine(690).add(xy{110, -260})}), map[string]any{"name": "12.5 kV line", "kv": 12.5})),
		l("parcels",
			feature(strip(river, -1700, -1180, 29, 400), map[string]any{"owner": "N. Orrel, Ferry Lane farm"}),
			feature(strip(river, -1180, -480, -29, -330), map[string]any{"owner": "Turbine House Trust"}),
			feature(strip(river, -400, 250, 29, 300), map[string]any{"owner": "Town of Ostrel"}),
			feature(strip(river, 980, 1450, -29, -350), map[string]any{"owner": "Ostrel Water"}),
			feature(box(quarry, 330, 300), map[string]any{"owner": "Greystane Stone"})),
		l("buildings",
			feature(box(side(river, -720, -95), 14, 9), named("turbine house")),
			feature(box(side(river, 1290, -120), 9, 9), named("pump station")),
			feature(box(side(river, -1240, 160), 12, 8), named("farm")),
			feature(box(side(river, 300, 150), 20, 12), named("bus depot")),
			feature(box(side(river, 560, 190), 16, 10), named("Station 2")),
			feature(box(side(river, 640, 120), 10, 8), named("hall"))),
		l("access-tracks",
			feature(line(append([]xy{side(river, -1220, 190)}, run(river, -1240, -1235, 60)...)), named("gravel track")),
			feature(line(run(river, -940, -640, -75)), named("race track")),
			feature(line(run(levee, -400, 200, 8)), named("levee service track"))),
	}
}
