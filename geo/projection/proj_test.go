package projection_test

import (
	"bufio"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/projection"
)

// Ellipsoids: EPSG Geodetic Parameter Dataset, codes in the names.
var (
	grs80         = geo.Ellipsoid{A: 6378137, F: 1 / 298.257222101}         // 7019
	bessel        = geo.Ellipsoid{A: 6377397.155, F: 1 / 299.1528128}       // 7004
	clarke1866    = geo.Ellipsoid{A: 6378206.4, F: 1 - 6356583.8/6378206.4} // 7008
	clarkeIGN     = geo.Ellipsoid{A: 6378249.2, F: 1 - 6356515/6378249.2}   // 7011
	international = geo.Ellipsoid{A: 6378388, F: 1 / 297.0}                 // 7022
	krassowsky    = geo.Ellipsoid{A: 6378245, F: 1 / 298.3}                 // 7024
	everest1967   = geo.Ellipsoid{A: 6377298.556, F: 1 / 300.8017}          // 7016
	plusEllipsoid = func(e geo.Ellipsoid) string { return fmt.Sprintf("+a=%.17g +b=%.17g", e.A, e.B()) }
)

// must unwraps a constructor's result.
func must[P projection.Projection](p P, err error) projection.Projection {
	if err != nil {
		panic(err)
	}
	return p
}

// family is one projection with the PROJ string of the same and the box of
// longitudes and latitudes to try.
type family struct {
	name                     string
	p                        projection.Projection
	proj                     string
	west, south, east, north float64
}

