package position_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/position"
)

const (
	// 44°39'04.4"N 91°12'16.4"W by the definition of minutes and seconds.
	dmsLat = 44 + 39./60 + 4.4/3600
	dmsLon = -(91 + 12./60 + 16.4/3600)
	dmLat  = 44 + 39.074/60
	dmLon  = -(91 + 12.274/60)
)

func TestParsePacked(t *testing.T) {
	// source: the definition of degrees, minutes and seconds; the run-together
	// forms of aeronautical texts and of NMEA 0183 (common practice).
	for in, want := range map[string]orb.Point{
		"443904.4N 0911216.4W":      {dmsLon, dmsLat},
		"443904.4N0911216.4W":       {dmsLon, dmsLat},
		"N443904.4 W0911216.4":      {dmsLon, dmsLat},
		"4439.074N 09112.274W":      {dmLon, dmLat},
		"4439.074,N,09112.274,W":    {dmLon, dmLat},
		"4439.074, N, 09112.274, W": {dmLon, dmLat},
		"44.65123,N,91.20456,W":     {-91.20456, 44.65123},
		"4439S 00512E":              {5.2, -44.65},
	} {
		t.Run(in, func(t *testing.T) {
			p, err := position.Parse(in)
			require.NoError(t, err)
			assert.InDelta(t, want.Lat(), p.Point.Lat(), 1e-13)
			assert.InDelta(t, want.Lon(), p.Point.Lon(), 1e-13)
		})
	}
	for in, want := range map[string]string{
		"446904N 0911216W": "69 minutes", "4439N 9112W": "9112", "443904 -0911216": "no UTM zone", "4439 -9112": "no UTM zone",
		"642364E 4945775N": "no UTM zone",
	} {
		_, err := position.Parse(in)
		assert.ErrorContains(t, err, want, in)
	}
}

