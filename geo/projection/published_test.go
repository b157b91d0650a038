package projection_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/projection"
)

// dms turns degrees, minutes and seconds into degrees; the sign stands on d.
func dms(d, m, s float64) float64 {
	return math.Copysign(math.Abs(d)+m/60+s/3600, d)
}

// TestPublished repeats the worked examples of IOGP publication 373-7-2
// (EPSG Guidance Note 7-2), section 3, one per projection method. The figures
// are as the EPSG dataset's method descriptions quote them, or from memory
// where marked; TestAgainstPROJ holds the same formulas to nanometres.
func TestPublished(t *testing.T) {
	const ft = 1200.0 / 3937 // US survey foot
	clarke := geo.Ellipsoid{A: 6378206.4, F: 1 / 294.97870}
	for _, c := range []struct {
		name     string
		p        projection.Projection
		lon, lat float64
		x, y     float64
		within   float64 // half the last printed digit and the rounding of the inputs
	}{
		{
			"9801 JAD69 / Jamaica National Grid",
			must(projection.NewLambertConic1SP(clarke, -77, 18, 1, 250000, 150000)),
			dms(-76, 56, 37.26), dms(17, 55, 55.80), 255966.58, 142493.51, 0.006,
		},
		{
			"9802 NAD27 / Texas South Central",
			must(projection.NewLambertConic2SP(clarke, -99, dms(27, 50, 0), dms(28, 23, 0), dms(30, 17, 0), 2000000*ft, 0)),
			-96, 28.5, 2963503.91 * ft, 254759.80 * ft, 0.006,
		},
		{
			"9803 Belge 1972 / Belge Lambert 72",
			must(projection.NewLambertConicBelgium(international, dms(4, 21, 24.983), 90, dms(49, 50, 0), dms(51, 10, 0), 150000.01, 5400088.44)),
			dms(5, 48, 26.533), dms(50, 40, 46.461), 251763.20, 153034.13, 0.006,
		},
		{
			"1051 NAD27 / Michigan Central",
			must(projection.NewLambertConicMichigan(clarke, dms(-84, 20, 0), dms(43, 19, 0), dms(44, 11, 0), dms(45, 42, 0), 1.0000382, 2000000*ft, 0)),
			dms(-83, 10, 0), 43.75, 2308335.75 * ft, 160210.48 * ft, 0.006,
		},
		{
			"9804 Makassar / NEIEZ (from memory)",
			must(projection.NewMercatorA(bessel, 110, 0.997, 3900000, 900000)),
			120, -3, 5009726.58, 569150.82, 0.006,
		},
		{
			"9805 Pulkovo 1942 / Caspian Sea Mercator (from memory)",
			must(projection.NewMercatorB(krassowsky, 51, 42, 0, 0)),
			53, 53, 165704.29, 5171848.07, 0.006,
		},
		{
			"1024 WGS 84 / Pseudo-Mercator",
			must(projection.NewPseudoMercator(geo.WGS84, 0, 0, 0)),
			dms(-100, 20, 0), dms(24, 22, 54.433), -11169055.58, 2800000.00, 0.016,
		},
		{
			"9809 Amersfoort / RD New",
			must(projection.NewObliqueStereographic(bessel, dms(5, 23, 15.5), dms(52, 9, 22.178), 0.9999079, 155000, 463000)),
			6, 53, 196105.283, 557057.739, 0.001,
		},
		{
			"9829 WGS 84 / Australian Antarctic Polar Stereographic",
			must(projection.NewPolarStereographicB(geo.WGS84, 70, -71, 6000000, 6000000)),
			120, -75, 7255380.79, 7053389.56, 0.006,
		},
		{
			"9830 Petrels 1972 / Terre Adelie Polar Stereographic",
			must(projection.NewPolarStereographicC(international, 140, -67, 300000, 200000)),
			dms(140, 4, 17.040), dms(-66, 36, 18.820), 303169.52, 244055.72, 0.016,
		},
		{
			"9822 NAD83 / Great Lakes and St Lawrence Albers (from memory)",
			must(projection.NewAlbers(grs80, -84.455955, 45.568977, 42.122774, 49.01518, 1000000, 1000000)),
			-78.75, 42.75, 1466493.492, 702903.006, 0.001,
		},
		{
			"9820 ETRS89 / LAEA Europe (from memory)",
			must(projection.NewLambertAzimuthal(grs80, 10, 52, 4321000, 3210000)),
			5, 50, 3962799.45, 2999718.85, 0.006,
		},
		{
			"9815 Timbalai 1948 / RSO Borneo",
			must(projection.NewHotineObliqueMercatorB(everest1967, 115, 4, dms(53, 18, 56.9537), dms(53, 7, 48.3685), 0.99984, 590476.87, 442857.65)),
			dms(115, 48, 19.8196), dms(5, 23, 14.1129), 679245.73, 596562.78, 0.006,
		},
		{
			"9808 Hartebeesthoek94 / Lo29 (from memory)",
			projection.NewTransverseMercatorSouth(geo.WGS84, 29, 0, 1, 0, 0),
			dms(28, 16, 57.479), dms(-25, 43, 55.302), 71984.49, 2847342.74, 0.011,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			x, y, err := c.p.Forward(c.lon, c.lat)
			require.NoError(t, err)
			assert.InDelta(t, c.x, x, c.within)
			assert.InDelta(t, c.y, y, c.within)
			lon, lat, err := c.p.Inverse(c.x, c.y)
			require.NoError(t, err)
			assert.InDelta(t, c.lon, lon, c.within/60000) // degrees
			assert.InDelta(t, c.lat, lat, c.within/60000)
		})
	}
}

