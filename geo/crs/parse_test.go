package crs_test

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/crs"
)

// definitions returns the texts of testdata/wkt by file name.
func definitions(t testing.TB) map[string]string {
	t.Helper()
	files, err := filepath.Glob("testdata/wkt/*.wkt")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	texts := map[string]string{}
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		texts[filepath.Base(f)] = string(b)
	}
	return texts
}

// TestParseDialects reads 44 definitions that PROJ wrote and wants the system
// of the code in the file name.
func TestParseDialects(t *testing.T) {
	for name, text := range definitions(t) {
		t.Run(name, func(t *testing.T) {
			code, _, _ := strings.Cut(name, ".")
			got, err := crs.Parse(text)
			require.NoError(t, err)
			assert.Equal(t, "EPSG:"+code, got.Code)
			want := byName(t, "EPSG:"+code)
			p := scatter(rand.New(rand.NewPCG(sweepSeed, 0)), want.Area, 1)[0]
			x, y, err := want.FromWGS84(p)
			require.NoError(t, err)
			gx, gy, err := got.FromWGS84(p)
			require.NoError(t, err)
			assert.InDelta(t, x, gx, 1e-4)
			assert.InDelta(t, y, gy, 1e-4)
		})
	}
}

const (
	nad83  = `GEOGCS["GCS_North_American_1983",DATUM["D_North_American_1983",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]`
	wgs84  = `GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`
	clarke = `DATUM["Somewhere 1901",SPHEROID["Clarke 1866",6378206.4,294.978698213898]`
)

func TestParseTraps(t *testing.T) {
	nc := definitions(t)["2264.esri.wkt"]
	for _, c := range []struct {
		name, wkt, code string
		at              orb.Point
		x, y            float64 // source: as noted
	}{
		// reprojection.csv, row P20
		{"a file that begins with an empty line", "\n\n" + nc, "EPSG:2264", orb.Point{-80.8431, 35.2271}, 1449620.396301, 542689.071157},
		{"a byte order mark", "\ufeff" + nc, "EPSG:2264", orb.Point{-80.8431, 35.2271}, 1449620.396301, 542689.071157},
		{"a vertical system behind a comma", nc + `,VERTCS["NAVD_1988",VDATUM["x"]]`, "EPSG:2264", orb.Point{-80.8431, 35.2271}, 1449620.396301, 542689.071157},
		{"round brackets and lower case", strings.NewReplacer("[", "(", "]", ")", "PROJCS", "projcs", "UNIT", "unit").Replace(nc), "EPSG:2264", orb.Point{-80.8431, 35.2271}, 1449620.396301, 542689.071157},
		// reprojection.csv, row P25
		{"web Mercator that names itself Mercator_1SP, truth in EXTENSION", definitions(t)["3857.ogc.wkt"], "EPSG:3857", orb.Point{-79.9959, 40.4406}, -8905102.853550, 4930177.169797},
		{"web Mercator by its old code alone", `PROJCS["Google Mercator",` + wgs84 + `,PROJECTION["Mercator_1SP"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",0],PARAMETER["scale_factor",1],PARAMETER["false_easting",0],PARAMETER["false_northing",0],UNIT["metre",1],AUTHORITY["EPSG","900913"]]`, "EPSG:3857", orb.Point{-79.9959, 40.4406}, -8905102.853550, 4930177.169797},
		{"web Mercator on its old sphere", `PROJCS["Popular Visualisation CRS / Mercator",GEOGCS["Popular Visualisation CRS",DATUM["Popular_Visualisation_Datum",SPHEROID["Popular Visualisation Sphere",6378137,0],TOWGS84[0,0,0,0,0,0,0]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]],PROJECTION["Mercator_1SP"],PARAMETER["central_meridian",0],PARAMETER["scale_factor",1],PARAMETER["false_easting",0],PARAMETER["false_northing",0],UNIT["metre",1]]`, "EPSG:3857", orb.Point{-79.9959, 40.4406}, -8905102.853550, 4930177.169797},
		// cs2cs EPSG:4326 EPSG:3395 (PROJ 9.1.1): a true Mercator stays one
		{"true Mercator", `PROJCS["WGS 84 / World Mercator",` + wgs84 + `,PROJECTION["Mercator_1SP"],PARAMETER["central_meridian",0],PARAMETER["scale_factor",1],PARAMETER["false_easting",0],PARAMETER["false_northing",0],UNIT["metre",1]]`, "EPSG:3395", orb.Point{-79.9959, 40.4406}, -8905102.853549632, 4902454.876210026},
		// EPSG:2260 and 3424 share every parameter: row P10 lies in New York
		{"New York East, which New Jersey shares", `PROJCS["NAD_1983_StatePlane_New_York_East_FIPS_3101_Feet",` + nad83 + `,PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",492125.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",-74.5],PARAMETER["Scale_Factor",0.9999],PARAMETER["Latitude_Of_Origin",38.83333333333334],UNIT["Foot_US",0.3048006096012192]]`, "EPSG:2260", orb.Point{-73.7562, 42.6526}, 692205.909049, 1392226.788476},
		{"the same under a name of its own", `PROJCS["our grid",` + nad83 + `,PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",492125.0],PARAMETER["False_Northing",0.0],PARAMETER["Central_Meridian",-74.5],PARAMETER["Scale_Factor",0.9999],PARAMETER["Latitude_Of_Origin",38.83333333333334],UNIT["Foot_US",0.3048006096012192]]`, "", orb.Point{-73.7562, 42.6526}, 692205.909049, 1392226.788476},
		// row P21
		{"a compound system", `COMPD_CS["x",PROJCS["NAD83 / UTM zone 17N",` + nad83 + `,PROJECTION["Transverse_Mercator"],PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",-81],PARAMETER["scale_factor",0.9996],PARAMETER["false_easting",500000],PARAMETER["false_northing",0],UNIT["metre",1]],VERT_CS["h",VERT_DATUM["h",2005],UNIT["metre",1]]]`, "EPSG:26917", orb.Point{-79.9959, 40.4406}, 585156.962306, 4477145.419866},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := crs.Parse(c.wkt)
			require.NoError(t, err)
			assert.Equal(t, c.code, got.Code)
			x, y, err := got.FromWGS84(c.at)
			require.NoError(t, err)
			assert.InDelta(t, c.x, x, 1e-5)
			assert.InDelta(t, c.y, y, 1e-5)
		})
	}
}

