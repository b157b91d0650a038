package file_test

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

// awkward are records with all that a format may not be able to carry.
func awkward() []vector.Record {
	point := geojson.Geometry{Geometry: orb.Point{-91.2050123456789, 44.65}, Z: []float64{231.25}}
	props := func(v ...any) vector.Properties {
		out := vector.Properties{}
		for i := 0; i < len(v); i += 2 {
			out = append(out, vector.Property{Name: v[i].(string), Value: v[i+1]})
		}
		return out
	}
	zone := time.FixedZone("", -4*3600)
	return []vector.Record{
		{Number: 1, ID: "P-1", Geometry: point, Properties: props("text", "Größe\r\n\"川\" 🌲", "n", int64(1<<53-1), "v", 0.1, "whole", 12.0, "ok", true)},
		{Number: 2, ID: "17", NumericID: true, Geometry: geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}, {5, 6}}, Z: []float64{1, nan, 3}}, Properties: props("day", vector.Date{Year: 2026, Month: 5, Day: 1}, "at", time.Date(2026, 5, 1, 6, 0, 0, 123_000_000, zone))},
		{Number: 3, Properties: props("text", "", "nested", json.RawMessage(`{"a":[1,{"b":null}]}`), "blob", []byte{0, 255})},
		{Number: 4, Geometry: geojson.Geometry{Geometry: orb.Collection{orb.Point{20, 20}, orb.LineString{{20, 20}, {21, 21}}}, Z: []float64{1, 2, 3}}, Properties: props("text", "007", "mixed", "a")},
		{Number: 5, Geometry: point, Properties: props("mixed", int64(5), "ground_class_upper", "A", "ground_class_lower", "B")},
	}
}

// Everything that goes through a format comes back the same, but for what the
// writer said it could not carry. Each row is a value or geometry that comes
// back otherwise: record, property ("" for the geometry), what it becomes.
func TestRoundTrip(t *testing.T) {
	type change struct {
		record int
		name   string
		to     any
	}
	for format, c := range map[vector.Format]struct {
		file    string
		changes []change
		losses  []string
		noID    bool
	}{
		vector.GeoJSON: {
			"a.geojson",
			[]change{{2, "day", "2026-05-01"}, {2, "at", "2026-05-01T06:00:00.123-04:00"}, {3, "blob", "AP8="}},
			[]string{"day: values of type date became text", "at: values of type date-time became text", "blob: values of type binary became text"},
			false,
		},
		vector.TextSequence: {
			"a.geojsons",
			[]change{{2, "day", "2026-05-01"}, {2, "at", "2026-05-01T06:00:00.123-04:00"}, {3, "blob", "AP8="}},
			[]string{"day: values of type date became text"},
			false,
		},
		vector.GeoPackage: {
			"a.gpkg",
			[]change{{2, "at", time.Date(2026, 5, 1, 10, 0, 0, 123_000_000, time.UTC)}, {5, "mixed", "5"}},
			[]string{"at: the time zone; times are kept in UTC (record 2)"},
			true,
		},
		vector.CSV: {"a.csv", []change{
			{2, "day", "2026-05-01"},
			{2, "at", "2026-05-01T06:00:00.123-04:00"},
			{2, "", geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}, {5, 6}}, Z: []float64{1, -9999, 3}}},
			{3, "text", nil},
			{3, "nested", `{"a":[1,{"b":null}]}`},
			{3, "blob", "AP8="},
			{1, "ok", "true"},
		}, []string{
			"ok: values of type boolean became text", "text: text that reads back as a number or as no value (record 3)",
			"that some heights are not recorded: they are written as -9999 (record 2)",
		}, false},
		vector.KML: {"a.kml", []change{
			{1, "n", "9007199254740991"}, {2, "day", "2026-05-01"}, {2, "at", "2026-05-01T06:00:00.123-04:00"}, {3, "text", nil}, {3, "nested", `{"a":[1,{"b":null}]}`}, {3, "blob", "AP8="}, {5, "mixed", "5"},
		}, []string{"n: whole numbers became text", "text: empty text reads back as no value (record 3)"}, false},
	} {
		t.Run(string(format), func(t *testing.T) {
			records := awkward()
			layer := describe("a", records)
			layer.IDField = "feature_id"
			path := filepath.Join(t.TempDir(), c.file)
			said := fmt.Sprint(write(t, path, format, layer, records))
			for _, l := range c.losses {
				assert.Contains(t, said, l)
			}
			got, _ := reads(t, path, vector.Options{}, 0)
			require.Len(t, got, len(records))
			want := awkward()
			for _, ch := range c.changes {
				r := &want[ch.record-1]
				if g, is := ch.to.(geojson.Geometry); is {
					r.Geometry = g
				} else {
					r.Properties.Set(ch.name, ch.to)
				}
			}
			for i, w := range want {
				require.NoError(t, got[i].Err)
				assert.Equal(t, nested(w.Geometry), nested(got[i].Geometry), "record %d", w.Number)
				for _, p := range w.Properties {
					v, _ := got[i].Properties.Get(p.Name)
					if p.Value == nil {
						assert.Nil(t, v, "record %d, %s", w.Number, p.Name)
						continue
					}
					assert.Equal(t, p.Value, v, "record %d, %s", w.Number, p.Name)
				}
				if id, has := got[i].Properties.Get("feature_id"); has && id != nil {
					assert.Equal(t, w.ID, id)
				} else if !c.noID {
					assert.Equal(t, w.ID, got[i].ID)
				}
			}
		})
	}
}

// The two formats that change records more say so.
func TestLossesOfShapefileAndGPX(t *testing.T) {
	records := awkward()
	layer := describe("a", records)
	said := fmt.Sprint(write(t, filepath.Join(t.TempDir(), "a.zip"), vector.Shapefile, layer, records))
	for _, l := range []string{
		"ground_class_upper: the field is called ground_cla, for names have at most 10 bytes", "ground_class_lower: the field is called ground_c_1",
		"at: values of type date-time became text", "nested: values of type json became text", "blob: binary values are left out",
		"the ID (2 records, the first is 1)", "text: a value is empty or blank text and reads back as no value (record 3)",
		"geometry collections: their members were written one by one (record 4)", "that some heights are not recorded: they are written as -9999 (record 2)",
	} {
		assert.Contains(t, said, l)
	}
	path := filepath.Join(t.TempDir(), "a.gpx")
	said = fmt.Sprint(write(t, path, vector.GPX, layer, records))
	for _, l := range []string{
		"the ID (record 1)", "records that are a LineString: waypoints are points (record 2)", "records without a place (record 3)",
		"records that are a GeometryCollection: waypoints are points (record 4)", "ok: values of type boolean became text (record 1)",
	} {
		assert.Contains(t, said, l)
	}
	got, _ := reads(t, path, vector.Options{}, 0)
	require.Len(t, got, 2)
	assert.Equal(t, vector.Properties{
		{Name: "text", Value: "Größe\r\n\"川\" 🌲"}, {Name: "n", Value: int64(1<<53 - 1)}, {Name: "v", Value: 0.1}, {Name: "whole", Value: 12.0}, {Name: "ok", Value: "true"},
	}, got[0].Properties)
	assert.Equal(t, []float64{231.25}, got[0].Geometry.Z)
}
