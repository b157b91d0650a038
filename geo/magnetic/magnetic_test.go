package magnetic_test

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/magnetic"
)

func day(year int, month time.Month, day int) time.Time {
	return time.Date(year, month, day, 12, 0, 0, 0, time.UTC)
}

// TestPublishedValues checks every row that NOAA publishes with WMM2025.
// Source: testdata/SOURCE.md. The table prints the intensities with six
// decimals, but its X (and with it H and F) is off by up to 0.0007 nT from
// what MagneticField and this package both find; the rest holds to the last
// digit printed.
func TestPublishedValues(t *testing.T) {
	file, err := os.Open("testdata/WMM2025_TestValues.txt")
	require.NoError(t, err)
	defer file.Close()
	rows := 0
	for s := bufio.NewScanner(file); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") {
			continue
		}
		rows++
		var year, km, lat, lon float64
		var want [14]float64
		in := strings.NewReader(s.Text())
		_, err := fmt.Fscan(in, &year, &km, &lat, &lon)
		require.NoError(t, err)
		for i := range want {
			_, err := fmt.Fscan(in, &want[i])
			require.NoError(t, err)
		}
		f, err := magnetic.Default().OnYear(year).At(orb.Point{lon, lat}, geo.Length(km)*geo.Kilometre)
		require.NoError(t, err)
		const hundredth, millionth = 0.00501, 1.6e-6 // half a digit, and the rounding of a sum of rounded values
		c := f.Change
		for i, got := range []struct {
			name       string
			value, tol float64
		}{
			{"D", f.D.Degrees(), hundredth},
			{"I", f.I.Degrees(), hundredth},
			{"H", f.H, 0.00075},
			{"X", f.X, 0.00075},
			{"Y", f.Y, 0.51e-6},
			{"Z", f.Z, 2.5e-6},
			{"F", f.F, 0.00075},
			{"dD", c.D.Degrees(), millionth},
			{"dI", c.I.Degrees(), millionth},
			{"dH", c.H, millionth},
			{"dX", c.X, millionth},
			{"dY", c.Y, millionth},
			{"dZ", c.Z, millionth},
			{"dF", c.F, millionth},
		} {
			assert.InDelta(t, want[i], got.value, got.tol, "%s of row %s", got.name, s.Text())
		}
	}
	assert.Equal(t, 100, rows)
}

// tool returns the path of an outside program, and skips the test where it is
// not installed, except in CI.
func tool(t *testing.T, name string) string {
	path, err := exec.LookPath(name)
	if err != nil {
		message := fmt.Sprintf("%s is not installed (Debian package geographiclib-tools)", name)
		if os.Getenv("CI") != "" {
			t.Fatal(message)
		}
		t.Skip(message)
	}
	return path
}

