package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/crs"
	"holdfast/geo/geodesic"
	"holdfast/geo/grid"
	"holdfast/geo/terrain"
	"holdfast/geo/terrain/raster"
)

// work does what a program beside does, text in and text out, as a process of
// its own: bench work inverse < pairs.
func work(ctx context.Context, what string, args []string, in io.Reader, out io.Writer) error {
	w := bufio.NewWriterSize(out, 1<<16)
	var line func(dst []byte, v []float64) ([]byte, error)
	switch {
	case what == "inverse":
		line = inverse
	case what == "utm":
		line = utm
	case what == "reproject" && len(args) == 2:
		from, err := crs.ByName(args[0])
		if err != nil {
			return err
		}
		to, err := crs.ByName(args[1])
		if err != nil {
			return err
		}
		line = reproject(crs.NewTransformer(from, to))
	case what == "slope" && len(args) == 3:
		return slopes(ctx, args[0], args[1], args[2])
	default:
		return fmt.Errorf("no worker %s", what)
	}
	s := bufio.NewScanner(in)
	var buf []byte
	var v []float64
	for s.Scan() {
		v = v[:0]
		for f := range strings.FieldsSeq(s.Text()) {
			x, err := strconv.ParseFloat(f, 64)
			if err != nil {
				return err
			}
			v = append(v, x)
		}
		var err error
		if buf, err = line(buf[:0], v); err != nil {
			return err
		}
		if _, err := w.Write(append(buf, '\n')); err != nil {
			return err
		}
	}
	return errors.Join(s.Err(), w.Flush())
}

// inverse takes lat1 lon1 lat2 lon2 and writes azi1 azi2 s12, as GeodSolve -i.
func inverse(dst []byte, v []float64) ([]byte, error) {
	if len(v) != 4 {
		return nil, errors.New("want lat1 lon1 lat2 lon2")
	}
	s, a, b, _ := geodesic.Inverse(orb.Point{v[1], v[0]}, orb.Point{v[3], v[2]})
	dst = append(strconv.AppendFloat(dst, a.Degrees(), 'f', 8, 64), ' ')
	dst = append(strconv.AppendFloat(dst, b.Degrees(), 'f', 8, 64), ' ')
	return strconv.AppendFloat(dst, s.Metres(), 'f', 3, 64), nil
}

// utm takes lat lon and writes zone, easting and northing, as GeoConvert -u.
func utm(dst []byte, v []float64) ([]byte, error) {
	if len(v) != 2 {
		return nil, errors.New("want lat lon")
	}
	return grid.AppendUTM(dst, orb.Point{v[1], v[0]}, 0)
}

// reproject takes lat lon and writes x y, as cs2cs -d 3.
func reproject(t crs.Transformer) func([]byte, []float64) ([]byte, error) {
	return func(dst []byte, v []float64) ([]byte, error) {
		if len(v) != 2 {
			return nil, errors.New("want lat lon")
		}
		x, y, err := t.Transform(v[1], v[0])
		if err != nil {
			return nil, err
		}
		dst = append(strconv.AppendFloat(dst, x, 'f', 3, 64), '\t')
		return strconv.AppendFloat(dst, y, 'f', 3, 64), nil
	}
}

// slopes writes the slope of every cell of a grid in degrees as raw float32; the
// aspect comes with it and is left out.
func slopes(ctx context.Context, path, system, to string) (err error) {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	r, err := raster.Open(f, info.Size())
	if err != nil {
		return err
	}
	plane, err := crs.ByName(system)
	if err != nil {
		return err
	}
	s, err := terrain.NewSurface(r, plane, 1)
	if err != nil {
		return err
	}
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	w := bufio.NewWriterSize(out, 1<<20)
	var buf []byte
	err = s.Slopes(ctx, func(row terrain.SlopeRow) error {
		buf = buf[:0]
		for _, a := range row.Angle {
			buf = binary.LittleEndian.AppendUint32(buf, math.Float32bits(float32(a.Degrees())))
		}
		_, err := w.Write(buf)
		return err
	})
	return errors.Join(err, w.Flush())
}
