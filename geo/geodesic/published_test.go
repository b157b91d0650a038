package geodesic_test

import (
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"

	"holdfast/geo"
	"holdfast/geo/geodesic"
)

// underGeodesic returns the area between the geodesic from a to b and the
// equator, positive to the right of a to b, by way of Area.
func underGeodesic(a, b orb.Point) float64 {
	area, _ := geodesic.Area(orb.Ring{a, b, {b[0], 0}, {a[0], 0}})
	return -area
}

// Source: testdata/reference.csv, quadrature in quadruple precision.
func TestAgainstQuadrature(t *testing.T) {
	var length, direction, place, area float64
	for _, r := range readCSV(t, "reference.csv") {
		a := orb.Point{0, r.float(t, "lat1")}
		b := orb.Point{r.float(t, "lon12"), r.float(t, "lat2")}
		s, az1, az2 := r.float(t, "s12_m"), r.float(t, "az1"), r.float(t, "az2")
		reduced := 6.4e6 * math.Sin(min(s, 2e7)/6.371e6) // sideways move of the far end per radian, m

		gotS, got1, got2, ok := geodesic.Inverse(a, b)
		assert.True(t, ok, r)
		assert.InDelta(t, s, gotS.Metres(), 10e-9, r)
		assert.InDelta(t, 0, turned(az1, got1.Degrees())*reduced, 5e-9, r)
		assert.InDelta(t, 0, turned(az2, got2.Degrees())*reduced, 5e-9, r)
		length = max(length, math.Abs(gotS.Metres()-s))
		direction = max(direction, turned(az1, got1.Degrees())*reduced, turned(az2, got2.Degrees())*reduced)

		gotB, got2 := geodesic.Direct(a, geo.Bearing(az1), geo.Length(s))
		assert.InDelta(t, 0, apart(b, gotB), 10e-9, r)
		assert.InDelta(t, 0, turned(az2, got2.Degrees())*math.Cos(b[1]*math.Pi/180), 2e-15, r)
		place = max(place, apart(b, gotB))

		if r["kind"] != "antipodal" { // there the area hangs on the azimuth, which is loose
			got := underGeodesic(a, b)
			assert.InDelta(t, r.float(t, "area_m2"), got, 0.1, r)
			area = max(area, math.Abs(got-r.float(t, "area_m2")))
		}
	}
	t.Logf("greatest error: length %.1f nm, direction %.1f nm at the far end, place %.1f nm, area %.3f m²",
		length*1e9, direction*1e9, place*1e9, area)
}

// Source: testdata/karney_test_set.csv, tolerances as there but 1e-8 m.
func TestKarneyTestSet(t *testing.T) {
	for _, r := range readCSV(t, "karney_test_set.csv") {
		a := orb.Point{r.float(t, "lon1"), r.float(t, "lat1")}
		b := orb.Point{r.float(t, "lon2"), r.float(t, "lat2")}
		s, az1, az2, ok := geodesic.Inverse(a, b)
		assert.True(t, ok, r)
		assert.InDelta(t, r.float(t, "s12_m"), s.Metres(), 1e-8, r)
		assert.InDelta(t, 0, turned(r.float(t, "az1"), az1.Degrees()), 1e-15, r)
		assert.InDelta(t, 0, turned(r.float(t, "az2"), az2.Degrees()), 1e-15, r)
		assert.InDelta(t, r.float(t, "area_m2"), underGeodesic(a, b), 0.1, r)

		got, az := geodesic.Direct(a, geo.NewBearing(r.float(t, "az1")), geo.Length(r.float(t, "s12_m")))
		assert.InDelta(t, 0, apart(b, got), 1e-8, r)
		assert.InDelta(t, 0, turned(r.float(t, "az2"), az.Degrees()), 2e-15, r)
	}
}