// TestParseShift: a shift in the text goes before the table's, in either sign
// convention; without one an unknown datum is refused.
func TestParseShift(t *testing.T) {
	// source: cs2cs +proj=latlong +ellps=clrk66 +towgs84=-8,160,176,1,2,3,4
	// of PROJ 9.1.1 at 81.5° W 36.4° N, height 0.
	want := cs2cs(t, strings.Fields("+proj=latlong +ellps=clrk66 +towgs84=-8,160,176,1,2,3,4 +to +proj=latlong +ellps=WGS84 +towgs84=0,0,0"), []orb.Point{{-81.5, 36.4}})[0]
	bound := func(method string, rx, ry, rz string) string {
		return `BOUNDCRS[SOURCECRS[GEOGCRS["x",` + clarke + `],CS[ellipsoidal,2],ANGLEUNIT["degree",0.0174532925199433]]],
			TARGETCRS[GEOGCRS["WGS 84",DATUM["World Geodetic System 1984",ELLIPSOID["WGS 84",6378137,298.257223563]]]],
			ABRIDGEDTRANSFORMATION["t",METHOD["` + method + `"],PARAMETER["X-axis translation",-8],PARAMETER["Y-axis translation",160],PARAMETER["Z-axis translation",176],
			PARAMETER["X-axis rotation",` + rx + `],PARAMETER["Y-axis rotation",` + ry + `],PARAMETER["Z-axis rotation",` + rz + `],PARAMETER["Scale difference",1.000004]]]`
	}
	for name, wkt := range map[string]string{
		"TOWGS84":          `GEOGCS["x",` + clarke + `,TOWGS84[-8,160,176,1,2,3,4]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`,
		"position vector":  bound("Position Vector transformation (geog2D domain)", "1", "2", "3"),
		"coordinate frame": bound("Coordinate Frame rotation (geog2D domain)", "-1", "-2", "-3"),
	} {
		c, err := crs.Parse(wkt)
		require.NoError(t, err, name)
		p, err := c.ToWGS84(-81.5, 36.4)
		require.NoError(t, err, name)
		assert.InDelta(t, want[0], p[0], 1e-10, name)
		assert.InDelta(t, want[1], p[1], 1e-10, name)
		_, stated := c.Accuracy()
		assert.False(t, stated, "a file states no accuracy")
	}
	c, err := crs.Parse(`GEOGCS["x",` + clarke + `],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`)
	require.NoError(t, err)
	_, err = c.ToWGS84(-81.5, 36.4)
	assert.ErrorIs(t, err, crs.ErrNoShift)
	// NAD27 by name, but on another ellipsoid, is not NAD27.
	c, err = crs.Parse(`GEOGCS["x",DATUM["D_North_American_1927",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]`)
	require.NoError(t, err)
	_, err = c.ToWGS84(-81.5, 36.4)
	assert.ErrorIs(t, err, crs.ErrNoShift)
}