// TestFlatEllipsoid runs the series of the conformal and authalic latitudes
// at the flattest ellipsoid they are promised for, against the closed forms
// the forward projections use.
func TestFlatEllipsoid(t *testing.T) {
	flat := geo.Ellipsoid{A: 6378137, F: 1.0 / 150}
	for name, p := range map[string]projection.Projection{
		"conformal": must(projection.NewMercatorA(flat, 0, 1, 0, 0)),
		"authalic":  must(projection.NewLambertAzimuthal(flat, 0, 0, 0, 0)),
	} {
		for lat := -85.0; lat <= 85; lat += 0.5 {
			x, y, err := p.Forward(30, lat)
			require.NoError(t, err)
			lon, back, err := p.Inverse(x, y)
			require.NoError(t, err)
			assert.InDelta(t, lat, back, 1e-11, name)
			assert.InDelta(t, 30, lon, 1e-11, name)
		}
	}
}

func TestRefuses(t *testing.T) {
	// source: the definitions of the projections; each place lies at infinity
	// or is no place.
	lcc := must(projection.NewLambertConic2SP(grs80, -79, 33.75, 36, 34, 0, 0))
	merc := must(projection.NewPseudoMercator(geo.WGS84, 0, 0, 0))
	for _, c := range []struct {
		name     string
		p        projection.Projection
		lon, lat float64
	}{
		{"latitude beyond the pole", lcc, 0, 90.1},
		{"not a number", lcc, math.NaN(), 0},
		{"infinite longitude", merc, math.Inf(1), 0},
		{"the pole away from the apex", lcc, -79, -90},
		{"Mercator's pole", merc, 0, 90},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, err := c.p.Forward(c.lon, c.lat)
			assert.ErrorIs(t, err, projection.ErrDomain)
		})
	}
	for _, c := range []struct {
		name string
		p    projection.Projection
		x, y float64
	}{
		{"beyond the edge of the map", merc, 3e7, 0},
		{"not a number", lcc, math.NaN(), 0},
		{"the gap of the cone", lcc, 0, 5e7},
		{"far from New Zealand", must(projection.NewNewZealandMapGrid(international, 173, -41, 2510000, 6023150)), 0, 0},
		{"outside the disc", must(projection.NewLambertAzimuthal(grs80, 10, 52, 0, 0)), 2e7, 0},
	} {
		t.Run("inverse, "+c.name, func(t *testing.T) {
			_, _, err := c.p.Inverse(c.x, c.y)
			assert.ErrorIs(t, err, projection.ErrDomain)
		})
	}

	_, err := projection.NewLambertConic2SP(grs80, 0, 0, 30, -30, 0, 0)
	assert.ErrorIs(t, err, projection.ErrParameter, "mirrored parallels")
	_, err = projection.NewLambertConic1SP(grs80, 0, 90, 1, 0, 0)
	assert.ErrorIs(t, err, projection.ErrParameter, "a pole as the only parallel")
	_, err = projection.NewAlbers(grs80, 0, 0, 30, -30, 0, 0)
	assert.ErrorIs(t, err, projection.ErrParameter, "mirrored parallels")
	_, err = projection.NewMercatorB(grs80, 0, 90, 0, 0)
	assert.ErrorIs(t, err, projection.ErrParameter)
	_, err = projection.NewPolarStereographicB(grs80, 0, 0, 0, 0)
	assert.ErrorIs(t, err, projection.ErrParameter)
	_, err = projection.NewHotineObliqueMercatorA(grs80, 0, 45, 30, 30, math.NaN(), 0, 0)
	assert.ErrorIs(t, err, projection.ErrParameter)
}

// TestPoles: the pole at the cone's apex maps and comes back.
func TestPoles(t *testing.T) {
	for name, p := range map[string]projection.Projection{
		"Lambert": must(projection.NewLambertConic2SP(grs80, -79, 33.75, 36, 34, 0, 0)),
		"polar":   must(projection.NewPolarStereographicB(geo.WGS84, -45, 70, 0, 0)),
		"oblique": must(projection.NewObliqueStereographic(bessel, 5, 52, 1, 0, 0)),
		"azimuth": must(projection.NewLambertAzimuthal(grs80, 10, 90, 0, 0)),
	} {
		x, y, err := p.Forward(33, 90)
		require.NoError(t, err, name)
		_, lat, err := p.Inverse(x, y)
		require.NoError(t, err, name)
		assert.InDelta(t, 90, lat, 1e-6, name)
	}
}