func TestParseDegrees(t *testing.T) {
	// source: the definition of degrees, minutes and seconds; one minute of
	// arc is 1,852 m, so 1e-5° is 1.1112 m.
	decimal := orb.Point{-91.20456, 44.65123}
	dms, dm := orb.Point{dmsLon, dmsLat}, orb.Point{dmLon, dmLat}
	for in, c := range map[string]struct {
		want      orb.Point
		notation  position.Notation
		precision float64
	}{
		"44.65123,-91.20456":                     {decimal, position.DecimalDegrees, 1.1112},
		"44.65123, -91.20456":                    {decimal, position.DecimalDegrees, 1.1112},
		"44.65123 -91.20456":                     {decimal, position.DecimalDegrees, 1.1112},
		"  44.65123\t−91.20456\n":                {decimal, position.DecimalDegrees, 1.1112},
		"44.65123;-91.20456":                     {decimal, position.DecimalDegrees, 1.1112},
		"44.65123\n-91.20456":                    {decimal, position.DecimalDegrees, 1.1112},
		"44.65123,\n-91.20456":                   {decimal, position.DecimalDegrees, 1.1112},
		"44.65123,-91.20456.":                    {decimal, position.DecimalDegrees, 1.1112},
		"(44.65123, -91.20456)":                  {decimal, position.DecimalDegrees, 1.1112},
		"[44.65123, -91.20456]":                  {decimal, position.DecimalDegrees, 1.1112},
		"44.65123, -91.20456 (WGS 84)":           {decimal, position.DecimalDegrees, 1.1112},
		"WGS84: 44.65123, -91.20456":             {decimal, position.DecimalDegrees, 1.1112},
		"+44.65123-091.20456/":                   {decimal, position.DecimalDegrees, 1.1112},
		"44.65123-91.20456":                      {decimal, position.DecimalDegrees, 1.1112},
		"44.65123N 91.20456W":                    {decimal, position.DecimalDegrees, 1.1112},
		"44.65123 n, 91.20456 w":                 {decimal, position.DecimalDegrees, 1.1112},
		"N44.65123 W91.20456":                    {decimal, position.DecimalDegrees, 1.1112},
		"N 44.65123, W 91.20456":                 {decimal, position.DecimalDegrees, 1.1112},
		"W91.20456 N44.65123":                    {decimal, position.DecimalDegrees, 1.1112},
		"91.20456 W / 44.65123 N":                {decimal, position.DecimalDegrees, 1.1112},
		"44.65123° N, 91.20456° W":               {decimal, position.DecimalDegrees, 1.1112},
		"44.65123º, -91.20456º":                  {decimal, position.DecimalDegrees, 1.1112},
		"44.65123 north 91.20456 west":           {decimal, position.DecimalDegrees, 1.1112},
		"44.65123degN 91.20456degW":              {decimal, position.DecimalDegrees, 1.1112},
		"lat: 44.65123 lon: -91.20456":           {decimal, position.DecimalDegrees, 1.1112},
		"lon=-91.20456&lat=44.65123":             {decimal, position.DecimalDegrees, 1.1112},
		"Latitude 44.65123, Longitude -91.20456": {decimal, position.DecimalDegrees, 1.1112},
		"44,65123 -91,20456":                     {decimal, position.DecimalDegrees, 1.1112},
		"44,65123; -91,20456":                    {decimal, position.DecimalDegrees, 1.1112},
		"44,65123, -91,20456":                    {decimal, position.DecimalDegrees, 1.1112},
		"44,65123N,91,20456W":                    {decimal, position.DecimalDegrees, 1.1112},
		"44.65, -91.2":                           {orb.Point{-91.2, 44.65}, position.DecimalDegrees, 11112},
		"44 -91":                                 {orb.Point{-91, 44}, position.DecimalDegrees, 111120},
		"44,91":                                  {orb.Point{91, 44}, position.DecimalDegrees, 111120},
		"0, 0":                                   {orb.Point{0, 0}, position.DecimalDegrees, 111120},
		"0 N 91.20456 W":                         {orb.Point{-91.20456, 0}, position.DecimalDegrees, 111120},
		"0, 91.20456 W":                          {orb.Point{-91.20456, 0}, position.DecimalDegrees, 111120},
		"-90, 180":                               {orb.Point{180, -90}, position.DecimalDegrees, 111120},

		"44°39.074'N 91°12.274'W":                 {dm, position.DegreesMinutes, 1.852},
		"N44 39.074 W91 12.274":                   {dm, position.DegreesMinutes, 1.852},
		"44 39.074, -91 12.274":                   {dm, position.DegreesMinutes, 1.852},
		"44° 39.074′ N, 091° 12.274′ W":           {dm, position.DegreesMinutes, 1.852},
		"44:39.074 N 91:12.274 W":                 {dm, position.DegreesMinutes, 1.852},
		"44-39.074N, 91-12.274W":                  {dm, position.DegreesMinutes, 1.852},
		"44°39,074'N 91°12,274'W":                 {dm, position.DegreesMinutes, 1.852},
		"44 deg 39.074 min N 91 deg 12.274 min W": {dm, position.DegreesMinutes, 1.852},

		`44°39'04.4"N 91°12'16.4"W`:                          {dms, position.DegreesMinutesSeconds, 3.0867},
		`44º39’04.4”N 91º12’16.4”W`:                          {dms, position.DegreesMinutesSeconds, 3.0867},
		`44°39′04.4″ N, 091°12′16.4″ W`:                      {dms, position.DegreesMinutesSeconds, 3.0867},
		`44°39'04.4''N 91°12'16.4''W`:                        {dms, position.DegreesMinutesSeconds, 3.0867},
		`N44°39'04.4" W91°12'16.4"`:                          {dms, position.DegreesMinutesSeconds, 3.0867},
		`44°39'04.4", -91°12'16.4"`:                          {dms, position.DegreesMinutesSeconds, 3.0867},
		"44 39 04.4 N 91 12 16.4 W":                          {dms, position.DegreesMinutesSeconds, 3.0867},
		"44 39 04.4 -91 12 16.4":                             {dms, position.DegreesMinutesSeconds, 3.0867},
		"44:39:04.4 -91:12:16.4":                             {dms, position.DegreesMinutesSeconds, 3.0867},
		"44:39:04.4N 91:12:16.4W":                            {dms, position.DegreesMinutesSeconds, 3.0867},
		"44-39-04.4N 91-12-16.4W":                            {dms, position.DegreesMinutesSeconds, 3.0867},
		"44 39 04.4, -91 12 16.4":                            {dms, position.DegreesMinutesSeconds, 3.0867},
		"44d39m04.4sN 91d12m16.4sW":                          {dms, position.DegreesMinutesSeconds, 3.0867},
		"44d 39m 04.4s N, 91d 12m 16.4s W":                   {dms, position.DegreesMinutesSeconds, 3.0867},
		"44d39m04.4s -91d12m16.4s":                           {dms, position.DegreesMinutesSeconds, 3.0867},
		"44 deg 39 min 04.4 sec N, 91 deg 12 min 16.4 sec W": {dms, position.DegreesMinutesSeconds, 3.0867},
		"44 degrees 39 minutes 04.4 seconds north 91 degrees 12 minutes 16.4 seconds west": {dms, position.DegreesMinutesSeconds, 3.0867},
		`44°39'04,4"N 91°12'16,4"W`: {dms, position.DegreesMinutesSeconds, 3.0867},
	} {
		t.Run(in, func(t *testing.T) {
			p, err := position.Parse(in)
			require.NoError(t, err)
			assert.InDelta(t, c.want.Lat(), p.Point.Lat(), 1e-13)
			assert.InDelta(t, c.want.Lon(), p.Point.Lon(), 1e-13)
			assert.Equal(t, c.notation, p.Notation)
			assert.InEpsilon(t, c.precision, p.Precision.Metres(), 1e-4)
			assert.Nil(t, p.Elevation)
		})
	}
}

