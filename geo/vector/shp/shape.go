package shp

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

// shape reads the content of one record.
type shape struct {
	b        []byte
	at       int
	measures bool // it has measures that say something
	notes    []string
}

var errShort = errors.New("the record is shorter than its geometry")

func (s *shape) need(n int) error {
	if n < 0 || len(s.b)-s.at < n {
		return errShort
	}
	return nil
}

func (s *shape) integer() int {
	v := int32(binary.LittleEndian.Uint32(s.b[s.at:]))
	s.at += 4
	return int(v)
}

func (s *shape) double() float64 {
	v := math.Float64frombits(binary.LittleEndian.Uint64(s.b[s.at:]))
	s.at += 8
	return v
}

// parse returns the geometry, nil for a null shape.
func (s *shape) parse() (geojson.Geometry, error) {
	if err := s.need(4); err != nil {
		return geojson.Geometry{}, err
	}
	kind := s.integer()
	z, m := kind/10 == 1, kind/10 == 2
	switch {
	case kind == typeNull:
		return geojson.Geometry{}, nil
	case kind == typeMultiPatch:
		return geojson.Geometry{}, errors.New("it is a multi-patch, a surface in space, which is not read")
	case z:
		kind -= withZ
	case m:
		kind -= withM
	}
	switch kind {
	case typePoint:
		return s.point(z, m)
	case typeMultiPoint:
		return s.multiPoint(z, m)
	case typeLine, typePolygon:
		return s.parts(kind, z, m)
	}
	return geojson.Geometry{}, fmt.Errorf("%d is no type of shape", kind)
}

func (s *shape) point(z, m bool) (geojson.Geometry, error) {
	n := 16
	if z || m {
		n = 24
	}
	if err := s.need(n); err != nil {
		return geojson.Geometry{}, err
	}
	x, y, height := s.double(), s.double(), math.NaN()
	if z {
		height = known(s.double())
	}
	if (z || m) && s.need(8) == nil {
		s.measure(s.double())
	}
	var at vector.Positions
	if err := at.Add(x, y, height); err != nil {
		return geojson.Geometry{}, err
	}
	return at.Geometry(at.Points[0]), nil
}

// known turns "no data" into NaN.
func known(v float64) float64 {
	if v < noData {
		return math.NaN()
	}
	return v
}

func (s *shape) measure(v float64) {
	s.measures = s.measures || v >= noData && v != 0
}

// positions reads n positions, the heights that follow them and the measures
// that may follow those.
func (s *shape) positions(n int, z, m bool) (*vector.Positions, error) {
	if n > vector.MaxPositions {
		return nil, vector.ErrTooManyPositions
	}
	at := s.at
	if err := s.need(16 * n); err != nil {
		return nil, err
	}
	s.at += 16 * n
	heights := -1
	if z {
		if err := s.need(16 + 8*n); err != nil {
			return nil, err
		}
		heights = s.at + 16 // behind their range
		s.at += 16 + 8*n
	}
	if (z || m) && s.need(16+8*n) == nil { // measures may be left out
		s.at += 16
		for range n {
			s.measure(s.double())
		}
	}
	out := &vector.Positions{Points: make([]orb.Point, 0, n)}
	xy, zs := shape{b: s.b, at: at}, shape{b: s.b, at: heights}
	for range n {
		height := math.NaN()
		if z {
			height = known(zs.double())
		}
		x := xy.double()
		if err := out.Add(x, xy.double(), height); err != nil {
			return nil, err
		}
	}
	return out, nil
}

const boxSize = 32

func (s *shape) multiPoint(z, m bool) (geojson.Geometry, error) {
	if err := s.need(boxSize + 4); err != nil {
		return geojson.Geometry{}, err
	}
	s.at += boxSize
	ps, err := s.positions(s.integer(), z, m)
	if err != nil {
		return geojson.Geometry{}, err
	}
	if len(ps.Points) == 0 {
		return s.empty()
	}
	return ps.Geometry(orb.MultiPoint(ps.Points)), nil
}

func (s *shape) empty() (geojson.Geometry, error) {
	s.notes = append(s.notes, "the geometry is empty")
	return geojson.Geometry{}, nil
}

// parts reads a line or a polygon.
func (s *shape) parts(kind int, z, m bool) (geojson.Geometry, error) {
	if err := s.need(boxSize + 8); err != nil {
		return geojson.Geometry{}, err
	}
	s.at += boxSize
	parts, n := s.integer(), s.integer()
	if parts < 0 || n < 0 || s.need(4*parts) != nil {
		return geojson.Geometry{}, errShort
	}
	starts := make([]int, parts, parts+1)
	for i := range starts {
		starts[i] = s.integer()
	}
	starts = append(starts, n)
	for i := range parts {
		if starts[i] < 0 || starts[i] > starts[i+1] || i == 0 && starts[0] != 0 {
			return geojson.Geometry{}, errors.New("its parts are out of order")
		}
	}
	ps, err := s.positions(n, z, m)
	if err != nil {
		return geojson.Geometry{}, err
	}
	paths := make([]span, 0, parts)
	for i := range parts {
		if from, to := starts[i], starts[i+1]; to > from {
			paths = append(paths, span{from, to})
		}
	}
	switch {
	case len(paths) == 0:
		return s.empty()
	case kind == typePolygon:
		return s.polygon(ps, paths)
	case len(paths) == 1:
		return ps.Geometry(orb.LineString(ps.Points)), nil
	}
	lines := make(orb.MultiLineString, len(paths))
	for i, p := range paths {
		lines[i] = p.of(ps.Points)
	}
	return ps.Geometry(lines), nil
}

// span is a run of positions.
type span struct{ from, to int }

func (p span) of(points []orb.Point) []orb.Point { return points[p.from:p.to:p.to] }

// polygon puts rings together. Outer rings run clockwise, holes
// counter-clockwise (p. 8 of the description).
func (s *shape) polygon(ps *vector.Positions, rings []span) (geojson.Geometry, error) {
	groups, err := groupRings(ps.Points, rings)
	if err != nil {
		return geojson.Geometry{}, err
	}
	if groups.reversed {
		s.notes = append(s.notes, "its rings run the wrong way round; outer rings and holes were told apart by what lies in what")
	}
	if groups.astray > 0 {
		s.notes = append(s.notes, fmt.Sprintf("rings that run like holes but lie in no outer ring, each taken as an area: %d", groups.astray))
	}
	out := make(orb.MultiPolygon, len(groups.of))
	var z []float64
	heights := ps.Heights()
	for i, g := range groups.of {
		for _, ring := range g {
			out[i] = append(out[i], ring.of(ps.Points))
			if heights != nil {
				z = append(z, heights[ring.from:ring.to]...)
			}
		}
	}
	if len(out) == 1 {
		return geojson.Geometry{Geometry: out[0], Z: z}, nil
	}
	return geojson.Geometry{Geometry: out, Z: z}, nil
}