func families() []family {
	const ft = 1200.0 / 3937
	return []family{
		{
			"LCC 1SP Lambert II étendu", must(projection.NewLambertConic1SP(clarkeIGN, 2.33722917, 46.8, 0.99987742, 600000, 2200000)),
			"+proj=lcc +lat_1=46.8 +lat_0=46.8 +lon_0=2.33722917 +k_0=0.99987742 +x_0=600000 +y_0=2200000 " + plusEllipsoid(clarkeIGN), -5, 42, 9, 51,
		},
		{
			"LCC 2SP North Carolina", must(projection.NewLambertConic2SP(grs80, -79, 33.75, 36.0+10.0/60, 34.0+20.0/60, 2000000*ft, 0)),
			"+proj=lcc +lat_0=33.75 +lon_0=-79 +lat_1=36d10'N +lat_2=34d20'N +x_0=" + strconv.FormatFloat(2000000*ft, 'g', 17, 64) + " +y_0=0 +ellps=GRS80", -85, 33, -75, 37,
		},
		{
			"LCC 2SP southern", must(projection.NewLambertConic2SP(grs80, 134, -32, -28, -36, 1000000, 2000000)),
			"+proj=lcc +lat_0=-32 +lon_0=134 +lat_1=-28 +lat_2=-36 +x_0=1000000 +y_0=2000000 +ellps=GRS80", 128, -39, 142, -25,
		},
		{
			"LCC Michigan", must(projection.NewLambertConicMichigan(clarke1866, -84-20.0/60, 43+19.0/60, 44+11.0/60, 45.7, 1.0000382, 2000000*ft, 0)),
			"+proj=lcc +lat_0=43d19'N +lon_0=84d20'W +lat_1=44d11'N +lat_2=45.7 +k_0=1.0000382 +x_0=" + strconv.FormatFloat(2000000*ft, 'g', 17, 64) + " +y_0=0 " + plusEllipsoid(clarke1866), -88, 41, -82, 48,
		},
		{
			"Mercator A", must(projection.NewMercatorA(bessel, 110, 0.997, 3900000, 900000)),
			"+proj=merc +lon_0=110 +k=0.997 +x_0=3900000 +y_0=900000 +ellps=bessel", -179, -85, 179, 85,
		},
		{
			"Mercator B", must(projection.NewMercatorB(krassowsky, 51, 42, 0, 0)),
			"+proj=merc +lon_0=51 +lat_ts=42 +ellps=krass", 40, 30, 60, 50,
		},
		{
			"pseudo-Mercator", must(projection.NewPseudoMercator(geo.WGS84, 0, 0, 0)),
			"+proj=webmerc +ellps=WGS84", -179.9, -85, 179.9, 85,
		},
		{
			"oblique stereographic RD", must(projection.NewObliqueStereographic(bessel, 5.38763888888889, 52.15616055555555, 0.9999079, 155000, 463000)),
			"+proj=sterea +lat_0=52.15616055555555 +lon_0=5.38763888888889 +k=0.9999079 +x_0=155000 +y_0=463000 +ellps=bessel", 3, 50, 8, 54,
		},
		{
			"oblique stereographic, southern", must(projection.NewObliqueStereographic(international, -60, -20, 0.999, 1e5, 2e5)),
			"+proj=sterea +lat_0=-20 +lon_0=-60 +k=0.999 +x_0=100000 +y_0=200000 +ellps=intl", -70, -30, -50, -10,
		},
		{
			"polar stereographic B south", must(projection.NewPolarStereographicB(geo.WGS84, 70, -71, 6000000, 6000000)),
			"+proj=stere +lat_0=-90 +lat_ts=-71 +lon_0=70 +x_0=6000000 +y_0=6000000 +ellps=WGS84", -180, -89, 180, -60,
		},
		{
			"polar stereographic B north", must(projection.NewPolarStereographicB(geo.WGS84, -45, 70, 0, 0)),
			"+proj=stere +lat_0=90 +lat_ts=70 +lon_0=-45 +ellps=WGS84", -180, 55, 180, 89,
		},
		{
			"Albers CONUS", must(projection.NewAlbers(grs80, -96, 23, 29.5, 45.5, 0, 0)),
			"+proj=aea +lat_0=23 +lon_0=-96 +lat_1=29.5 +lat_2=45.5 +ellps=GRS80", -125, 24, -66, 50,
		},
		{
			"Albers Australia", must(projection.NewAlbers(grs80, 132, 0, -18, -36, 0, 0)),
			"+proj=aea +lat_0=0 +lon_0=132 +lat_1=-18 +lat_2=-36 +ellps=GRS80", 112, -44, 154, -9,
		},
		{
			"Lambert azimuthal Europe", must(projection.NewLambertAzimuthal(grs80, 10, 52, 4321000, 3210000)),
			"+proj=laea +lat_0=52 +lon_0=10 +x_0=4321000 +y_0=3210000 +ellps=GRS80", -16, 33, 40, 72,
		},
		{
			"Lambert azimuthal polar", must(projection.NewLambertAzimuthal(geo.WGS84, 180, 90, 0, 0)),
			"+proj=laea +lat_0=90 +lon_0=180 +ellps=WGS84", -180, 45, 180, 88,
		},
		{
			"Hotine A Alaska zone 1", must(projection.NewHotineObliqueMercatorA(grs80, -133-40.0/60, 57, 323.130102361111, 323.130102361111, 0.9999, 5000000, -5000000)),
			"+proj=omerc +no_uoff +lat_0=57 +lonc=133d40'W +alpha=323.130102361111 +gamma=323.130102361111 +k=0.9999 +x_0=5000000 +y_0=-5000000 +ellps=GRS80", -141, 54, -129, 61,
		},
		{
			"Hotine B Borneo", must(projection.NewHotineObliqueMercatorB(everest1967, 115, 4, 53.31582047222222, 53.13010236111111, 0.99984, 590476.87, 442857.65)),
			"+proj=omerc +lat_0=4 +lonc=115 +alpha=53.31582047222222 +gamma=53.13010236111111 +k=0.99984 +x_0=590476.87 +y_0=442857.65 " + plusEllipsoid(everest1967), 109, 0, 120, 8,
		},
		{
			"Hotine B southern", must(projection.NewHotineObliqueMercatorB(international, 47, -19, 18.9, 18.9, 0.9995, 400000, 800000)),
			"+proj=omerc +lat_0=-19 +lonc=47 +alpha=18.9 +gamma=18.9 +k=0.9995 +x_0=400000 +y_0=800000 +ellps=intl", 43, -26, 51, -12,
		},
		{
			"Swiss oblique Mercator", must(projection.NewHotineObliqueMercatorB(bessel, 7.439583333333333, 46.95240555555556, 90, 90, 1, 2600000, 1200000)),
			"+proj=somerc +lat_0=46.95240555555556 +lon_0=7.439583333333333 +k_0=1 +x_0=2600000 +y_0=1200000 +ellps=bessel", 5.9, 45.8, 10.5, 47.8,
		},
		{
			"New Zealand Map Grid", must(projection.NewNewZealandMapGrid(international, 173, -41, 2510000, 6023150)),
			"+proj=nzmg +lat_0=-41 +lon_0=173 +x_0=2510000 +y_0=6023150 +ellps=intl", 166, -48, 179, -34,
		},
		{
			"transverse Mercator south", projection.NewTransverseMercatorSouth(geo.WGS84, 29, 0, 1, 0, 0),
			"+proj=tmerc +axis=wsu +lat_0=0 +lon_0=29 +k=1 +ellps=WGS84", 26, -34, 32, -22,
		},
	}
}

