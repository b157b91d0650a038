package grid_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/grid"
)

// table reads a CSV file into maps keyed by the header.
func table(t *testing.T, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1)
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

func TestForwardTable(t *testing.T) {
	// source: testdata/utm_mgrs.csv, GeoConvert 2.1.2
	for _, row := range table(t, "testdata/utm_mgrs.csv") {
		t.Run(row["id"]+" "+row["note"], func(t *testing.T) {
			p := orb.Point{number(t, row["lon"]), number(t, row["lat"])}
			c, err := grid.Project(p)
			require.NoError(t, err)
			hemisphere := "s"
			if c.North {
				hemisphere = "n"
			}
			if c.Zone != grid.UPS {
				hemisphere = fmt.Sprintf("%02d%s", c.Zone, hemisphere)
			}
			assert.Equal(t, row["utm_zone"], hemisphere)
			assert.InDelta(t, number(t, row["easting"]), c.Easting.Metres(), 6e-5)
			assert.InDelta(t, number(t, row["northing"]), c.Northing.Metres(), 6e-5)
			gamma, k, err := grid.ConvergenceScale(p)
			require.NoError(t, err)
			assert.InDelta(t, number(t, row["convergence_deg"]), gamma.Degrees(), 1e-9)
			assert.InDelta(t, number(t, row["scale"]), k, 1e-11)
			for column, prec := range map[string]grid.Precision{
				"mgrs_1km": grid.Kilometre, "mgrs_100m": grid.HundredMetres, "mgrs_10m": grid.TenMetres,
				"mgrs_1m": grid.Metre, "mgrs_0p1m": grid.Decimetre,
			} {
				s, err := grid.MGRS(p, prec)
				require.NoError(t, err)
				assert.Equal(t, row[column], s)
			}
		})
	}
}

func TestDecodeTable(t *testing.T) {
	// source: testdata/mgrs_decode.csv, GeoConvert 2.1.2
	for _, row := range table(t, "testdata/mgrs_decode.csv") {
		t.Run(row["mgrs"], func(t *testing.T) {
			q, err := grid.Parse(row["mgrs"])
			switch row["mgrs"] {
			case "17T": // a zone of 6° by 8° is no position
				require.ErrorContains(t, err, "two letters of the 100 km square")
				return
			case "17T NE 85162 77127": // spaces are ours to read, GeoConvert refuses them
				row = map[string]string{
					"sw_corner_latlon":     "40.440433562 -79.995843077",
					"square_centre_latlon": "40.440438015 -79.995837116",
					"sw_corner_utm":        "17n 585162.0 4477127.0",
				}
			}
			require.NoError(t, err)
			for column, got := range map[string]orb.Point{"sw_corner_latlon": q.Corner, "square_centre_latlon": q.Centre} {
				lat, lon, _ := strings.Cut(row[column], " ")
				assert.InDelta(t, number(t, lat), got.Lat(), 1e-9, column)
				assert.InDelta(t, number(t, lon), got.Lon(), 1e-9, column)
			}
			f := strings.Fields(row["sw_corner_utm"])
			assert.Equal(t, f[0], fmt.Sprintf("%02d%s", q.Zone, map[bool]string{true: "n", false: "s"}[q.North]))
			assert.Equal(t, number(t, f[1]), q.Easting.Metres())
			assert.Equal(t, number(t, f[2]), q.Northing.Metres())
		})
	}
}

