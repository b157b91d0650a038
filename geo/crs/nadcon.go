package crs

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
)

// ReadNADCON reads the two files of a NADCON grid, shifts in latitude (.las)
// and in longitude (.los), as the US National Geodetic Survey issued them for
// NAD 27 to NAD 83: NOAA Technical Memorandum NOS NGS-50, 1990. Layout and
// signs are from memory: seconds of arc, longitude shifts to the west; the
// tests hold the layout against GDAL. Damaged files fail with ErrGrid.
func ReadNADCON(las, los io.Reader, name string) (*Grid, error) {
	lat, err := readNADCON(las)
	if err != nil {
		return nil, fmt.Errorf("read latitude shifts: %w", err)
	}
	lon, err := readNADCON(los)
	if err != nil {
		return nil, fmt.Errorf("read longitude shifts: %w", err)
	}
	if lat.header != lon.header {
		return nil, fmt.Errorf("%w: latitude and longitude shifts are of different grids", ErrGrid)
	}
	h := lat.header
	p := patch{
		south: float64(h.South), west: float64(h.West), dlat: float64(h.DLat), dlon: float64(h.DLon),
		rows: int(h.Rows), cols: int(h.Cols), scale: 1.0 / 3600, shift: make([][2]float32, len(lat.values)),
	}
	for i := range p.shift {
		p.shift[i] = [2]float32{-lon.values[i], lat.values[i]}
	}
	return newGrid(Grid{Name: name, From: "NAD27", To: "NAD83", patches: []patch{p}})
}

// nadconHeader follows 64 bytes of text at the head of a file.
type nadconHeader struct {
	Cols, Rows, Layers      int32
	West, DLon, South, DLat float32
}

type nadconFile struct {
	header nadconHeader
	values []float32 // rows from the south, in each from the west
}

// readNADCON reads one file: records of one row each, the first holding the
// header, every other beginning with four bytes that are not used.
func readNADCON(r io.Reader) (nadconFile, error) {
	data, err := readGrid(r)
	if err != nil {
		return nadconFile{}, err
	}
	const text = 64
	var f nadconFile
	size := binary.Size(f.header)
	if len(data) < text+size {
		return nadconFile{}, fmt.Errorf("%w: no NADCON header", ErrGrid)
	}
	if _, err := binary.Decode(data[text:], binary.LittleEndian, &f.header); err != nil {
		return nadconFile{}, fmt.Errorf("%w: %w", ErrGrid, err)
	}
	h := f.header
	if !(h.Cols >= 2 && h.Rows >= 2 && h.DLon > 0 && h.DLat > 0 && math.Abs(float64(h.West)) <= 360 && math.Abs(float64(h.South)) <= 90) {
		return nadconFile{}, fmt.Errorf("%w: limits or spacing make no grid", ErrGrid)
	}
	record := (int(h.Cols) + 1) * 4
	if int(h.Rows)+1 > len(data)/record {
		return nadconFile{}, fmt.Errorf("%w: %d rows of %d do not fit in %d bytes", ErrGrid, h.Rows, h.Cols, len(data))
	}
	f.values = make([]float32, 0, int(h.Rows)*int(h.Cols))
	for row := range int(h.Rows) {
		for col := range int(h.Cols) {
			at := (row+1)*record + (col+1)*4
			f.values = append(f.values, math.Float32frombits(binary.LittleEndian.Uint32(data[at:])))
		}
	}
	return f, nil
}