// TestParseMeridian: longitudes from Paris in grads.
func TestParseMeridian(t *testing.T) {
	for _, text := range []string{
		`GEOGCS["GCS_NTF_Paris",DATUM["D_NTF",SPHEROID["Clarke_1880_IGN",6378249.2,293.466021293627]],PRIMEM["Paris",2.33722917],UNIT["Grad",0.0157079632679489]]`,
		`GEODCRS["NTF (Paris)",DATUM["Nouvelle Triangulation Francaise (Paris)",ELLIPSOID["Clarke 1880 (IGN)",6378249.2,293.466021293627]],PRIMEM["Paris",2.5969213],CS[ellipsoidal,2],AXIS["geodetic latitude (Lat)",north],AXIS["geodetic longitude (Lon)",east],UNIT["grad",0.0157079632679489]]`,
		`GEOGCRS["NTF (Paris)",DATUM["Nouvelle Triangulation Francaise (Paris)",ELLIPSOID["Clarke 1880 (IGN)",6378249.2,293.466021293627,LENGTHUNIT["metre",1]]],PRIMEM["Paris",2.5969213,ANGLEUNIT["grad",0.0157079632679489]],CS[ellipsoidal,2],AXIS["geodetic latitude (Lat)",north,ANGLEUNIT["grad",0.0157079632679489]],AXIS["geodetic longitude (Lon)",east,ANGLEUNIT["grad",0.0157079632679489]]]`,
	} {
		c, err := crs.Parse(text)
		require.NoError(t, err)
		assert.Equal(t, "EPSG:4807", c.Code)
		x, y, err := crs.NewTransformer(c, byName(t, "EPSG:4275")).Transform(5, 52)
		require.NoError(t, err)
		assert.InDelta(t, 2.33722917+4.5, x, 1e-12, "5 grads are 4.5 degrees; Paris is 2.5969213 grads east (EPSG prime meridian 8903)")
		assert.InDelta(t, 46.8, y, 1e-12)
	}
}

