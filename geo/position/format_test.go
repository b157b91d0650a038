package position_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/position"
)

func TestFormat(t *testing.T) {
	// source: the definition of minutes and seconds; written to the nearest
	// unit, sixty is carried.
	site := orb.Point{-91.20456, 44.65123}
	hair := orb.Point{-91.9999999999, 44.0166666666} // 1e-10° short of 92° and of 1'
	for _, c := range []struct{ got, want string }{
		{position.Decimal(site, 5), "44.65123, -91.20456"},
		{position.Decimal(site, 2), "44.65, -91.20"},
		{position.Decimal(orb.Point{-1e-7, -4e-6}, 5), "0.00000, 0.00000"},
		{position.Decimal(orb.Point{-6e-6, 5e-6}, 5), "0.00001, -0.00001"},
		{position.Decimal(orb.Point{-180, 90}, 0), "90, -180"},
		{position.DM(site, 3), "44°39.074'N 91°12.274'W"},
		{position.DM(hair, 3), "44°01.000'N 92°00.000'W"},
		{position.DM(hair, 0), "44°01'N 92°00'W"},
		{position.DMS(site, 1), `44°39'04.4"N 91°12'16.4"W`},
		{position.DMS(site, 3), `44°39'04.428"N 91°12'16.416"W`},
		{position.DMS(hair, 1), `44°01'00.0"N 92°00'00.0"W`},
		{position.DMS(hair, 0), `44°01'00"N 92°00'00"W`},
		{position.DMS(orb.Point{179.99999999, -89.99999999}, 2), `90°00'00.00"S 180°00'00.00"E`},
		{position.DMS(orb.Point{-1e-9, -1e-9}, 1), `0°00'00.0"N 0°00'00.0"E`},
		{position.DMS(orb.Point{5.1, -0.0025}, 0), `0°00'09"S 5°06'00"E`},
		{position.DMS(site, -3), `44°39'04"N 91°12'16"W`},
		{position.GeoURI(site, nil, 5), "geo:44.65123,-91.20456"},
		{position.GeoURI(orb.Point{46, 90}, nil, 0), "geo:90,0"}, // RFC 5870 section 3.4.2
		{position.GeoURI(site, new(geo.Length(-3.25)), 5), "geo:44.65123,-91.20456,-3.25"},
	} {
		assert.Equal(t, c.want, c.got)
	}
}

// geoConvert feeds lines to GeographicLib's GeoConvert and returns its answer
// lines. Without the tool the test is skipped, or fails where CI is set.
func geoConvert(t *testing.T, lines []string, args ...string) []string {
	t.Helper()
	path, err := exec.LookPath("GeoConvert")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("GeoConvert is needed (package geographiclib-tools)")
		}
		t.Skip("GeoConvert is not installed (package geographiclib-tools)")
	}
	cmd := exec.Command(path, args...)
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	out, err := cmd.Output()
	require.NoError(t, err, string(out[:min(len(out), 200)]))
	answers := strings.Split(strings.TrimSpace(string(out)), "\n")
	require.Len(t, answers, len(lines))
	return answers
}

// TestGeoConvertAngles writes positions as minutes and seconds and lets
// GeoConvert (2.1.2) write and read the same.
func TestGeoConvertAngles(t *testing.T) {
	const seed = 20260509
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	var points []orb.Point
	var in []string
	for range 5000 {
		p := orb.Point{r.Float64()*360 - 180, r.Float64()*180 - 90}
		if r.IntN(3) == 0 { // a hair beside a whole minute
			p[0] = math.Round(p[0]*60)/60 + (r.Float64()-0.5)*1e-5
			p[1] = math.Round(p[1]*60)/60 + (r.Float64()-0.5)*1e-5
		}
		line := fmt.Sprintf("%.9f %.9f", max(-90, min(90, p[1])), max(-180, min(180, p[0])))
		_, err := fmt.Sscan(line, &p[1], &p[0])
		require.NoError(t, err)
		points, in = append(points, p), append(in, line)
	}
	unmark := strings.NewReplacer("d", "°")
	var ours []string
	for i, want := range geoConvert(t, in, "-d", "-p", "1") { // prec 1 is 0.01"
		got := position.DMS(points[i], 2)
		lat, lon, _ := strings.Cut(unmark.Replace(want), " ")
		want = strings.TrimPrefix(lat, "0") + " " + strings.TrimLeft(lon[:2], "0") + lon[2:]
		if strings.HasPrefix(want, "°") {
			want = "0" + want
		}
		want = strings.Replace(want, " °", " 0°", 1)
		require.Equal(t, want, got, in[i])
		ours = append(ours, strings.ReplaceAll(got, "°", "d"))
	}
	for i, want := range geoConvert(t, ours, "-g", "-p", "9") {
		p, err := position.Parse(ours[i])
		require.NoError(t, err)
		var lat, lon float64
		_, err = fmt.Sscan(want, &lat, &lon)
		require.NoError(t, err)
		assert.InDelta(t, lat, p.Point.Lat(), 1e-12)
		assert.InDelta(t, 0, math.Remainder(lon-p.Point.Lon(), 360), 1e-12) // GeoConvert calls 180 E -180
	}
}