// cs2cs runs PROJ's cs2cs over lines of "x y" and returns its "x y" answers.
func cs2cs(t *testing.T, args []string, pts [][2]float64) [][2]float64 {
	t.Helper()
	path, err := exec.LookPath("cs2cs")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("cs2cs is needed (package proj-bin)")
		}
		t.Skip("cs2cs is not installed (package proj-bin)")
	}
	var in strings.Builder
	for _, p := range pts {
		fmt.Fprintf(&in, "%.17g %.17g\n", p[0], p[1])
	}
	cmd := exec.Command(path, args...)
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.Output()
	require.NoError(t, err, "%s %v", path, args)
	var res [][2]float64
	for s := bufio.NewScanner(strings.NewReader(string(out))); s.Scan(); {
		f := strings.Fields(s.Text())
		x, errx := strconv.ParseFloat(f[0], 64)
		y, erry := strconv.ParseFloat(f[1], 64)
		require.NoError(t, errx)
		require.NoError(t, erry)
		res = append(res, [2]float64{x, y})
	}
	require.Len(t, res, len(pts))
	return res
}

const projSeed = 20260301

// TestAgainstPROJ holds every family against PROJ's cs2cs (9.1.1) on 2000
// random points, both ways.
func TestAgainstPROJ(t *testing.T) {
	t.Logf("seed %d", projSeed)
	for _, f := range families() {
		t.Run(f.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(projSeed, 1))
			pts := make([][2]float64, 2000)
			for i := range pts {
				pts[i] = [2]float64{f.west + r.Float64()*(f.east-f.west), f.south + r.Float64()*(f.north-f.south)}
			}
			latlong := f.proj[strings.LastIndex(f.proj, " +")+1:]
			if i := strings.Index(f.proj, "+a="); i >= 0 {
				latlong = f.proj[i:]
			}
			plane := cs2cs(t, append(append([]string{"-f", "%.17g", "+proj=latlong"}, strings.Fields(latlong)...), append([]string{"+to"}, strings.Fields(f.proj)...)...), pts)
			var worst, back float64
			for i, p := range pts {
				x, y, err := f.p.Forward(p[0], p[1])
				require.NoError(t, err, "%v", p)
				worst = math.Max(worst, math.Hypot(x-plane[i][0], y-plane[i][1]))
				lon, lat, err := f.p.Inverse(plane[i][0], plane[i][1])
				require.NoError(t, err, "%v", p)
				dlon := math.Remainder(lon-p[0], 360) * math.Cos(p[1]*math.Pi/180)
				back = math.Max(back, math.Hypot(dlon, lat-p[1])*111320)
			}
			t.Logf("forward %.2g m, inverse %.2g m", worst, back)
			assert.Less(t, worst, 5e-7)
			assert.Less(t, back, 5e-7)
		})
	}
}

// TestRoundTrip: the inverse undoes the forward projection to a micrometre.
func TestRoundTrip(t *testing.T) {
	for _, f := range families() {
		t.Run(f.name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				lon := rapid.Float64Range(f.west, f.east).Draw(t, "lon")
				lat := rapid.Float64Range(f.south, f.north).Draw(t, "lat")
				x, y, err := f.p.Forward(lon, lat)
				require.NoError(t, err)
				lon2, lat2, err := f.p.Inverse(x, y)
				require.NoError(t, err)
				dlon := math.Remainder(lon2-lon, 360) * math.Cos(lat*math.Pi/180)
				assert.Less(t, math.Hypot(dlon, lat2-lat)*111320, 1e-6)
			})
		})
	}
}
