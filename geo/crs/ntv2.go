package crs

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"
)

// ReadNTv2 reads a grid shift file in NTv2 format (.gsb) of either byte
// order, with all its sub-grids: National Transformation Version 2 (NTv2)
// Developer's Guide, Geodetic Survey Division, Natural Resources Canada, 1995
// (layout from memory; the tests hold it against PROJ). Name is what messages
// call the grid. A file that is damaged or asks for more nodes than it holds
// fails with ErrGrid.
func ReadNTv2(r io.Reader, name string) (*Grid, error) {
	data, err := readGrid(r)
	if err != nil {
		return nil, err
	}
	f := ntv2{data: data, order: binary.LittleEndian}
	if len(data) < 11*16 || string(data[:8]) != "NUM_OREC" {
		return nil, fmt.Errorf("%w: no NTv2 header", ErrGrid)
	}
	if f.order.Uint32(data[8:]) != 11 {
		f.order = binary.BigEndian
	}
	if f.order.Uint32(data[8:]) != 11 || f.int(1) != 11 {
		return nil, fmt.Errorf("%w: NTv2 header of %d records, want 11", ErrGrid, f.int(0))
	}
	scale, ok := map[string]float64{"SECONDS": 1.0 / 3600, "MINUTES": 1.0 / 60, "DEGREES": 1}[f.text(3)]
	if !ok {
		return nil, fmt.Errorf("%w: shifts in unit %q", ErrGrid, f.text(3))
	}
	g := Grid{Name: name, From: f.text(5), To: f.text(6)}
	n := f.int(2)
	f.data = f.data[11*16:]
	for i := range n {
		p, err := f.patch(scale)
		if err != nil {
			return nil, fmt.Errorf("read sub-grid %d of %d: %w", i+1, n, err)
		}
		g.patches = append(g.patches, p)
	}
	return newGrid(g)
}

// ntv2 is what is left to read of a file: records of 16 bytes.
type ntv2 struct {
	data  []byte
	order binary.ByteOrder
}

func (f *ntv2) int(record int) int { return int(int32(f.order.Uint32(f.data[record*16+8:]))) }

func (f *ntv2) text(record int) string {
	return strings.TrimRight(string(f.data[record*16+8:record*16+16]), " \x00")
}

func (f *ntv2) float(record int) float64 {
	return math.Float64frombits(f.order.Uint64(f.data[record*16+8:]))
}

// patch reads one sub-grid; longitudes in the file count to the west and its
// rows run from east to west.
func (f *ntv2) patch(scale float64) (patch, error) {
	if len(f.data) < 11*16 || string(f.data[:8]) != "SUB_NAME" {
		return patch{}, fmt.Errorf("%w: no sub-grid header where one is due", ErrGrid)
	}
	south, north, east, west := f.float(4)*scale, f.float(5)*scale, f.float(6)*scale, f.float(7)*scale
	p := patch{south: south, west: -west, dlat: f.float(8) * scale, dlon: f.float(9) * scale, scale: scale}
	count := f.int(10)
	if !(p.dlat > 0 && p.dlon > 0 && south < north && east < west && math.Abs(south) <= 90 && math.Abs(north) <= 90 &&
		math.Abs(east) <= 720 && math.Abs(west) <= 720) {
		return patch{}, fmt.Errorf("%w: limits or spacing make no grid", ErrGrid)
	}
	rows, cols := math.Round((north-south)/p.dlat)+1, math.Round((west-east)/p.dlon)+1
	if rows < 2 || cols < 2 || rows*cols != float64(count) || count > (len(f.data)-11*16)/16 {
		return patch{}, fmt.Errorf("%w: %d nodes for a grid of %g by %g", ErrGrid, count, rows, cols)
	}
	p.rows, p.cols = int(rows), int(cols)
	f.data = f.data[11*16:]
	p.shift = make([][2]float32, count)
	for i := range count {
		row, col := i/p.cols, p.cols-1-i%p.cols
		lat := math.Float32frombits(f.order.Uint32(f.data[i*16:]))
		lon := math.Float32frombits(f.order.Uint32(f.data[i*16+4:]))
		p.shift[row*p.cols+col] = [2]float32{-lon, lat}
	}
	f.data = f.data[count*16:]
	return p, nil
}