func TestParseRefuses(t *testing.T) {
	tm := `PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",-81],PARAMETER["scale_factor",0.9996],PARAMETER["false_easting",500000],PARAMETER["false_northing",0],UNIT["metre",1]]`
	for _, c := range []struct {
		name, wkt, says string
		is              error
	}{
		{"nothing", "", "a keyword is missing", nil},
		{"no bracket", "PROJCS", "bracket", nil},
		{"cut short", `GEOGCS["x",DATUM["y"`, "ends inside", nil},
		{"open quotation", `GEOGCS["x`, "quotation mark", nil},
		{"trailing text", wgs84 + " PROJCS", "after the end", nil},
		{"too long", `GEOGCS["` + strings.Repeat("x", 1<<17) + `"]`, "bytes", nil},
		{"too deep", strings.Repeat("A[", 1000), "too deep", nil},
		{"too many", "A[" + strings.Repeat("B[1],", 10000) + "1]", "too many", nil},
		{"local system", `LOCAL_CS["x",UNIT["metre",1]]`, "LOCAL_CS", crs.ErrUnsupported},
		{"vertical system", `VERT_CS["x",VERT_DATUM["x",2005],UNIT["metre",1]]`, "VERT_CS", crs.ErrUnsupported},
		{"geocentric system", `GEODCRS["x",DATUM["x",ELLIPSOID["x",6378137,298]],CS[Cartesian,3]]`, "geocentric", crs.ErrUnsupported},
		{"unknown projection", `PROJCS["x",` + nad83 + `,PROJECTION["Krovak"],` + tm, "Krovak", crs.ErrUnsupported},
		{"unknown parameter", `PROJCS["x",` + nad83 + `,PROJECTION["Transverse_Mercator"],PARAMETER["wobble",1],` + tm, "wobble", crs.ErrUnsupported},
		{"web Mercator on another sphere", `PROJCS["x",` + wgs84 + `,PROJECTION["Mercator_Auxiliary_Sphere"],PARAMETER["Central_Meridian",0],PARAMETER["Standard_Parallel_1",0],PARAMETER["Auxiliary_Sphere_Type",3],UNIT["Meter",1]]`, "Auxiliary_Sphere_Type", crs.ErrUnsupported},
		{"a parameter missing", `PROJCS["x",` + nad83 + `,PROJECTION["Lambert_Conformal_Conic_2SP"],PARAMETER["latitude_of_origin",33],PARAMETER["central_meridian",-81],PARAMETER["standard_parallel_1",34],UNIT["metre",1]]`, "second standard parallel", nil},
		{"parameters that define nothing", `PROJCS["x",` + nad83 + `,PROJECTION["Lambert_Conformal_Conic_2SP"],PARAMETER["latitude_of_origin",33],PARAMETER["central_meridian",-81],PARAMETER["standard_parallel_1",34],PARAMETER["standard_parallel_2",-34],UNIT["metre",1]]`, "parallels", nil},
		{"no unit", `PROJCS["x",` + nad83 + `,PROJECTION["Transverse_Mercator"],PARAMETER["central_meridian",-81]]`, "unit", nil},
		{"no geographic system", `PROJCS["x",PROJECTION["Transverse_Mercator"],` + tm, "geographic", nil},
		{"no datum", `GEOGCS["x",PRIMEM["Greenwich",0]]`, "datum", nil},
		{"no ellipsoid", `GEOGCS["x",DATUM["x"]]`, "ellipsoid", nil},
		{"the Moon", `GEOGCS["x",DATUM["x",SPHEROID["Moon",1737400,0]]]`, "Earth", nil},
		{"a word for a number", `GEOGCS["x",DATUM["x",SPHEROID["x",abc,298]]]`, "number", nil},
		{"an infinite number", `GEOGCS["x",DATUM["x",SPHEROID["x",6378137,1e999]]]`, "number", nil},
		{"two shift parameters", `GEOGCS["x",DATUM["x",SPHEROID["x",6378137,298],TOWGS84[1,2]]]`, "TOWGS84", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := crs.Parse(c.wkt)
			require.Error(t, err)
			assert.ErrorContains(t, err, c.says)
			if c.is != nil {
				assert.ErrorIs(t, err, c.is)
			}
		})
	}
}

// FuzzParse: no text makes Parse panic, and what it accepts can be used.
func FuzzParse(f *testing.F) {
	for _, text := range definitions(f) {
		f.Add(text)
	}
	f.Add(`COMPD_CS["x",` + nad83 + `]`)
	f.Add(`BOUNDCRS[SOURCECRS[` + wgs84 + `],TARGETCRS[` + wgs84 + `],ABRIDGEDTRANSFORMATION["t",METHOD["Geocentric translations (geog2D domain)"]]]`)
	f.Add(`GEOGCS["x",` + clarke + `,TOWGS84[-8,160,176]],PRIMEM["Greenwich",0]]`)
	f.Fuzz(func(t *testing.T, text string) {
		c, err := crs.Parse(text)
		if err != nil {
			return
		}
		c.Accuracy()
		_ = c.String()
		for _, p := range []orb.Point{{0, 0}, {-80, 35}, {500000, 4e6}, {1e300, -1e300}} {
			if q, err := c.ToWGS84(p[0], p[1]); err == nil {
				if !(q[1] >= -90.001 && q[1] <= 90.001) {
					t.Fatalf("%v to latitude %v", p, q[1])
				}
			}
			if x, y, err := c.FromWGS84(p); err == nil && (x != x || y != y) {
				t.Fatalf("%v to %v, %v", p, x, y)
			}
		}
	})
}
