package crs_test

import (
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/crs"
)

// TestDialectsAgainstPROJ reads what PROJ's projinfo (9.1.1) writes for a
// system in each dialect of well-known text and wants the system of the code:
// recognised, and with the same coordinates to 0.2 mm (the texts carry 15
// digits). Every 60th system is tried; CRS_SWEEP=all tries all.
func TestDialectsAgainstPROJ(t *testing.T) {
	projinfo := need(t, "projinfo", "proj-bin")
	table := append(rows(t, "projected"), rows(t, "geographic")...)
	stride := 60
	if os.Getenv("CRS_SWEEP") == "all" {
		stride = 1
	}
	var read, named atomic.Int64
	parallel((len(table)+stride-1)/stride, func(i int) {
		row := table[i*stride]
		want := byEPSG(t, row[0])
		for _, dialect := range []string{"WKT1_ESRI", "WKT1_GDAL", "WKT2:2019", "WKT2:2015_SIMPLIFIED"} {
			text, err := exec.Command(projinfo, "-q", "--single-line", "-o", dialect, "EPSG:"+row[0]).Output()
			if err != nil || len(text) < 10 {
				continue // the dialect cannot express it
			}
			got, err := crs.Parse(string(text))
			if !assert.NoError(t, err, "%v %s: %s", want, dialect, text) {
				continue
			}
			read.Add(1)
			if got.Code == want.Code {
				named.Add(1)
			} else {
				t.Logf("%v in %s is taken for %v", want, dialect, got)
			}
			assert.InEpsilon(t, want.Unit.Factor, got.Unit.Factor, 1e-12, "%v %s", want, dialect)
			for _, p := range scatter(rand.New(rand.NewPCG(sweepSeed, uint64(i))), want.Area, 5) {
				x, y, err := want.FromWGS84(p)
				if err != nil {
					continue // no shift is known
				}
				gx, gy, err := got.FromWGS84(p)
				if assert.NoError(t, err, "%v %s %s", want, dialect, text) {
					d := math.Hypot(x-gx, y-gy) * want.Unit.Factor
					if !want.Projected {
						d *= 111320
					}
					assert.Less(t, d, 2e-4, "%v %s %s", want, dialect, text)
				}
			}
		}
	})
	t.Logf("%d texts read, %d recognised by code", read.Load(), named.Load())
	require.Greater(t, read.Load(), int64(300))
	assert.Greater(t, float64(named.Load()), 0.95*float64(read.Load()))
}