func TestWriting(t *testing.T) {
	// source of the figures: testdata/utm_mgrs.csv; of the grouping:
	// FGDC-STD-011-2001, as "18S UJ 23480 06470".
	monument := orb.Point{-77.03530, 38.88950}
	for prec, want := range map[grid.Precision]string{
		0: "18S UJ", 1: "18S UJ 2 0", 2: "18S UJ 23 06", 3: "18S UJ 234 064",
		4: "18S UJ 2347 0648", 5: "18S UJ 23478 06483", 6: "18S UJ 234780 064832",
	} {
		s, err := grid.USNG(monument, prec)
		require.NoError(t, err)
		assert.Equal(t, want, s)
	}
	for name, c := range map[string]struct {
		p          orb.Point
		mgrs, usng string
		utm0, utm2 string
	}{
		"U40, a one-digit zone": {
			p: orb.Point{-157.8583, 21.3069}, mgrs: "04QFJ1841756542", usng: "4Q FJ 18417 56542",
			utm0: "4Q 618417 2356542", utm2: "4Q 618417.09 2356542.46",
		},
		"U34, polar": {
			p: orb.Point{-60, 84}, mgrs: "YSD2259666636", usng: "Y SD 22596 66636",
			utm0: "Y 1422597 1666636", utm2: "Y 1422596.87 1666636.15",
		},
		"U43, band S is not the south": {
			p: monument, mgrs: "18SUJ2347806483", usng: "18S UJ 23478 06483",
			utm0: "18S north 323478 4306483", utm2: "18S north 323478.06 4306483.24",
		},
		"U09, south": {
			p: orb.Point{-68.303, -54.8019}, mgrs: "19FEV4480527029", usng: "19F EV 44805 27029",
			utm0: "19F 544805 3927030", utm2: "19F 544805.10 3927029.88",
		},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := grid.MGRS(c.p, grid.Metre)
			require.NoError(t, err)
			assert.Equal(t, c.mgrs, s)
			s, err = grid.USNG(c.p, grid.Metre)
			require.NoError(t, err)
			assert.Equal(t, c.usng, s)
			b, err := grid.AppendUTM([]byte("at "), c.p, 0)
			require.NoError(t, err)
			assert.Equal(t, "at "+c.utm0, string(b))
			b, err = grid.AppendUTM(nil, c.p, 2)
			require.NoError(t, err)
			assert.Equal(t, c.utm2, string(b))
		})
	}
}

func TestBand(t *testing.T) {
	// source: NGA.STND.0037: bands of 8° from 80° S, X up to 84° N.
	for lat, want := range map[float64]byte{
		-90: 'C', -80: 'C', -72.000001: 'C', -72: 'D', -1e-300: 'M', 0: 'N', 7.999999: 'N', 8: 'P',
		40: 'T', 71.999999: 'W', 72: 'X', 83.999999: 'X', 90: 'X',
	} {
		assert.Equal(t, string(want), string(grid.Band(lat)), "%g", lat)
	}
	assert.NotPanics(t, func() { grid.Band(math.NaN()) })
}

func TestRefusals(t *testing.T) {
	for name, p := range map[string]orb.Point{
		"latitude": {0, 90.1}, "longitude": {180.1, 0}, "NaN": {math.NaN(), 0}, "NaN latitude": {0, math.NaN()},
		"infinite": {math.Inf(-1), 0},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := grid.Project(p)
			require.ErrorContains(t, err, "is outside")
			_, _, err = grid.ConvergenceScale(p)
			require.Error(t, err)
			b, err := grid.AppendMGRS([]byte("x"), p, grid.Metre)
			require.Error(t, err)
			assert.Equal(t, "x", string(b), "nothing is appended")
			b, err = grid.AppendUTM([]byte("x"), p, 0)
			require.Error(t, err)
			assert.Equal(t, "x", string(b))
		})
	}
	_, err := grid.MGRS(orb.Point{0, 0}, 9)
	require.ErrorContains(t, err, "0 to 8")
	_, err = grid.USNG(orb.Point{0, 0}, -1)
	require.Error(t, err)
	_, err = grid.AppendUTM(nil, orb.Point{0, 0}, 10)
	require.Error(t, err)
	for name, c := range map[string]grid.Coord{
		"zone 61":          {Zone: 61, North: true, Easting: 5e5, Northing: 1e6},
		"zone -1":          {Zone: -1, North: true, Easting: 5e5, Northing: 1e6},
		"easting":          {Zone: 15, North: true, Easting: 99_999, Northing: 1e6},
		"easting NaN":      {Zone: 15, North: true, Easting: geo.Length(math.NaN()), Northing: 1e6},
		"northing":         {Zone: 15, North: true, Easting: 5e5, Northing: -1},
		"northing polar":   {Zone: 15, North: true, Easting: 5e5, Northing: 9.9e6},
		"southern polar":   {Zone: 15, Easting: 5e5, Northing: 5e5},
		"UPS off the grid": {Zone: grid.UPS, North: true, Easting: 1.2e6, Northing: 2e6},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := c.Point()
			require.Error(t, err)
		})
	}
}