// utmRows reads testdata/utm_mgrs.csv by id.
func utmRows(t *testing.T) map[string]map[string]string {
	t.Helper()
	f, err := os.Open("testdata/utm_mgrs.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	out := map[string]map[string]string{}
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out[row[0]] = m
	}
	return out
}

func TestParseGridTable(t *testing.T) {
	// source: testdata/utm_mgrs.csv, GeoConvert 2.1.2
	for id, row := range utmRows(t) {
		t.Run(id, func(t *testing.T) {
			lat, err := strconv.ParseFloat(row["lat"], 64)
			require.NoError(t, err)
			lon, err := strconv.ParseFloat(row["lon"], 64)
			require.NoError(t, err)
			east := math.Cos(lat * math.Pi / 180)
			half := map[byte]string{'n': " north ", 's': " south "}[row["utm_zone"][len(row["utm_zone"])-1]]
			zone := row["utm_zone"][:len(row["utm_zone"])-1]
			p, err := position.Parse(zone + half + row["easting"] + " " + row["northing"])
			require.NoError(t, err)
			assert.InDelta(t, lat, p.Point.Lat(), 1e-9)
			assert.InDelta(t, 0, math.Remainder(lon-p.Point.Lon(), 360)*east, 1e-9)
			assert.InDelta(t, 1e-4, p.Precision.Metres(), 1e-12)
			assert.Equal(t, zone == "", p.Notation == position.UPS)

			p, err = position.Parse(row["mgrs_1m"])
			require.NoError(t, err)
			assert.InDelta(t, lat, p.Point.Lat(), 1e-5, "a metre square's centre is within 0.71 m")
			assert.InDelta(t, 0, math.Remainder(lon-p.Point.Lon(), 360)*east, 1e-5)
			assert.Equal(t, geo.Metre, p.Precision)
			assert.Equal(t, position.GridReference, p.Notation)
		})
	}
}

