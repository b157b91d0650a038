package crs_test

import (
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/crs"
)

// TestDefaultAgainstPROJ compares with what PROJ 9.1.1 does when left to
// choose the operation to WGS 84 itself (with only the grids of Debian's
// proj-data), over systems a department's data come in. Most agree to a
// micrometre; where PROJ chooses otherwise, the difference stays within the
// accuracy stated.
func TestDefaultAgainstPROJ(t *testing.T) {
	northIsland := &crs.Area{West: 175.2, South: -39, East: 176.5, North: -37.7} // at sea the New Zealand grid is extrapolated
	for _, c := range []struct {
		codes  string
		within float64   // metres
		area   *crs.Area // nil for the system's own
		why    string
	}{
		{"4326 3857 32617 32756", 1e-6, nil, "no shift"},
		{"5070 2264 2272 2285 2269 2263 2992 3735 32119 26917 26910 26931 6542 6347", 1e-6, nil, "NAD 83 is null"},
		{"2157 25832 2154 3945 2193 7855 28355", 1e-6, nil, "null"},
		{"3035", 2e-3, nil, "null; the latitude of PROJ's inverse is up to 1.5 mm off, as its own round trip shows"},
		{"32019 32040 26729", 1e-6, nil, "NAD 27 by EPSG:1173"},
		{"27700 28992 29902 29903 21781 2056", 1e-6, nil, "Helmert of the EPSG dataset"},
		{"2824 3358", 1.6, nil, "PROJ moves NAD83(HARN) by a metre against NAD83; null here"},
		{"31467 31468", 3, nil, "PROJ uses BETA2007.gsb; Helmert of 3 m here"},
		{"27572", 2, nil, "PROJ uses ntf_r93.gsb; Helmert of 2 m here"},
		{"27200", 4, northIsland, "PROJ uses nzgd2kgrid0005.gsb; Helmert of 4 m here"},
	} {
		for _, code := range strings.Fields(c.codes) {
			n, err := strconv.Atoi(code)
			require.NoError(t, err)
			x := byEPSG(t, code)
			var in, own []orb.Point
			area := x.Area
			if c.area != nil {
				area = c.area
			}
			for _, p := range scatter(rand.New(rand.NewPCG(sweepSeed, uint64(n))), area, 50) {
				ex, ny, err := x.FromWGS84(p)
				require.NoError(t, err)
				q, err := x.ToWGS84(ex, ny)
				require.NoError(t, err)
				in, own = append(in, orb.Point{ex, ny}), append(own, q)
			}
			axes := in
			if x.Axes == crs.NorthEast {
				axes = swap(in)
			}
			worst := 0.0
			for i, q := range swap(cs2cs(t, []string{"EPSG:" + code, "EPSG:4326"}, axes)) {
				worst = max(worst, metres(q, own[i]))
			}
			t.Logf("%v: %.2g m %s", x, worst, c.why)
			assert.LessOrEqual(t, worst, c.within, "%v (%s)", x, c.why)
		}
	}
}
