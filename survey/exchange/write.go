package exchange

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"slices"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// All makes a sequence of a slice, for the writers.
func All[T any](items []T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for _, item := range items {
			if !yield(item, nil) {
				return
			}
		}
	}
}

// WriteSites writes sites one by one. CSV holds every geometry as WKT. An
// error of the sequence ends the writing and is returned.
func WriteSites(w io.Writer, f Format, sites iter.Seq2[survey.Site, error]) error {
	return write(w, f, siteSchema, []string{"id", "wkt"}, features(sites, survey.Site.Feature))
}

// WritePoints writes points one by one, in CSV with lon, lat and elevation_m.
func WritePoints(w io.Writer, f Format, points iter.Seq2[survey.Point, error]) error {
	return write(w, f, pointSchema, []string{"id", "lon", "lat", "elevation_m"}, features(points, survey.Point.Feature))
}

// WriteLayer writes the features of a layer one by one. CSV has a column for
// every property, so the sequence is then gone through twice; a cell shows no
// difference between a text of digits and a number, nor between a null and an
// empty text.
func WriteLayer(w io.Writer, f Format, layer iter.Seq2[survey.LayerFeature, error]) error {
	all := features(layer, func(f survey.LayerFeature) (geojson.Feature, error) {
		return geojson.Feature{ID: f.ID, Geometry: geojson.Geometry{Geometry: f.Geometry, Z: f.Heights}, Properties: f.Properties}, nil
	})
	if f != CSV {
		return write(w, f, nil, nil, all)
	}
	s, err := propertiesOf(all)
	if err != nil {
		return err
	}
	return write(w, f, s, []string{"feature_id", "wkt"}, all)
}

func features[T any](items iter.Seq2[T, error], feature func(T) (geojson.Feature, error)) iter.Seq2[geojson.Feature, error] {
	return func(yield func(geojson.Feature, error) bool) {
		for item, err := range items {
			var f geojson.Feature
			if err == nil {
				f, err = feature(item)
			}
			if !yield(f, err) || err != nil {
				return
			}
		}
	}
}

func write(w io.Writer, f Format, s *schema, place []string, all iter.Seq2[geojson.Feature, error]) error {
	out := bufio.NewWriter(w)
	var err error
	switch f {
	case GeoJSON:
		err = writeCollection(out, all)
	case TextSequence:
		err = writeSequence(out, all)
	case CSV:
		err = writeCSV(out, s, place, all)
	default:
		err = survey.Invalid("", "%q is no format that can be written here", f)
	}
	if err != nil {
		return err
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write %s: %w", f, err)
	}
	return nil
}

func writeCollection(out *bufio.Writer, all iter.Seq2[geojson.Feature, error]) error {
	_, _ = out.WriteString(`{"type":"FeatureCollection","features":[`) // bufio keeps the error for Flush
	between := "\n"
	for f, err := range all {
		if err != nil {
			return err
		}
		b, err := json.Marshal(f)
		if err != nil {
			return fmt.Errorf("write feature %q: %w", f.ID, err)
		}
		_, _ = out.WriteString(between)
		if _, err := out.Write(b); err != nil {
			return fmt.Errorf("write GeoJSON: %w", err)
		}
		between = ",\n"
	}
	_, _ = out.WriteString("\n]}\n")
	return nil
}

func writeSequence(out *bufio.Writer, all iter.Seq2[geojson.Feature, error]) error {
	for f, err := range all {
		if err != nil {
			return err
		}
		b, err := json.Marshal(f)
		if err != nil {
			return fmt.Errorf("write feature %q: %w", f.ID, err)
		}
		_ = out.WriteByte(0x1e)
		_, _ = out.Write(b)
		if err := out.WriteByte('\n'); err != nil {
			return fmt.Errorf("write text sequence: %w", err)
		}
	}
	return nil
}