func TestParseGrid(t *testing.T) {
	// source: testdata/utm_mgrs.csv U01 (17T), U43 (18S), U34 and U36 (polar)
	pittsburgh, monument := orb.Point{-79.9959, 40.4406}, orb.Point{-77.0353, 38.8895}
	north, south := orb.Point{-60, 84}, orb.Point{0, -80.00001}
	for in, want := range map[string]orb.Point{
		"17T 585157 4477145":                    pittsburgh,
		"17 T 585157 4477145":                   pittsburgh,
		"17t 585157,4477145":                    pittsburgh,
		"17N 585157 4477145":                    pittsburgh, // band N ends at northing 885,000
		"17 north 585157 4477145":               pittsburgh,
		"UTM zone 17T 585157 4477145":           pittsburgh,
		"17T 585157mE 4477145mN":                pittsburgh,
		"17T 585157 m E, 4477145 m N":           pittsburgh,
		"17T E585157 N4477145":                  pittsburgh,
		"17T 4477145N 585157E":                  pittsburgh,
		"17T Easting: 585157 Northing: 4477145": pittsburgh,
		"585157 4477145 17T":                    pittsburgh,
		"585157E 4477145N zone 17 T":            pittsburgh,
		"17T 585157 4477145 (NAD 83)":           pittsburgh,
		"17T NE 85156 77145":                    pittsburgh,
		"17tne8515677145":                       pittsburgh,
		"17T-NE-85156-77145":                    pittsburgh,
		"18S north 323478 4306483":              monument,
		"18S (north) 323478 4306483":            monument,
		"18 north 323478 4306483":               monument,
		"18S UJ 23478 06483":                    monument,
		"18S UJ 23478 06483 (NAD 83)":           monument,
		"Y 1422597 1666636":                     north,
		"1422597 1666636 Y":                     north,
		"UPS north 1422597 1666636":             north,
		"N 1422597 1666636":                     north,
		"south 2000000 3112950":                 south,
		"2000000 3112950 s":                     south,
		"B 2000000 3112950":                     south,
		"A 2000000 3112950":                     south, // a rounded easting may touch the edge of its area
		"BAZ0000012950":                         south,
		"B AZ 00000 12950":                      south,
	} {
		t.Run(in, func(t *testing.T) {
			p, err := position.Parse(in)
			require.NoError(t, err)
			assert.InDelta(t, want.Lat(), p.Point.Lat(), 1e-5)
			assert.InDelta(t, want.Lon(), p.Point.Lon(), 1.3e-5/math.Cos(want.Lat()*math.Pi/180))
			assert.Equal(t, geo.Metre, p.Precision)
		})
	}
}

func TestParseURI(t *testing.T) {
	// source: RFC 5870 sections 3.3, 3.4 and 6 (examples).
	type want struct {
		p         orb.Point
		elevation float64 // NaN when none
		precision float64
	}
	none := math.NaN()
	for in, c := range map[string]want{
		"geo:13.4125,103.8667":                   {orb.Point{103.8667, 13.4125}, none, 11.112},
		"geo:48.2010,16.3695,183":                {orb.Point{16.3695, 48.2010}, 183, 11.112},
		"geo:48.198634,16.371648;crs=wgs84;u=40": {orb.Point{16.371648, 48.198634}, none, 40},
		"GEO:48.198634,16.371648;CRS=WGS84;U=40": {orb.Point{16.371648, 48.198634}, none, 40},
		"geo:90,-22.43;crs=WGS84":                {orb.Point{0, 90}, none, 111120},
		"geo:90,46":                              {orb.Point{0, 90}, none, 111120},
		"geo:22.300,-118.44":                     {orb.Point{-118.44, 22.3}, none, 1111.2},
		"geo:66,30;u=6.500;FOo=this%2dthat":      {orb.Point{30, 66}, none, 111120},
		"geo:44.65123,-91.20456,-0.5;u=0":        {orb.Point{-91.20456, 44.65123}, -0.5, 1.1112},
		"geo:44.65123,-91.20456?z=17":            {orb.Point{-91.20456, 44.65123}, none, 1.1112},
		" geo:44.65123,-91.20456 ":               {orb.Point{-91.20456, 44.65123}, none, 1.1112},
	} {
		t.Run(in, func(t *testing.T) {
			p, err := position.Parse(in)
			require.NoError(t, err)
			assert.Equal(t, c.p, p.Point)
			assert.Equal(t, position.URI, p.Notation)
			assert.InEpsilon(t, c.precision, p.Precision.Metres(), 1e-9)
			if math.IsNaN(c.elevation) {
				assert.Nil(t, p.Elevation)
				return
			}
			require.NotNil(t, p.Elevation)
			assert.Equal(t, c.elevation, p.Elevation.Metres())
		})
	}
}

