package terrain

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"sync"

	"holdfast/geo"
)

// SlopeRow is a stretch of one row of slopes: NaN where the slope is unknown,
// and where level ground has no aspect. The slices are overwritten after the
// call they are handed to.
type SlopeRow struct {
	Col, Row int
	Angle    []geo.Angle
	Aspect   []geo.Bearing
}

const (
	// lattice and latticeMetres bound the cells and the distance over which
	// the scale of the cells is interpolated.
	lattice       = 64
	latticeMetres = 5000
	// bandCells is about the number of cells worked on at a time.
	bandCells = 1 << 18
)

// Slopes computes the slope of every cell by Horn's method, see SlopeAt, on
// all processors, and hands the rows on one after another from the first to
// the last. A raster too wide for its rows of blocks to stay in memory comes
// in stretches of columns, each from the first row to the last. It ends with
// the first error of each, or when ctx does.
func (s *Surface) Slopes(ctx context.Context, each func(SlopeRow) error) error {
	ctx, cancel := context.WithCancel(ctx)
	var workers sync.WaitGroup
	defer workers.Wait()
	defer cancel()
	queue := make(chan chan *slopeBand, runtime.GOMAXPROCS(0))
	workers.Go(func() { s.sendBands(ctx, queue, &workers) })
	for result := range queue {
		b := <-result
		if b.err != nil {
			return fmt.Errorf("compute slopes: %w", b.err)
		}
		for i := range b.rows {
			if err := each(b.slopes(i)); err != nil {
				return fmt.Errorf("compute slopes: %w", err)
			}
		}
		bandPool.Put(b)
	}
	return ctx.Err()
}

// sendBands starts the work on one band after another, as fast as the results
// are taken from the queue, in order.
func (s *Surface) sendBands(ctx context.Context, queue chan<- chan *slopeBand, workers *sync.WaitGroup) {
	defer close(queue)
	step := s.latticeStep()
	width := min(s.cols, max(2, s.raster.Band()-2))
	height := max(1, min(s.rows, bandCells/width))
	for left := 0; left < s.cols; left += width {
		for top := 0; top < s.rows; top += height {
			result := make(chan *slopeBand, 1)
			select {
			case queue <- result:
			case <-ctx.Done():
				return
			}
			workers.Go(func() {
				b := bandPool.Get().(*slopeBand)
				b.compute(s, left, top, min(width, s.cols-left), min(height, s.rows-top), step)
				result <- b
			})
		}
	}
}

// latticeStep is the number of cells between two points at which the scale is
// measured.
func (s *Surface) latticeStep() int {
	m, err := s.scale(float64(s.cols-1)/2, float64(s.rows-1)/2)
	if err != nil {
		return 1
	}
	return max(1, min(lattice, int(latticeMetres/m.cellSize())))
}

// slopeBand is a rectangle of slopes and what it is computed from.
type slopeBand struct {
	left, top, width, rows int
	err                    error
	angle                  []geo.Angle
	aspect                 []geo.Bearing
	heights                []float64 // with a cell more on every side
	sum, diff              []float64 // of three rows of heights, by column
	above, below, here     []matrix  // scale of the cells at every step-th column
}

var bandPool = sync.Pool{New: func() any { return new(slopeBand) }}

// slopes returns a row of the band.
func (b *slopeBand) slopes(i int) SlopeRow {
	from, to := i*b.width, (i+1)*b.width
	return SlopeRow{b.left, b.top + i, b.angle[from:to], b.aspect[from:to]}
}

// sized returns a slice of a length, of the same memory if it is enough.
func sized[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}

func (b *slopeBand) compute(s *Surface, left, top, width, rows, step int) {
	b.left, b.top, b.width, b.rows = left, top, width, rows
	b.angle, b.aspect = sized(b.angle, width*rows), sized(b.aspect, width*rows)
	b.sum, b.diff = sized(b.sum, width+2), sized(b.diff, width+2)
	if b.err = b.read(s); b.err != nil {
		return
	}
	n := (width+step-1)/step + 1
	b.above, b.below, b.here = sized(b.above, n), sized(b.below, n), sized(b.here, n)
	last := -1
	for i := range rows {
		row := top + i
		if at := row / step; at != last {
			last = at
			s.measure(b.above, left, at*step, step)
			s.measure(b.below, left, (at+1)*step, step)
		}
		for j, a := range b.above {
			b.here[j] = a.mix(b.below[j], float64(row%step)/float64(step))
		}
		b.horn(s, i, step)
	}
}

// read fills the heights, NaN outside the raster.
func (b *slopeBand) read(s *Surface) error {
	w, h := b.width+2, b.rows+2
	b.heights = sized(b.heights, w*h)
	left, right := max(0, b.left-1), min(s.cols, b.left+b.width+1)
	top, bottom := max(0, b.top-1), min(s.rows, b.top+b.rows+1)
	cols := right - left
	// read packed at the end of the slice, then spread out from its beginning
	packed := b.heights[w*h-cols*(bottom-top):]
	if err := s.raster.Window(left, top, cols, bottom-top, packed); err != nil {
		return err
	}
	for i := range h {
		row := b.heights[i*w : (i+1)*w]
		if y := b.top - 1 + i; y < top || y >= bottom {
			unknown(row)
			continue
		}
		copy(row[left-(b.left-1):], packed[:cols])
		packed = packed[cols:]
		unknown(row[:left-(b.left-1)])
		unknown(row[left-(b.left-1)+cols:])
	}
	return nil
}

func unknown(z []float64) {
	for i := range z {
		z[i] = math.NaN()
	}
}

// measure finds the scale of every step-th cell of a row.
func (s *Surface) measure(into []matrix, left, row, step int) {
	for i := range into {
		m, err := s.scale(float64(left+i*step), float64(row))
		if err != nil { // beyond the pole or the projection's domain
			m = unscaled
		}
		into[i] = m
	}
}

// horn computes row i of the band. An unknown height is NaN and makes all it
// enters NaN; the cell's own height does not enter Horn's differences and is
// added times zero.
func (b *slopeBand) horn(s *Surface, i, step int) {
	w := b.width + 2
	above, z, below := b.heights[i*w:][:w], b.heights[(i+1)*w:][:w], b.heights[(i+2)*w:][:w]
	sum, diff := b.sum[:w], b.diff[:w]
	for j := range sum {
		sum[j], diff[j] = above[j]+2*z[j]+below[j], below[j]-above[j]
	}
	out := b.slopes(i)
	k := s.unit / 8
	for from := 0; from < b.width; from += step {
		m, next := b.here[from/step], b.here[from/step+1]
		d := next.minus(m, 1/float64(step))
		exact := math.IsNaN(d.colE) // one end has no scale; the cells between may
		for j := from; j < min(b.width, from+step); j++ {
			if exact {
				var err error
				if m, err = s.scale(float64(out.Col+j), float64(out.Row)); err != nil {
					m = unscaled
				}
			}
			perCol := (sum[j+2]-sum[j])*k + 0*z[j+1]
			perRow := (diff[j] + 2*diff[j+1] + diff[j+2]) * k
			out.Angle[j], out.Aspect[j] = slopeAndAspect(m.gradient(perCol, perRow))
			m.colE, m.colN, m.rowE, m.rowN = m.colE+d.colE, m.colN+d.colN, m.rowE+d.rowE, m.rowN+d.rowN
		}
	}
}