// TestOpenLocationCode holds codes against the test data that the Open
// Location Code specification publishes (test_data/encoding.csv and
// decoding.csv, Apache-2.0), a choice of them.
func TestOpenLocationCode(t *testing.T) {
	for _, row := range strings.Fields(`
		20.375,2.775,6,7FG49Q00+
		20.3700625,2.7821875,10,7FG49QCJ+2V
		20.3701125,2.782234375,11,7FG49QCJ+2VX
		20.3701135,2.78223535156,13,7FG49QCJ+2VXGJ
		47.0000625,8.0000625,10,8FVC2222+22
		-41.2730625,174.7859375,10,4VCPPQGP+Q9
		0.5,-179.5,4,62G20000+
		-89.5,-179.5,4,22220000+
		20.5,2.5,4,7FG40000+
		-89.9999375,-179.9999375,10,22222222+22
		0.5,179.5,4,6VGX0000+
		1,1,11,6FH32222+222
		90,1,4,CFX30000+
		90,1,10,CFX3X2X2+X2
		1,180,4,62H20000+
		1.2,3.4,10,6FH56C22+22
		37.539669125,-122.375069724,15,849VGJQF+VX7QR3J
		35.6,3.033,10,8F75J22M+26
		-48.71,142.78,8,4R347QRJ+
		-2.804,7.003,13,6F9952W3+C6222
		-52.166,13.694,14,3FVMRMMV+JJ2222
		2.5,-64.23,11,67JQGQ2C+222
		-56.7,-47.2,14,38MJ8R22+222222
		80.0100000001,58.57,15,CHGW2H6C+2222222
		80.0099999999,58.57,15,CHGW2H5C+X2RRRRR
		-80.0099999999,58.57,15,2HFWXHRC+2222222
		-80.0100000001,58.57,15,2HFWXHQC+X2RRRRR
		68.3500147997595,113.625636875353,15,9PWM9J2G+272FWJV
		-28.1217794010122,-154.066811473758,15,5337VWHM+77PR2GR
		-80,-170,2,22000000+`) {
		t.Run(row, func(t *testing.T) {
			f := strings.Split(row, ",")
			var v [3]float64
			for i := range v {
				var err error
				v[i], err = strconv.ParseFloat(f[i], 64)
				require.NoError(t, err)
			}
			code, err := position.OLC(orb.Point{v[1], v[0]}, int(v[2]))
			require.NoError(t, err)
			assert.Equal(t, f[3], code)
		})
	}
	for _, row := range strings.Fields(`
		7FG49Q00+,20.35,2.75,20.4,2.8
		7FG49QCJ+2V,20.37,2.782125,20.370125,2.78225
		7FG49QCJ+2VX,20.3701,2.78221875,20.370125,2.78225
		7fg49qcj+2vxgj,20.370113,2.782234375,20.370114,2.78223632813
		4VCPPQGP+Q9,-41.273125,174.785875,-41.273,174.786
		22220000+,-90,-180,-89,-179
		6VGX0000+,0,179,1,180
		CFX3X2X2+X2,89.9998750,1,90,1.0001250
		84000000+,30,-140,50,-120
		849VGJQF+VX7QR3J7QR3J,37.5396691200,-122.3750698242,37.5396691600,-122.3750697021`) {
		t.Run(row, func(t *testing.T) {
			f := strings.Split(row, ",")
			var v [4]float64
			for i := range v {
				var err error
				v[i], err = strconv.ParseFloat(f[i+1], 64)
				require.NoError(t, err)
			}
			p, err := position.Parse(f[0])
			require.NoError(t, err)
			assert.Equal(t, position.PlusCode, p.Notation)
			assert.InDelta(t, (v[0]+v[2])/2, p.Point.Lat(), 1e-10)
			assert.InDelta(t, (v[1]+v[3])/2, p.Point.Lon(), 1e-10)
			height := (v[2] - v[0]) * 111120
			width := (v[3] - v[1]) * 111120 * math.Cos(p.Point.Lat()*math.Pi/180)
			assert.InEpsilon(t, max(height, width), p.Precision.Metres(), 1e-3)
		})
	}
	// test_data/validityTests.csv: codes that are none, or short.
	for _, code := range []string{
		"WC2345+G6g", "2345+G6", "8FWC2345+G", "8FWC2_45+G6", "8FWC2345+G6+", "8FWC2345G6+", "8FWC2300+G6",
		"WC2300+G6g", "WC2345+G", "WC2300+", "849VGJQF+VX7QR3U", "849VGJQF+VX7QR3JU", "G+", "+", "00000000+", "8F0C0000+",
		"F2222222+22", "2W222222+22",
	} {
		_, err := position.Parse(code)
		assert.Error(t, err, code)
	}
	for _, digits := range []int{0, 1, 3, 7, 9, 16} {
		_, err := position.OLC(orb.Point{0, 0}, digits)
		assert.Error(t, err, "%d digits", digits)
	}
	_, err := position.OLC(orb.Point{0, 90.1}, 10)
	require.ErrorContains(t, err, "latitude 90.1 is outside")
}