func TestAmbiguous(t *testing.T) {
	// source: the rule that nothing is guessed; each list holds the decimal
	// positions (latitude, longitude) the text could mean.
	for in, want := range map[string][][2]float64{
		"91.2, 44.6":              {{44.6, 91.2}},
		"-91.20456, 44.65123":     {{44.65123, -91.20456}},
		"91 12 16 44 39 04":       {{44.651111, 91.204444}},
		"44.65 N 91.2":            {{44.65, 91.2}, {44.65, -91.2}},
		"44.65, 91.2 W":           {{44.65, -91.2}, {-44.65, -91.2}},
		"44 39.074 91 12.274 W":   {{dmLat, dmLon}, {-dmLat, dmLon}},
		"44.65 N -91.2 W":         {{44.65, 91.2}, {44.65, -91.2}},
		"-44.65 S 91.2 E":         {{44.65, 91.2}, {-44.65, 91.2}},
		"44.65 - 91.2":            {{44.65, -91.2}, {44.65, 91.2}},
		"44.65 – 91.2":            {{44.65, -91.2}, {44.65, 91.2}},
		"44 39,5":                 {{44.65, 5}, {44, 39.5}},
		"44d39m04.4S 91d12m16.4W": {{dmsLat, dmsLon}, {-dmsLat, dmsLon}},
		// U06 of testdata/utm_mgrs.csv: 15S is a band and a hemisphere. The
		// southern reading is GeoConvert 2.1.2's of "15s 743799 4279107".
		"15S 743799 4279107":      {{38.627, -90.1994}, {-51.58626, -89.48054}},
		"15 S 743799 4279107":     {{38.627, -90.1994}, {-51.58626, -89.48054}},
		"743799 4279107 15S":      {{38.627, -90.1994}, {-51.58626, -89.48054}},
		"15 743799 4279107":       {{38.627, -90.1994}, {-51.58626, -89.48054}},
		"15 north 4279107 743799": {{38.627, -90.1994}},
	} {
		t.Run(in, func(t *testing.T) {
			_, err := position.Parse(in)
			var a *position.AmbiguousError
			require.ErrorAs(t, err, &a)
			assert.Equal(t, in, a.Input)
			require.Len(t, a.Readings, len(want))
			for _, w := range want {
				found := false
				for _, r := range a.Readings {
					found = found || math.Abs(r.Point.Lat()-w[0]) < 1e-5 && math.Abs(r.Point.Lon()-w[1]) < 1e-5
					assert.NotEmpty(t, r.As)
				}
				assert.True(t, found, "%v is not among %v", w, a.Readings)
			}
			for _, r := range a.Readings {
				_, err := position.Parse(position.Decimal(r.Point, 5))
				assert.NoError(t, err, "the readings offered can be pasted")
				assert.Contains(t, a.Error(), position.Decimal(r.Point, 5))
			}
		})
	}
}

func TestUnambiguousSouth(t *testing.T) {
	// source: testdata/utm_mgrs.csv U08. Its northing is in no band S, so S can
	// only be the south.
	p, err := position.Parse("56S 334369 6250948")
	require.NoError(t, err)
	assert.InDelta(t, -33.8688, p.Point.Lat(), 1e-5)
	assert.InDelta(t, 151.2093, p.Point.Lon(), 1e-5)
}

