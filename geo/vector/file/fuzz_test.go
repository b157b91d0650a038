package file_test

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
)

// check holds what any reader must keep: records are numbered upwards, have a
// reason or a sound geometry, and only a last one without a number ends them.
func check(t *testing.T, s vector.Source) []vector.Record {
	t.Helper()
	var all []vector.Record
	for i := range s.Layers() {
		number, ended := 0, false
		for r := range s.Read(i) {
			require.False(t, ended, "a record behind the last")
			if r.Number == 0 {
				ended = r.Err != nil
				continue
			}
			require.Greater(t, r.Number, number)
			number = r.Number
			if r.Err != nil {
				require.Nil(t, r.Geometry.Geometry)
				continue
			}
			if r.Geometry.Z != nil {
				require.Len(t, r.Geometry.Z, vector.Count(r.Geometry.Geometry))
			}
			b, ok := vector.Extent(r.Geometry.Geometry)
			if ok {
				for _, v := range []float64{b.Min[0], b.Min[1], b.Max[0], b.Max[1]} {
					require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
				}
			}
			names := map[string]bool{}
			for _, p := range r.Properties {
				require.False(t, names[p.Name], "%q twice", p.Name)
				names[p.Name] = true
				require.True(t, p.Value == nil || vector.TypeOf(p.Value) != vector.Unknown)
			}
			all = append(all, r)
		}
	}
	return all
}

// seeds adds the test files with one of the endings.
func seeds(f *testing.F, endings ...string) {
	entries, err := os.ReadDir("testdata/traps")
	if err != nil {
		f.Fatal(err)
	}
	for _, e := range entries {
		if slices.Contains(endings, filepath.Ext(e.Name())) {
			b, err := os.ReadFile(filepath.Join("testdata/traps", e.Name()))
			if err != nil {
				f.Fatal(err)
			}
			f.Add(b)
		}
	}
}

func fuzzReader(f *testing.F) {
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := file.OpenReader(bytes.NewReader(b), int64(len(b)), "a", vector.Options{})
		if err != nil {
			require.Nil(t, s)
			return
		}
		all := check(t, s)
		require.NoError(t, s.Close())
		writeAll(t, all)
	})
}

// writeAll writes records in every format; whatever was read must be writable.
func writeAll(t *testing.T, all []vector.Record) {
	t.Helper()
	if len(all) == 0 || len(all) > 50 {
		return
	}
	for i := range all {
		all[i].Number = i + 1
	}
	layer := describe("a", all)
	if len(layer.Fields) > 200 {
		return
	}
	for _, format := range []vector.Format{vector.GeoJSON, vector.TextSequence, vector.KML, vector.GPX, vector.CSV, vector.Shapefile} {
		var out bytes.Buffer
		w, err := file.NewWriter(&out, format)
		require.NoError(t, err)
		err = w.Begin(layer)
		if err == nil {
			_, err = vector.Copy(w, slices.Values(all))
			require.NoError(t, err, "%s", format)
		} else if format != vector.CSV { // whose place may have the name of a property
			require.NoError(t, err, "%s", format)
		}
		require.NoError(t, w.Close())
		if err != nil || format == vector.CSV {
			continue
		}
		s, err := file.OpenReader(bytes.NewReader(out.Bytes()), int64(out.Len()), "a", vector.Options{})
		require.NoError(t, err, "%s: %s", format, &out)
		for i := range s.Layers() {
			for r := range s.Read(i) {
				require.NoError(t, r.Err, "%s: %q", format, &out)
			}
		}
		require.NoError(t, s.Close())
	}
}

func FuzzText(f *testing.F) {
	seeds(f, ".geojson", ".geojsonl", ".geojsons", ".csv", ".kml", ".gpx")
	for _, s := range []string{
		`{"type":"Feature","id":1e3,"properties":{"a":1e400,"\u0061":2,"b":[ 1 ]},"geometry":{"coordinates":[[[0,0],[1,0],[1,1],[0,0]]],"type":"Polygon"}}`,
		"lon;lat;a\n1,5;2,5;\"x\"\"y\"\n\"1\"\"", "wkt\n\"POINTZ(1 2 3)\"\nSRID=4326;GEOMETRYCOLLECTION(POINT(1 2),POLYGON EMPTY)\n",
		`<kml xmlns:gx="g"><Document><Placemark id="a"><gx:MultiTrack><gx:Track><when>2026-05-01</when><gx:coord>1 2 3</gx:coord></gx:Track></gx:MultiTrack></Placemark></Document></kml>`,
		`<gpx xmlns:x="u"><trk><trkseg><trkpt lat="1" lon="2"/><trkpt lat="1" lon="3"><time>z</time></trkpt></trkseg></trk></gpx>`,
	} {
		f.Add([]byte(s))
	}
	fuzzReader(f)
}

func FuzzZip(f *testing.F) {
	seeds(f, ".kmz")
	fuzzReader(f)
}

func FuzzLoneShapefile(f *testing.F) {
	seeds(f, ".shp")
	fuzzReader(f)
}

func FuzzShapefile(f *testing.F) {
	for _, name := range []string{"polygon_hole_multi", "pointzm", "dates_nulls", "long_names", "cp1252", "null_geom", "polylinez_multi", "multipoint"} {
		var parts [][]byte
		for _, ending := range []string{".shp", ".shx", ".dbf"} {
			b, err := os.ReadFile("testdata/traps/" + name + ending)
			if err != nil {
				f.Fatal(err)
			}
			parts = append(parts, b)
		}
		f.Add(parts[0], parts[1], parts[2], "1252")
	}
	f.Fuzz(func(t *testing.T, shp, shx, dbf []byte, cpg string) {
		r := zipped(t, map[string]string{"a.shp": string(shp), "a.shx": string(shx), "a.dbf": string(dbf), "a.cpg": cpg})
		s, err := file.OpenReader(r, r.Size(), "a", vector.Options{})
		if err != nil {
			return
		}
		check(t, s)
		require.NoError(t, s.Close())
	})
}

// An SQLite database with bytes changed here and there, as a whole GeoPackage is
// too large to grow out of nothing.
func FuzzGeoPackage(f *testing.F) {
	path := filepath.Join(f.TempDir(), "a.gpkg")
	out, err := os.Create(path)
	require.NoError(f, err)
	w, err := file.NewWriter(out, vector.GeoPackage)
	require.NoError(f, err)
	records := awkward()
	require.NoError(f, w.Begin(describe("a", records)))
	for _, r := range records {
		require.NoError(f, w.Write(r))
	}
	require.NoError(f, w.Close())
	require.NoError(f, out.Close())
	whole, err := os.ReadFile(path)
	require.NoError(f, err)
	f.Add(uint32(100), []byte{1, 2, 3}, uint32(4096), []byte("x"))
	f.Add(uint32(4096*3), []byte{0, 0, 0, 0, 0xff}, uint32(20000), []byte{})
	f.Add(uint32(52), []byte{0xff, 0xff}, uint32(18), []byte{2, 2})
	f.Fuzz(func(t *testing.T, at1 uint32, b1 []byte, at2 uint32, b2 []byte) {
		b := bytes.Clone(whole)
		copy(b[at1%uint32(len(b)):], b1)
		copy(b[at2%uint32(len(b)):], b2)
		s, err := file.OpenReader(bytes.NewReader(b), int64(len(b)), "a", vector.Options{})
		if err != nil {
			require.False(t, strings.Contains(err.Error(), "panic"))
			return
		}
		check(t, s)
		require.NoError(t, s.Close())
	})
}