// propertiesOf lists the properties that any feature has, in the order they
// are first met; within a feature by name.
func propertiesOf(all iter.Seq2[geojson.Feature, error]) (*schema, error) {
	s := &schema{}
	seen := map[string]bool{}
	for f, err := range all {
		if err != nil {
			return nil, err
		}
		members, err := membersOf(f)
		if err != nil {
			return nil, err
		}
		names := make([]string, 0, len(members))
		for name := range members {
			if !seen[name] {
				seen[name] = true
				names = append(names, name)
			}
		}
		slices.Sort(names)
		for _, name := range names {
			if lower := strings.ToLower(name); lower == "wkt" || lower == "feature_id" || strings.TrimSpace(name) != name || name == "" {
				return nil, survey.Invalid("", "CSV cannot hold the property %q: write GeoJSON instead", name)
			}
			s.columns = append(s.columns, column{name: name})
		}
	}
	return s, nil
}

func membersOf(f geojson.Feature) (map[string]json.RawMessage, error) {
	var members map[string]json.RawMessage
	if f.Properties == nil {
		return nil, nil
	}
	if err := json.Unmarshal(f.Properties, &members); err != nil {
		return nil, fmt.Errorf("write feature %q: %w", f.ID, err)
	}
	return members, nil
}

func writeCSV(out io.Writer, s *schema, place []string, all iter.Seq2[geojson.Feature, error]) error {
	w := csv.NewWriter(out)
	header := slices.Clone(place)
	for _, c := range s.columns {
		header = append(header, c.name)
	}
	_ = w.Write(header) // csv keeps the error for Error
	for f, err := range all {
		if err != nil {
			return err
		}
		row, err := s.row(f, place)
		if err != nil {
			return err
		}
		if err := w.Write(row); err != nil {
			return fmt.Errorf("write CSV: %w", err)
		}
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

// row flattens a Feature.
func (s *schema) row(f geojson.Feature, place []string) ([]string, error) {
	row := make([]string, 0, len(place)+len(s.columns))
	for _, name := range place {
		row = append(row, placeCell(f, name))
	}
	members, err := membersOf(f)
	if err != nil {
		return nil, err
	}
	if s.root != nil {
		if members, err = flat(members); err != nil {
			return nil, fmt.Errorf("write feature %q: %w", f.ID, err)
		}
	}
	for _, c := range s.columns {
		cell, err := cellOf(members[c.name])
		if err != nil {
			return nil, fmt.Errorf("write feature %q: %w", f.ID, err)
		}
		row = append(row, cell)
	}
	return row, nil
}

func placeCell(f geojson.Feature, name string) string {
	p, _ := f.Geometry.Geometry.(orb.Point)
	switch name {
	case "id", "feature_id":
		return f.ID
	case "wkt":
		return string(appendWKT(nil, f.Geometry))
	case "lon":
		return strconv.FormatFloat(p.Lon(), 'f', -1, 64)
	case "lat":
		return strconv.FormatFloat(p.Lat(), 'f', -1, 64)
	}
	if len(f.Geometry.Z) == 0 {
		return ""
	}
	return strconv.FormatFloat(f.Geometry.Z[0], 'f', -1, 64)
}

// flat brings the members of objects up, with dots in their names; lists stay.
func flat(members map[string]json.RawMessage) (map[string]json.RawMessage, error) {
	out := make(map[string]json.RawMessage, len(members))
	for name, raw := range members {
		if !bytes.HasPrefix(raw, []byte("{")) {
			out[name] = raw
			continue
		}
		var inner map[string]json.RawMessage
		if err := json.Unmarshal(raw, &inner); err != nil {
			return nil, err
		}
		inner, err := flat(inner)
		if err != nil {
			return nil, err
		}
		for k, v := range inner {
			out[name+"."+k] = v
		}
	}
	return out, nil
}

// cellOf writes a JSON value as a cell: texts bare, the rest as JSON.
func cellOf(raw json.RawMessage) (string, error) {
	switch {
	case len(raw) == 0 || string(raw) == "null":
		return "", nil
	case raw[0] == '"':
		var s string
		err := json.Unmarshal(raw, &s)
		return s, err
	}
	return string(raw), nil
}