func TestParseRefuses(t *testing.T) {
	// source of the rules: NGA.STND.0037 (letters and zones).
	for in, want := range map[string]string{
		"":                            "not of the form",
		"18S":                         "two letters",
		"UJ 23480 06470":              "grid zone before",
		"23480 06470":                 "not of the form",
		"18S UJ 234":                  "3 digits",
		"18S UJ 23480 0647":           "as many digits each",
		"18S UJ 2348 064700":          "as many digits each",
		"18S UJ 123456789 123456789":  "at most 8",
		"18S UJ 23480,06470":          "\",\" does not belong",
		"18S UJ 23E80 06470":          "among the digits",
		"61S UJ 23480 06470":          "zone 61 does not exist",
		"0S UJ 23480 06470":           "zone 0 does not exist",
		"0018S UJ 23480 06470":        "zone 0018 does not exist",
		"18I UJ 23480 06470":          "latitude band I does not exist",
		"18Y UJ 23480 06470":          "latitude band Y does not exist",
		"18S AJ 23480 06470":          "zone 18 has no column A, only STUVWXYZ",
		"18S UW 23480 06470":          "no row W",
		"18S UV 23480 06470":          "square UV does not lie in zone 18S",
		"18T UJ 23480 06470":          "square UJ does not lie in zone 18T",
		"33X TG 14367 81875":          "square TG does not lie in zone 33X",
		"32X NH 12345 12345":          "zone 32X does not exist",
		"31V EG 12345 12345":          "square EG does not lie in zone 31V",
		"C UJ 23480 06470":            "no zone number before C",
		"Z DH 12345 12345":            "polar area Z has no column D",
		"Z AZ 12345 12345":            "polar area Z has no row Z",
		"Y RA 12345 12345":            "square RA does not lie in polar area Y",
		"B RZ":                        "square RZ does not lie in polar area B",
		strings.Repeat("18S UJ ", 50): "characters long",
		"18S\u2013UJ 23480 06470":     "does not belong",
	} {
		t.Run(in, func(t *testing.T) {
			_, err := grid.Parse(in)
			require.ErrorContains(t, err, want)
		})
	}
}

func TestParseTolerates(t *testing.T) {
	// source: testdata/utm_mgrs.csv U43, one reference in several spellings.
	want, err := grid.Parse("18SUJ2347806483")
	require.NoError(t, err)
	for _, in := range []string{
		"18S UJ 23478 06483", "18sUJ 2347806483", "  18 s u j 23478\t06483 ", "18SUJ23478 06483",
		"18S\u00a0UJ\u00a023478\u00a006483", "18SUJ 234 78 064 83",
	} {
		q, err := grid.Parse(in)
		require.NoError(t, err, in)
		assert.Equal(t, want, q)
	}
	one, err := grid.Parse("4Q FJ 18417 56542")
	require.NoError(t, err)
	two, err := grid.Parse("04QFJ1841756542")
	require.NoError(t, err)
	assert.Equal(t, one, two)
	assert.Equal(t, geo.Metre, one.Size())
}

// place draws a position, often on or a hair beside an edge of a zone or band.
func place(t *rapid.T) orb.Point {
	lon := rapid.Float64Range(-180, 180).Draw(t, "lon")
	lat := rapid.Float64Range(-90, 90).Draw(t, "lat")
	nudge := rapid.SampledFrom([]float64{0, 0, 1e-15, -1e-15, 1e-9, -1e-9, 1e-5, -1e-5})
	if rapid.Bool().Draw(t, "on a zone edge") {
		lon = math.Round(lon/3)*3 + nudge.Draw(t, "dlon")
	}
	if rapid.Bool().Draw(t, "on a band edge") {
		lat = math.Round(lat/4)*4 + nudge.Draw(t, "dlat")
	}
	return orb.Point{min(max(lon, -180), 180), min(max(lat, -90), 90)}
}

func TestReferenceLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := place(t)
		prec := grid.Precision(rapid.IntRange(0, 8).Draw(t, "precision"))
		s, err := grid.MGRS(p, prec)
		require.NoError(t, err)
		spaced, err := grid.USNG(p, prec)
		require.NoError(t, err)
		q, err := grid.Parse(s)
		require.NoError(t, err, "a reference written is read")
		u, err := grid.Parse(spaced)
		require.NoError(t, err)
		assert.Equal(t, q, u, "MGRS and USNG name the same square")
		assert.Equal(t, prec, q.Precision)

		c, err := grid.Project(p)
		require.NoError(t, err)
		for axis, d := range map[string]geo.Length{"easting": c.Easting - q.Easting, "northing": c.Northing - q.Northing} {
			assert.GreaterOrEqual(t, float64(d), -1e-8, axis+" lies in the square")
			assert.LessOrEqual(t, float64(d), float64(q.Size())+1e-8, axis)
		}
		// The centre is written as the same square, unless it lies over an edge
		// of its zone or band.
		if again, err := grid.Project(q.Centre); err == nil && again.Zone == q.Zone {
			back, err := grid.MGRS(q.Centre, prec)
			require.NoError(t, err)
			if back[:3] == s[:3] {
				assert.Equal(t, s, back)
			}
		}
	})
}

func TestCoordLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := place(t)
		c, err := grid.Project(p)
		require.NoError(t, err)
		back, err := c.Point()
		require.NoError(t, err)
		assert.InDelta(t, p.Lat(), back.Lat(), 1e-11)
		assert.InDelta(t, 0, math.Remainder(p.Lon()-back.Lon(), 360)*math.Cos(p.Lat()*math.Pi/180), 1e-11)
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{
		"18S UJ 23480 06470", "04QFJ1841756542", "zah0000000000", "B AN", "32VKN9735300648", "33XWG", "1PAM72250 04444",
		"31CDM4186716915", "18SUJ2347806483234", "Y SD 2259 6666", "17T", "", "60XZZ", "ſ8SUJ",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		q, err := grid.Parse(s)
		if err != nil {
			assert.NotEmpty(t, err.Error())
			return
		}
		for _, p := range []orb.Point{q.Corner, q.Centre} {
			assert.True(t, math.Abs(p.Lat()) <= 90 && math.Abs(p.Lon()) <= 180, "%v of %q", p, s)
		}
		c := q.Coord
		c.Easting += q.Size() / 2
		c.Northing += q.Size() / 2
		again, err := grid.Project(q.Centre)
		require.NoError(t, err)
		if again.Zone == c.Zone && again.North == c.North {
			assert.InDelta(t, c.Easting.Metres(), again.Easting.Metres(), 1e-6)
			assert.InDelta(t, c.Northing.Metres(), again.Northing.Metres(), 1e-6)
		}
	})
}

func BenchmarkProjectAndMGRS(b *testing.B) {
	b.ReportAllocs()
	dst := make([]byte, 0, 32)
	lat := 44.65123
	for b.Loop() {
		lat += 1e-9
		p := orb.Point{-91.20456, lat}
		if _, err := grid.Project(p); err != nil {
			b.Fatal(err)
		}
		var err error
		if dst, err = grid.AppendMGRS(dst[:0], p, grid.Metre); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAppendMGRS(b *testing.B) {
	b.ReportAllocs()
	dst := make([]byte, 0, 32)
	for b.Loop() {
		var err error
		if dst, err = grid.AppendMGRS(dst[:0], orb.Point{-91.20456, 44.65123}, grid.Metre); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := grid.Parse("15T XK 42364 45775"); err != nil {
			b.Fatal(err)
		}
	}
}

// TestSquaresExist holds the set of squares Parse accepts against the set met
// by walking the ground: every zone and band is sampled on a fine net and
// along its edges, and every letter pair is tried.
func TestSquaresExist(t *testing.T) {
	const letters = "ABCDEFGHJKLMNPQRSTUVWXYZ"
	for _, zone := range []int{31, 32, 33, 34, 35, 36, 37} { // all sets of letters, all exceptions
		met := map[string]bool{}
		for lat := -80.0; lat < 84; lat += 0.125 {
			for _, lat := range []float64{lat, math.Ceil(lat/4)*4 - 1e-7} {
				west := float64(6*zone - 186)
				for lon := west - 3; lon <= west+9; lon += 0.125 {
					if s, err := grid.MGRS(orb.Point{lon - 1e-7, lat}, 0); assert.NoError(t, err) {
						met[s] = true
					}
					if s, err := grid.MGRS(orb.Point{lon, lat}, 0); assert.NoError(t, err) {
						met[s] = true
					}
				}
			}
		}
		for _, band := range "CDEFGHJKLMNPQRSTUVWX" {
			for _, column := range letters {
				for _, row := range letters {
					s := fmt.Sprintf("%02d%c%c%c", zone, band, column, row)
					_, err := grid.Parse(s)
					if met[s] {
						assert.NoError(t, err)
					} else {
						assert.Error(t, err, s)
					}
				}
			}
		}
	}
}