// TestMagneticField compares with GeographicLib's MagneticField on the same
// coefficients, over the whole globe, its poles and its heights.
func TestMagneticField(t *testing.T) {
	program := tool(t, "MagneticField")
	const seed = 20250101
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	type query struct {
		at     time.Time
		p      orb.Point
		height float64
	}
	var queries []query
	for range 2000 {
		lat := math.Asin(2*r.Float64()-1) * 180 / math.Pi
		queries = append(queries, query{
			day(2025, 1, 1).AddDate(0, 0, r.IntN(5*365)),
			orb.Point{360*r.Float64() - 180, lat},
			850e3*math.Pow(r.Float64(), 3) - 900,
		})
	}
	for _, p := range []orb.Point{{0, 90}, {77, 90}, {-120, -90}, {180, 45}, {-180, 45}, {10, 89.9999999}, {0, 0}} {
		queries = append(queries, query{day(2028, 2, 29), p, 0})
	}

	var in, out bytes.Buffer
	for _, q := range queries {
		fmt.Fprintf(&in, "%s %.17g %.17g %.17g\n", q.at.Format("2006-01-02"), q.p.Lat(), q.p.Lon(), q.height)
	}
	command := exec.Command(program, "-n", "wmm2025", "-d", "testdata/magnetic", "-r", "-p", "8")
	command.Stdin, command.Stdout, command.Stderr = &in, &out, os.Stderr
	require.NoError(t, command.Run())
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	require.Len(t, lines, 2*len(queries))

	var worst, worstAngle float64
	for i, q := range queries {
		f, err := magnetic.WMM2025().At(q.p, geo.Length(q.height), q.at)
		require.NoError(t, err)
		require.True(t, f.Valid || f.Zone == magnetic.Blackout)
		for j, e := range []magnetic.Elements{f.Elements, f.Change} {
			var d, inc, h, y, x, z, total float64 // north before east, as the tool prints
			_, err := fmt.Sscan(lines[2*i+j], &d, &inc, &h, &x, &y, &z, &total)
			require.NoError(t, err)
			for _, pair := range [][2]float64{{h, e.H}, {x, e.X}, {y, e.Y}, {z, e.Z}, {total, e.F}} {
				worst = max(worst, math.Abs(pair[0]-pair[1]))
			}
			off := geo.NewBearing(d).Off(geo.NewBearing(e.D.Degrees())).Degrees()
			worstAngle = max(worstAngle, math.Abs(off)*min(1, h/1000), math.Abs(inc-e.I.Degrees()))
		}
	}
	t.Logf("%d points: intensity and its change within %.2g nT, angles within %.2g°", len(queries), worst, worstAngle)
	assert.Less(t, worst, 1e-6)
	assert.Less(t, worstAngle, 1e-8)
}

func TestValidity(t *testing.T) {
	// source: NOAA's statement that WMM2025 is for 2025.0 to 2030.0.
	place := orb.Point{-79.9959, 40.4406}
	for _, c := range []struct {
		name  string
		at    time.Time
		valid bool
	}{
		{"last day before", day(2024, 12, 31), false},
		{"first day", day(2025, 1, 1), true},
		{"last day", day(2029, 12, 31), true},
		{"first day after", day(2030, 1, 1), false},
		{"zero time", time.Time{}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := magnetic.WMM2025().At(place, 230, c.at)
			require.NoError(t, err)
			assert.Equal(t, c.valid, f.Valid)
			assert.Equal(t, c.valid, f.Doubt == "", f.Doubt)
			if !c.valid {
				assert.Contains(t, f.Doubt, "2025.0 to 2030.0")
				assert.Contains(t, f.Doubt, "must not be used")
			}
		})
	}
	nan := magnetic.WMM2025().OnYear(math.NaN())
	f, err := nan.At(place, 0)
	require.NoError(t, err)
	assert.False(t, f.Valid)
}

func TestZones(t *testing.T) {
	// source: H of the rows from NOAA's table, limits 2000 and 6000 nT and the
	// error √(0.26²+(5417/H)²)° of the WMM2025 error model, worked by hand.
	for _, c := range []struct {
		name     string
		lon, lat float64
		km       float64
		zone     magnetic.Zone
		valid    bool
		sigma    float64
	}{
		{"H 1504.30 nT", -121, 89, 28, magnetic.Blackout, false, 3.61039},
		{"H 2164.29 nT", -96, 80, 48, magnetic.Caution, true, 2.51637},
		{"H 24300.76 nT", 93, 43, 65, magnetic.Normal, true, 0.34248},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := magnetic.WMM2025().OnYear(2025).At(orb.Point{c.lon, c.lat}, geo.Length(c.km)*geo.Kilometre)
			require.NoError(t, err)
			assert.Equal(t, c.zone, f.Zone)
			assert.Equal(t, c.valid, f.Valid)
			assert.InDelta(t, c.sigma, f.DeclinationError.Degrees(), 1e-5)
			if c.zone == magnetic.Normal {
				assert.Empty(t, f.Doubt)
			} else {
				assert.Contains(t, f.Doubt, c.zone.String())
			}
		})
	}
	f, err := magnetic.WMM2025().OnYear(2031).At(orb.Point{-121, 89}, 28*geo.Kilometre)
	require.NoError(t, err)
	assert.Contains(t, f.Doubt, "2025.0 to 2030.0", "both doubts are told")
	assert.Contains(t, f.Doubt, "blackout", "both doubts are told")
}