// Source: testdata/geodesic_*.csv, GeodSolve 2.1.2.
func TestStakeLines(t *testing.T) {
	for _, r := range readCSV(t, "geodesic_inverse.csv") {
		a := orb.Point{r.float(t, "lon1"), r.float(t, "lat1")}
		b := orb.Point{r.float(t, "lon2"), r.float(t, "lat2")}
		s, az1, az2, ok := geodesic.Inverse(a, b)
		assert.InDelta(t, r.float(t, "s12_m"), s.Metres(), 0.6e-6, r)
		if a == b { // the file's azimuth is a convention of the tool
			assert.False(t, ok, r)
			continue
		}
		assert.True(t, ok, r)
		tol := 0.6e-11*math.Pi/180 + 5e-9/s.Metres() // the last decimal, or 5 nm sideways
		assert.InDelta(t, 0, turned(r.float(t, "azi1"), az1.Degrees()), tol, r)
		assert.InDelta(t, 0, turned(r.float(t, "azi2"), az2.Degrees()), tol, r)
	}
	for _, r := range readCSV(t, "geodesic_direct.csv") {
		a := orb.Point{r.float(t, "lon1"), r.float(t, "lat1")}
		b, az := geodesic.Direct(a, geo.Bearing(r.float(t, "azi1")), geo.Length(r.float(t, "s12_m")))
		assert.InDelta(t, r.float(t, "lat2"), b[1], 0.6e-11, r)
		assert.InDelta(t, r.float(t, "lon2"), b[0], 0.6e-11, r)
		assert.InDelta(t, 0, turned(r.float(t, "azi2"), az.Degrees()), 1e-12, r)
	}
}

func TestInverseExamples(t *testing.T) {
	// tables: Karney 2013, tables 3 and 4; the rest: GeographicLib's C library,
	// tests/geodtest.c, by the name of the test there. NaN where no azimuth is
	// given.
	no := math.NaN()
	for _, c := range []struct {
		name               string
		a, b               orb.Point
		s, az1, az2        float64
		tolS, tolAz        float64
		eitherWayRoundPole bool
	}{
		{"table 3, short line", orb.Point{0, -30.12345}, orb.Point{0.00005, -30.12344}, 4.944208, 77.04353354237, 77.04350844913, 0.5e-6, 1e-8, false}, // 1e-8° is a nanometre sideways
		{"table 4, nearly antipodal", orb.Point{0, -30}, orb.Point{179.8, 29.9}, 19989832.82761, 161.89052473633, 18.09073724574, 0.5e-5, 1e-11, false},
		{"GeodSolve0", orb.Point{-73.8, 40.6}, orb.Point{2.55, 49.01666667}, 5853226, 53.47022, 111.59367, 0.5, 0.5e-5, false},
		{"GeodSolve4, short", orb.Point{0, 36.493349428792}, orb.Point{0.0000008, 36.49334942879201}, 0.072, no, no, 0.5e-3, 0, false},
		{"GeodSolve6 a", orb.Point{0, 88.202499451857}, orb.Point{179.981022032992859592, -88.202499451857}, 20003898.214, no, no, 0.5e-3, 0, false},
		{"GeodSolve6 b", orb.Point{0, 89.262080389218}, orb.Point{179.992207982775375662, -89.262080389218}, 20003925.854, no, no, 0.5e-3, 0, false},
		{"GeodSolve6 c", orb.Point{0, 89.333123580033}, orb.Point{179.99295812360148422, -89.333123580032997687}, 20003926.881, no, no, 0.5e-3, 0, false},
		{"GeodSolve9", orb.Point{0, 56.320923501171}, orb.Point{179.664747671772880215, -56.320923501171}, 19993558.287, no, no, 0.5e-3, 0, false},
		{"GeodSolve10", orb.Point{0, 52.784459512564}, orb.Point{179.634407464943777557, -52.784459512563990912}, 19991596.095, no, no, 0.5e-3, 0, false},
		{"GeodSolve11", orb.Point{0, 48.522876735459}, orb.Point{179.599720456223079643, -48.52287673545898293}, 19989144.774, no, no, 0.5e-3, 0, false},
		{"GeodSolve33, along the equator", orb.Point{0, 0}, orb.Point{179, 0}, 19926189, 90, 90, 0.5, 0.5e-5, false},
		{"GeodSolve33, off the equator", orb.Point{0, 0}, orb.Point{179.5, 0}, 19980862, 55.96650, 124.03350, 0.5, 0.5e-5, false},
		{"GeodSolve33, over the pole", orb.Point{0, 0}, orb.Point{180, 0}, 20003931, 0, 180, 0.5, 0.5e-5, true},
		{"GeodSolve33, over the pole to 1° N", orb.Point{0, 0}, orb.Point{180, 1}, 19893357, 0, 180, 0.5, 0.5e-5, false},
		{"GeodSolve59, half a turn less a hair", orb.Point{0.00000000000001, 5}, orb.Point{180, 10}, 18345191.174332713, 0.000000000000035, 179.99999999999996, 5e-9, 1.5e-14, false},
		{"GeodSolve74, site", orb.Point{15.3872, 54.1589}, orb.Point{15.3877, 54.1591}, 39.527686385, 55.723110355, 55.723515675, 5e-9, 5e-9, false},
		{"GeodSolve76, a failure of Vincenty's method", orb.Point{174 + 49/60.0, -(41 + 19/60.0)}, orb.Point{-(5 + 30/60.0), 40 + 58/60.0}, 19960543.857179, 160.39137649664, 19.50042925176, 0.5e-6, 0.5e-11, false},
		{"GeodSolve78, another", orb.Point{0, 27.2}, orb.Point{179.5, -27.1}, 19974354.765767, 45.82468716758, 134.22776532670, 0.5e-6, 0.5e-11, false},
		{"GeodSolve92", orb.Point{-122.47018, 37.757540000000006}, orb.Point{-122.470177, 37.75754}, 0.264, 89.99999923, 90.00000106, 0.5e-3, 1e-7, false},
		{"GeodSolve99", orb.Point{0, 45}, orb.Point{179.572719, -45}, 19987083.007, 90.00000028, 90.00000028, 0.5e-3, 1e-8, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, az1, az2, ok := geodesic.Inverse(c.a, c.b)
			assert.True(t, ok)
			assert.InDelta(t, c.s, s.Metres(), c.tolS)
			assert.Equal(t, s, geodesic.Distance(c.a, c.b))
			if math.IsNaN(c.az1) {
				return
			}
			if c.eitherWayRoundPole && az1.Degrees() == 180 { // the mirror image is as short
				c.az1, c.az2 = 180, 0
			}
			assert.InDelta(t, 0, turned(c.az1, az1.Degrees()), c.tolAz*math.Pi/180)
			assert.InDelta(t, 0, turned(c.az2, az2.Degrees()), c.tolAz*math.Pi/180)
		})
	}
}

