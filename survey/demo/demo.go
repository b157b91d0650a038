// Package demo fills an atlas with the invented district: a few kilometres of
// river, two embankments, a levee and a quarry, none of which exist.
package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"iter"
	"time"

	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

//go:generate go run ./gen ../../data/demo

// BestSite is the code of the site whose sheet shows the most.
const BestSite = "QR-02"

// reference is the day on which the district's files are "today".
var reference = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

var layers = []survey.Layer{
	{ID: "water", Title: "Water", Role: survey.RoleWater},
	{ID: "bank-crest", Title: "Bank crests", Role: survey.RoleCrest},
	{ID: "bank-toe", Title: "Bank toes", Role: survey.RoleToe},
	{ID: "roads", Title: "Roads", Role: survey.RoleRoad},
	{ID: "buried-utilities", Title: "Buried utilities", Role: survey.RoleBuried},
	{ID: "overhead-lines", Title: "Overhead lines", Role: survey.RoleOverhead},
	{ID: "parcels", Title: "Parcels", Role: survey.RoleParcel},
	{ID: "buildings", Title: "Buildings", Role: survey.RoleBuilding},
	{ID: "access-tracks", Title: "Access tracks", Role: survey.RoleAccess},
}

// Fill writes the district into a new atlas. Every date is moved by whole days
// so that what was fresh, due or stale on the reference day is so on now.
func Fill(ctx context.Context, store *sqlite.Store, files fs.FS, now time.Time) error {
	who := sqlite.Author{Who: "demo", Device: "invented"}
	shift := now.Sub(reference).Truncate(24 * time.Hour)
	var sites []survey.Site
	if err := each(files, "sites", func(f geojson.Feature) error {
		s, err := survey.ParseSite(f)
		move(&s.Review.At, shift)
		move(&s.Review.Due, shift)
		sites = append(sites, s)
		return err
	}); err != nil {
		return err
	}
	var points []survey.Point
	if err := each(files, "points", func(f geojson.Feature) error {
		p, err := survey.ParsePoint(f)
		move(&p.SurveyedAt, shift)
		move(&p.BuriedUtilities.Until, shift)
		for i := range p.PullTests {
			move(&p.PullTests[i].At, shift)
		}
		points = append(points, p)
		return err
	}); err != nil {
		return err
	}
	if err := store.ImportAll(ctx, sites, points, who); err != nil {
		return fmt.Errorf("store sites and points: %w", err)
	}
	for _, l := range layers {
		l.SourceFile, l.SourceCRS, l.Licence = l.ID+".geojson", "OGC:CRS84", "invented"
		l.AsOf = survey.Known(now.AddDate(0, -5, 0).Truncate(24 * time.Hour))
		if _, err := store.AddLayer(ctx, l, features(files, l), who); err != nil {
			return fmt.Errorf("store layer %s: %w", l.ID, err)
		}
	}
	return nil
}

func move(t *survey.Opt[time.Time], by time.Duration) {
	if v, ok := t.Get(); ok {
		*t = survey.Known(v.Add(by))
	}
}

func each(files fs.FS, name string, visit func(geojson.Feature) error) error {
	f, err := files.Open("demo/" + name + ".geojson")
	if err != nil {
		return fmt.Errorf("open %s: %w", name, err)
	}
	defer f.Close()
	for rec := range geojson.Records(f) {
		if rec.Err == nil {
			rec.Err = visit(rec.Feature)
		}
		if rec.Err != nil {
			return fmt.Errorf("read %s, record %d: %w", name, rec.Number, rec.Err)
		}
	}
	return nil
}

func features(files fs.FS, l survey.Layer) iter.Seq2[survey.LayerFeature, error] {
	return func(yield func(survey.LayerFeature, error) bool) {
		more := true
		err := each(files, l.ID, func(f geojson.Feature) error {
			if more {
				more = yield(survey.LayerFeature{
					Layer: l.Title, LayerID: l.ID, Role: l.Role, AsOf: l.AsOf, ID: f.ID,
					Geometry: f.Geometry.Geometry, Heights: f.Geometry.Z, Properties: json.RawMessage(f.Properties),
				}, nil)
			}
			return nil
		})
		if err != nil && more {
			yield(survey.LayerFeature{}, err)
		}
	}
}
