package exchange

import (
	"encoding/json"
	"io"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
)

// WriteReportGeoJSON writes what reports say as a FeatureCollection for a map:
// the extent of each file, and the places of the records that were repaired or
// refused, that change what is on file, and that look like duplicates.
func WriteReportGeoJSON(w io.Writer, reports ...*Report) error {
	all := struct {
		Type     string            `json:"type"`
		Features []geojson.Feature `json:"features"`
	}{"FeatureCollection", []geojson.Feature{}}
	add := func(g orb.Geometry, properties any) error {
		raw, err := json.Marshal(properties)
		all.Features = append(all.Features, geojson.Feature{Geometry: geojson.Geometry{Geometry: g}, Properties: raw})
		return err
	}
	for _, r := range reports {
		if err := r.features(add); err != nil {
			return err
		}
	}
	out := json.NewEncoder(w)
	out.SetEscapeHTML(false)
	return out.Encode(all)
}

// mark is what a place on the map says.
type mark struct {
	File   string   `json:"file,omitempty"`
	What   string   `json:"what"` // extent, repaired, refused, added, changed, removed or duplicate
	Record int      `json:"record,omitempty"`
	Name   string   `json:"name,omitempty"`
	Says   []string `json:"says,omitempty"`
}

func (r *Report) features(add func(orb.Geometry, any) error) error {
	if b := r.BBox; b != nil {
		box := orb.Polygon{{{b[0], b[1]}, {b[2], b[1]}, {b[2], b[3]}, {b[0], b[3]}, {b[0], b[1]}}}
		if err := add(box, r.Summary()); err != nil {
			return err
		}
	}
	for _, rec := range r.Records {
		if rec.At == nil {
			continue
		}
		if err := add(orb.Point(*rec.At), mark{r.File, string(rec.Status), rec.Number, rec.Label, rec.Notes}); err != nil {
			return err
		}
	}
	if r.Changes != nil {
		for _, c := range r.Changes.Listed {
			if c.At == nil {
				continue
			}
			if err := add(orb.Point(*c.At), mark{r.File, string(c.Kind), c.Record, c.Name, c.Fields}); err != nil {
				return err
			}
		}
	}
	for _, d := range r.Duplicates {
		if d.At == nil {
			continue
		}
		if err := add(orb.Point(*d.At), mark{r.File, "duplicate", d.Record, d.Name, []string{d.String()}}); err != nil {
			return err
		}
	}
	return nil
}