func TestDirectExamples(t *testing.T) {
	// tables: Karney 2013, table 2; the rest as above.
	for _, c := range []struct {
		name   string
		a      orb.Point
		az     geo.Bearing
		s      geo.Length
		b      orb.Point
		az2    float64
		tol    float64 // degrees
		noLong bool    // at the pole any longitude will do
	}{
		{"table 2", orb.Point{0, 40}, 30, 10e6, orb.Point{137.84490004377, 41.79331020506}, 149.09016931807, 1e-11, false},
		{"GeodSolve1", orb.Point{-73.77888889, 40.63972222}, 53.5, 5850e3, orb.Point{2.56106, 49.01467}, 111.62947, 0.5e-5, false},
		{"GeodSolve5, to the pole", orb.Point{30, 0.01777745589997}, 0, 10e6, orb.Point{30, 90}, 0, 0.5e-5, true},
		{"GeodSolve17", orb.Point{-75, 40}, 350, 2e7, orb.Point{105, -39}, 190, 1, false},
		{"GeodSolve61, azimuth a hair west of north", orb.Point{0, 45}, -0.000000000000000003, 1e7, orb.Point{180, 45.30632}, 180, 0.5e-5, false},
		{"GeodSolve73, backwards from the pole", orb.Point{10, 90}, 180, -1e6, orb.Point{-170, 81.04623}, 0, 0.5e-5, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, az := geodesic.Direct(c.a, c.az, c.s)
			assert.InDelta(t, c.b[1], b[1], c.tol)
			if c.noLong {
				return
			}
			assert.InDelta(t, 0, turned(c.b[0], b[0]), c.tol*math.Pi/180)
			assert.InDelta(t, 0, turned(c.az2, az.Degrees()), c.tol*math.Pi/180)
			assert.False(t, math.Signbit(az.Degrees()), "no minus zero")
		})
	}
}