func TestParseRefuses(t *testing.T) {
	for in, want := range map[string]string{
		"":                           "nothing in it",
		" . ":                        "nothing in it",
		"44.6":                       "one number only",
		"44°39'":                     "no latitude and longitude",
		"44.6, 91.2, 250":            "no latitude and longitude",
		"95, 100":                    "latitude 95 is outside",
		"44.6, 181":                  "longitude 181 is outside",
		"95 N 91 W":                  "latitude 95 is outside",
		"44 N 181 W":                 "longitude -181 is outside",
		"44°60'N 91°12'W":            "60 minutes: there are less than 60",
		`44°39'60"N 91°12'16"W`:      "60 seconds: there are less than 60",
		"44.5:39 N 91:12 W":          "44.5 is followed by minutes",
		"44 N 45 S":                  "both numbers are latitudes",
		"44 E 45 W":                  "both numbers are longitudes",
		"lat 44 E lon 91 W":          "labelled a latitude",
		"44'39 N 91 W":               "44 minutes do not belong there",
		"N 44 S 91 W":                "no latitude and longitude",
		"44 N S 91 W":                "two of the letters",
		"--44 91":                    "two signs",
		"44,,91":                     "separator",
		"44::39 91":                  "a number should follow",
		":44 91":                     "before the first number",
		"° 44 91":                    "without its number",
		"44 39 04 12 N 91 W":         "degrees, minutes and seconds",
		"44,5,91,2":                  "cannot both mark decimals",
		"44.65x -91.2":               "the word \"x\"",
		"44.65 ☃ -91.2":              "\"☃\" does not belong",
		"Springfield":                "the word \"Springfield\"",
		"N S":                        "no number",
		"44.65, -91.2 NAD27":         "NAD27",
		"NAD 27 44.65, -91.2":        "NAD 27",
		"642364 4945775":             "no UTM zone",
		"642364E 4945775N":           "no UTM zone",
		"1234, 5678":                 "no UTM zone",
		"61T 642364 4945775":         "zone 61 does not exist",
		"15R 642364 4945775":         "lies in band T, not in R",
		"15I 642364 4945775":         "band I does not exist",
		"15T 42364 4945775":          "easting 42364 m is off the grid",
		"15T south 642364 4945775":   "band T does not lie in the south",
		"15T 642364E 4945775E":       "both UTM numbers are labelled E",
		"15T 642364Q 4945775":        "the word \"Q\"",
		"15T 642364 4945775 12":      "here are 4 numbers",
		"Z 1422597 1666636":          "not in polar area Z",
		"Y 142259 1666636":           "off the grid",
		"UJ 23480 06470":             "the grid zone before",
		"18T":                        "two letters of the 100 km square",
		"18S UJ 234 0647":            "as many digits",
		"geo:44.65":                  "latitude, longitude",
		"geo:1,2,3,4":                "latitude, longitude",
		"geo:44.65,west":             "not a number",
		"geo:44.65,1e1":              "not a number",
		"geo:95,0":                   "latitude 95",
		"geo:44,91;crs=nad27":        "only wgs84",
		"geo:44,91;u=-1":             "uncertainty",
		"geo:44,91;u=1;u=2":          "twice",
		"geo:44,91;=":                "malformed",
		"geo:44,91;x=%zz":            "malformed",
		"geo:0,0?q=44.65,-91.2":      "query",
		"MQ2W+FX":                    "short Open Location Code",
		"MQ2W+FX Springfield":        "short Open Location Code",
		strings.Repeat("44.65 ", 40): "characters long",
	} {
		t.Run(in, func(t *testing.T) {
			_, err := position.Parse(in)
			require.ErrorContains(t, err, want)
			var a *position.AmbiguousError
			assert.False(t, errors.As(err, &a))
		})
	}
}
