package exchange_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/exchange"
)

func seed(f *testing.F) {
	files, err := filepath.Glob("testdata/traps/*")
	require.NoError(f, err)
	require.NotEmpty(f, files)
	for _, name := range files {
		b, err := os.ReadFile(name)
		require.NoError(f, err)
		f.Add(b)
	}
	f.Add([]byte(`{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"EPSG:4326"}},"features":[` +
		feature(pump, `{"site":"KB","label":"P1","anchors":[{"id":"T1","kind":"tree"}]}`) + `,` +
		feature(`{"type":"Polygon","coordinates":[[[0,0],[0,1],[1,1],[1,0]]]}`, `{"name":"Kiln Bend","code":"KB"}`) + `]}`))
	f.Add([]byte(`{"features":[{"type":"Feature","properties":{"a":0,"a":""},"geometry":{"type":"Point","coordinates":[0,0]}}]}`)) // a name given twice
	f.Add([]byte("lon,lat,elevation_m,site,label,anchors.0.id,anchors.0.kind,ground.tests\n-91.2,44.65,-9999,KB,P1,T1,tree,\"[]\"\n"))
	f.Add([]byte("wkt;name;code\n\"POLYGON((0 0,0 1,1 1,0 0))\";Kiln Bend;KB\nMULTIPOINT Z((1 2 3),(4 5 6));x;y\nGEOMETRYCOLLECTION(POINT M(1 2 3));a;b\n"))
}

// counts checks the report against what was returned.
func counts(t *testing.T, taken int, report *exchange.Report, err error) {
	if err != nil {
		require.Zero(t, taken)
		require.True(t, errors.Is(err, survey.ErrInvalid), "%v", err)
		require.NotEmpty(t, err.Error())
		return
	}
	require.Equal(t, report.Taken(), taken)
	require.Equal(t, report.Accepted+report.Repaired+report.Refused, len(report.Records)+report.Unlisted)
	for i, r := range report.Records {
		require.Equal(t, r.Status == exchange.Accepted, len(r.Notes) == 0, "a record that is not simply accepted says why")
		if i > 0 {
			require.Greater(t, r.Number, report.Records[i-1].Number)
		}
	}
	_ = report.String()
}

// What was taken once is taken again as it is: a repair needs no repair.
func FuzzReadLayer(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		features, report, err := exchange.ReadLayer(bytes.NewReader(b), survey.RoleOther, exchange.Options{})
		counts(t, len(features), report, err)
		if len(features) == 0 {
			return
		}
		var out bytes.Buffer
		require.NoError(t, writeLayer(&out, exchange.GeoJSON, sequence(features)))
		again, report, err := exchange.ReadLayer(bytes.NewReader(out.Bytes()), survey.RoleOther, exchange.Options{})
		require.NoError(t, err)
		require.Equal(t, len(features), report.Accepted, "%s", report)
		for i := range again {
			require.Equal(t, features[i].Geometry, again[i].Geometry)
		}
	})
}

func FuzzReadPoints(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		points, report, err := exchange.ReadPoints(bytes.NewReader(b), exchange.Options{})
		counts(t, len(points), report, err)
		for _, p := range points {
			require.NoError(t, p.Validate())
		}
		once := again(t, points)
		require.Equal(t, once, again(t, once))
	})
}

// again writes points and reads them back; an empty list comes back as none.
func again(t *testing.T, points []survey.Point) []survey.Point {
	var out bytes.Buffer
	require.NoError(t, writePoints(&out, exchange.GeoJSON, sequence(points)))
	back, report, err := exchange.ReadPoints(&out, exchange.Options{})
	require.NoError(t, err)
	require.Equal(t, len(points), report.Accepted, "%s", report)
	return back
}

func FuzzReadSites(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		sites, report, err := exchange.ReadSites(bytes.NewReader(b), exchange.Options{})
		counts(t, len(sites), report, err)
		for _, s := range sites {
			require.NoError(t, s.Validate())
		}
	})
}