// lats builds a ring from latitude, longitude pairs, the order of the source.
func lats(v ...float64) (ring orb.Ring) {
	for i := 0; i < len(v); i += 2 {
		ring = append(ring, orb.Point{v[i+1], v[i]})
	}
	return ring
}

func TestAreaExamples(t *testing.T) {
	const r = 39433884866571.4277 // one turn round the pole in Planimeter21
	turn := []float64{45, 60, 45, 180, 45, -60}
	// GeographicLib's C library, tests/geodtest.c, by the name of the test.
	for _, c := range []struct {
		name            string
		ring            orb.Ring
		area, perimeter float64
		tolArea, tolPer float64
	}{
		{"Planimeter0, round the north pole", lats(89, 0, 89, 90, 89, 180, 89, 270), 24952305678, 631819.8745, 1, 1e-4},
		{"Planimeter0, round the south pole", lats(-89, 0, -89, 90, -89, 180, -89, 270), -24952305678, 631819.8745, 1, 1e-4},
		{"Planimeter0, across the equator", lats(0, -1, -1, 0, 0, 1, 1, 0), 24619419146, 627598.2731, 1, 1e-4},
		{"Planimeter0, octant", lats(90, 0, 0, 0, 0, 90), 63758202715511, 30022685, 1, 1},
		{"Planimeter5, over the pole", lats(89, 0.1, 89, 90.1, 89, -179.9), 12476152838.5, 539297, 1, 1},
		{"Planimeter6 a", lats(9, -0.00000000000001, 9, 180, 9, 0), 0, 36026861, 1, 1},
		{"Planimeter6 b", lats(9, 0.00000000000001, 9, 0, 9, 180), 0, 36026861, 1, 1},
		{"Planimeter6 c", lats(9, 0.00000000000001, 9, 180, 9, 0), 0, 36026861, 1, 1},
		{"Planimeter6 d", lats(9, -0.00000000000001, 9, 0, 9, 180), 0, 36026861, 1, 1},
		{"Planimeter12", lats(66.562222222, 0, 66.562222222, 180, 66.562222222, 360), 0, 10465729, 1, 1},
		{"Planimeter12r", lats(66.562222222, 0, 66.562222222, -180, 66.562222222, -360), 0, 10465729, 1, 1},
		{"Planimeter13, twice round the pole", lats(89, -360, 89, -240, 89, -120, 89, 0, 89, 120, 89, 240), 32415230256, 1160741, 1, 1},
		{"Planimeter15", lats(2, 1, 1, 2, 3, 3), 18454562325.45119, 652827.202163, 0.5, 1},
		{"Planimeter15, clockwise", lats(3, 3, 1, 2, 2, 1), -18454562325.45119, 652827.202163, 0.5, 1},
		{"Planimeter19, nothing", nil, 0, 0, 0, 0},
		{"Planimeter19, a point", lats(1, 1), 0, 0, 0, 0},
		{"Planimeter21, three turns", lats(append(append(append([]float64{}, turn...), turn...), turn...)...), 3 * r, 3 * 3 * 8420705.40957178156285, 0.5, 1e-3},
		{"Planimeter21, four turns", lats(append(append(append(append([]float64{}, turn...), turn...), turn...), turn...)...), 4 * r, 4 * 3 * 8420705.40957178156285, 0.5, 1e-3},
	} {
		t.Run(c.name, func(t *testing.T) {
			area, perimeter := geodesic.Area(c.ring)
			assert.InDelta(t, c.area, area, c.tolArea)
			assert.InDelta(t, c.perimeter, perimeter.Metres(), c.tolPer)
			if len(c.ring) > 0 {
				closed := append(append(orb.Ring{}, c.ring...), c.ring[0])
				again, _ := geodesic.Area(closed)
				assert.InDelta(t, area, again, 0.1, "closed ring")
			}
		})
	}
}

