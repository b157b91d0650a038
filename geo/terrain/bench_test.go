package terrain_test

import (
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"holdfast/geo/terrain"
)

// cpu returns the processor time used by this process, or by its children.
func cpu(who int) time.Duration {
	var u syscall.Rusage
	_ = syscall.Getrusage(who, &u)
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkSlopes computes slope and aspect of 5000 × 5000 cells of float32 and,
// for comparison, times gdaldem on the same file. cpu-ms/op does not depend on
// what else the machine does.
func BenchmarkSlopes(b *testing.B) {
	const side = 5000
	source := rawFloats(b, side, side, wavy)
	for _, options := range [][]string{{"TILED=YES"}, {"COMPRESS=DEFLATE", "PREDICTOR=3", "TILED=YES"}, nil} {
		path := filepath.Join(b.TempDir(), "grid.tif")
		args := []string{"-q", source, path}
		for _, o := range options {
			args = append(args, "-co", o)
		}
		run(b, "gdal_translate", args...)
		b.Run(fmt.Sprint("ours", options), func(b *testing.B) {
			before := cpu(syscall.RUSAGE_SELF)
			for b.Loop() {
				s, err := terrain.NewSurface(openFile(b, path), utm17(), 0)
				require.NoError(b, err)
				require.NoError(b, s.Slopes(context.Background(), func(terrain.SlopeRow) error { return nil }))
			}
			b.ReportMetric(side*side*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mcells/s")
			b.ReportMetric((cpu(syscall.RUSAGE_SELF)-before).Seconds()*1e3/float64(b.N), "cpu-ms/op")
		})
		for _, what := range []string{"slope", "aspect"} {
			b.Run(fmt.Sprint("gdaldem ", what, options), func(b *testing.B) {
				program := tool(b, "gdaldem")
				out := filepath.Join(b.TempDir(), "out.tif")
				before := cpu(syscall.RUSAGE_CHILDREN)
				for b.Loop() {
					require.NoError(b, exec.Command(program, what, "-q", path, out).Run())
				}
				b.ReportMetric(side*side*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mcells/s")
				b.ReportMetric((cpu(syscall.RUSAGE_CHILDREN)-before).Seconds()*1e3/float64(b.N), "cpu-ms/op")
			})
		}
	}
}