func TestRefusedPlaces(t *testing.T) {
	for name, c := range map[string]struct {
		p orb.Point
		h geo.Length
	}{
		"latitude and longitude swapped": {orb.Point{40, -95}, 0},
		"latitude NaN":                   {orb.Point{0, math.NaN()}, 0},
		"longitude infinite":             {orb.Point{math.Inf(1), 0}, 0},
		"height in space":                {orb.Point{0, 0}, 900 * geo.Kilometre},
		"height NaN":                     {orb.Point{0, 0}, geo.Length(math.NaN())},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := magnetic.WMM2025().At(c.p, c.h, day(2026, 7, 1))
			assert.Error(t, err)
		})
	}
}

func TestDecimalYear(t *testing.T) {
	// source: counting days; 2 July is day 183, and 29 February exists in 2028.
	west := time.FixedZone("west", -8*3600)
	for _, c := range []struct {
		name string
		t    time.Time
		year float64
	}{
		{"new year", day(2025, 1, 1), 2025},
		{"middle of a common year", day(2026, 7, 2), 2026 + 182.0/365},
		{"middle of a leap year", day(2028, 7, 2), 2028.5},
		{"last day of a leap year", day(2028, 12, 31), 2028 + 365.0/366},
		{"the local date counts", time.Date(2025, 12, 31, 23, 0, 0, 0, west), 2025 + 364.0/365},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.InDelta(t, c.year, magnetic.DecimalYear(c.t), 1e-12)
		})
	}
}

func TestLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-90, 90).Draw(t, "lat")}
		h := geo.Length(rapid.Float64Range(-1000, 9000).Draw(t, "height"))
		year := rapid.Float64Range(2025, 2029).Draw(t, "year")
		b := geo.NewBearing(rapid.Float64Range(0, 360).Draw(t, "bearing"))
		now, err := magnetic.WMM2025().OnYear(year).At(p, h)
		require.NoError(t, err)
		next, err := magnetic.WMM2025().OnYear(year+1).At(p, h)
		require.NoError(t, err)
		assert.InDelta(t, now.X+now.Change.X, next.X, 1e-6, "the model is linear in time")
		assert.InDelta(t, now.Y+now.Change.Y, next.Y, 1e-6, "the model is linear in time")
		assert.InDelta(t, now.Z+now.Change.Z, next.Z, 1e-6, "the model is linear in time")
		assert.InDelta(t, now.F, math.Hypot(now.H, now.Z), 1e-6)
		assert.InDelta(t, 0, b.Off(now.True(now.Magnetic(b))).Degrees(), 1e-9, "to magnetic and back")
		assert.Equal(t, now.Valid, now.Zone != magnetic.Blackout)
	})
}

func TestCompassSigns(t *testing.T) {
	// source: an east declination is added to a compass reading to get true
	// (FM 3-25.26 ch. 6). Declination 12.93° E at this row of NOAA's table.
	f, err := magnetic.WMM2025().OnYear(2025.5).At(orb.Point{-144, 38}, 69*geo.Kilometre)
	require.NoError(t, err)
	assert.InDelta(t, 102.93, f.True(90).Degrees(), 0.005)
	assert.InDelta(t, 347.07, f.Magnetic(0), 0.005)
}

func BenchmarkAt(b *testing.B) {
	e := magnetic.WMM2025().On(day(2026, 7, 1))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := e.At(orb.Point{-79.9959, 40.4406}, 230); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkOn(b *testing.B) {
	at := day(2026, 7, 1)
	b.ReportAllocs()
	for b.Loop() {
		magnetic.WMM2025().On(at)
	}
}

func TestAtDoesNotAllocate(t *testing.T) {
	e := magnetic.WMM2025().On(day(2026, 7, 1))
	allocs := testing.AllocsPerRun(100, func() { _, _ = e.At(orb.Point{-79.9959, 40.4406}, 230) })
	assert.Zero(t, allocs)
}