func TestNoDirection(t *testing.T) {
	// source: the definition of a direction; coincident points have none.
	for _, c := range []struct {
		name string
		a, b orb.Point
	}{
		{"same point", orb.Point{-80, 40}, orb.Point{-80, 40}},
		{"a turn away", orb.Point{-80, 40}, orb.Point{280, 40}},
		{"both sides of the antimeridian", orb.Point{180, -17}, orb.Point{-180, -17}},
		{"the pole by two longitudes", orb.Point{10, 90}, orb.Point{-170, 90}},
		{"the south pole", orb.Point{10, -90}, orb.Point{77, -90}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, _, _, ok := geodesic.Inverse(c.a, c.b)
			assert.Equal(t, geo.Length(0), s)
			assert.False(t, ok)
		})
	}
}

func TestWhereTheEquatorStopsBeingShortest(t *testing.T) {
	// source: up to a longitude difference of 180° (1 - f) the equator, a
	// circle of radius a, is shortest; a hair beyond it all but is.
	lon := 180 * (1 - 1/298.257223563)
	for range 20 {
		lon = math.Nextafter(lon, 0)
	}
	for range 40 {
		s, _, _, ok := geodesic.Inverse(orb.Point{0, 0}, orb.Point{lon, 0})
		assert.True(t, ok)
		assert.InDelta(t, lon*math.Pi/180*6378137, s.Metres(), 10e-9, "%v", lon)
		lon = math.Nextafter(lon, 180)
	}
}

func TestHairWestOfNorth(t *testing.T) {
	// source: the range of a bearing, 0 ≤ b < 360.
	_, az1, az2, ok := geodesic.Inverse(orb.Point{0, 0}, orb.Point{-1e-15, 10})
	assert.True(t, ok)
	assert.Equal(t, [2]geo.Bearing{0, 0}, [2]geo.Bearing{az1, az2})
}

func TestInvalid(t *testing.T) {
	// source: the package's own contract.
	nan, inf := math.NaN(), math.Inf(1)
	good := orb.Point{-80, 40}
	for _, bad := range []orb.Point{{nan, 0}, {0, nan}, {inf, 0}, {0, -inf}, {0, 90.0001}, {-inf, 91}} {
		for _, pair := range [][2]orb.Point{{good, bad}, {bad, good}, {bad, bad}} {
			s, _, _, ok := geodesic.Inverse(pair[0], pair[1])
			assert.True(t, math.IsNaN(s.Metres()), pair)
			assert.False(t, ok, pair)
			assert.True(t, math.IsNaN(geodesic.Distance(pair[0], pair[1]).Metres()), pair)
		}
		b, _ := geodesic.Direct(bad, 0, 1)
		assert.True(t, math.IsNaN(b[0]) && math.IsNaN(b[1]), bad)
		area, perimeter := geodesic.Area(orb.Ring{good, bad, {0, 0}})
		assert.True(t, math.IsNaN(area) && math.IsNaN(perimeter.Metres()), bad)
		_, d := geodesic.ToSegment(good, bad, good)
		assert.True(t, math.IsNaN(d.Metres()), bad)
		_, ok := geodesic.ToLine(good, orb.LineString{good, bad})
		assert.False(t, ok, bad)
		_, _, ok = geodesic.ToPolygon(bad, orb.Polygon{{good, {1, 1}, {0, 0}}})
		assert.False(t, ok, bad)
	}
	for _, b := range []geo.Bearing{geo.Bearing(nan), geo.Bearing(inf)} {
		p, _ := geodesic.Direct(good, b, 1)
		assert.True(t, math.IsNaN(p[0]) && math.IsNaN(p[1]))
	}
	for _, s := range []geo.Length{geo.Length(nan), geo.Length(inf)} {
		p, az := geodesic.Direct(good, 0, s)
		assert.True(t, math.IsNaN(p[0]) && math.IsNaN(p[1]) && math.IsNaN(az.Degrees()))
	}
}
