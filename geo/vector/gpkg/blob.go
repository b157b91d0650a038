package gpkg

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

// The GeoPackageBinary header (OGC 12-128r18 §2.1.3): "GP", version 0, flags,
// srs_id, envelope.
const (
	blobHeader   = 8
	flagExtended = 0x20
	flagEmpty    = 0x10
	flagLittle   = 0x01
)

// envelopeSize is the bytes of the envelope for the code in the flags.
var envelopeSize = [8]int{0, 32, 48, 48, 64, -1, -1, -1}

// parseBlob returns the geometry of a blob, nil when it is empty.
func parseBlob(b []byte, srs int64) (g geojson.Geometry, notes []string, err error) {
	if len(b) < blobHeader || b[0] != 'G' || b[1] != 'P' {
		return g, nil, errors.New("the geometry does not begin with GP")
	}
	flags := b[3]
	size := envelopeSize[flags>>1&7]
	switch {
	case b[2] != 0:
		return g, nil, fmt.Errorf("the geometry is of version %d, which is not known", b[2])
	case flags&flagExtended != 0:
		return g, nil, errors.New("the geometry is of an extended kind, which is not read")
	case size < 0 || len(b) < blobHeader+size:
		return g, nil, errors.New("the geometry's envelope makes no sense")
	}
	var order binary.ByteOrder = binary.BigEndian
	if flags&flagLittle != 0 {
		order = binary.LittleEndian
	}
	if id := int64(int32(order.Uint32(b[4:]))); id != srs {
		notes = append(notes, fmt.Sprintf("the geometry names the coordinate system %d, its table %d; the table's is taken", id, srs))
	}
	w := &wkb{b: b[blobHeader+size:]}
	if g, err = w.parse(); err != nil {
		return g, notes, err
	}
	if g.Geometry == nil {
		notes = append(notes, "the geometry is empty")
	} else if w.empty > 0 {
		notes = append(notes, fmt.Sprintf("empty members of the geometry, left out: %d", w.empty))
	}
	if w.measures {
		notes = append(notes, "the measures (M) of the positions were left out")
	}
	return g, notes, nil
}

// appendBlob appends the geometry with its header. An envelope is given for all
// but points, as is usual. box is the extent, false when the geometry is empty.
func appendBlob(b []byte, g geojson.Geometry, srs int64) (blob []byte, box orb.Bound, ok bool) {
	box, ok = vector.Extent(g.Geometry)
	flags := byte(flagLittle)
	_, isPoint := g.Geometry.(orb.Point)
	switch {
	case !ok:
		flags |= flagEmpty
	case !isPoint:
		flags |= 1 << 1
	}
	b = binary.LittleEndian.AppendUint32(append(b, 'G', 'P', 0, flags), uint32(int32(srs)))
	if ok && !isPoint {
		for _, v := range []float64{box.Min[0], box.Max[0], box.Min[1], box.Max[1]} {
			b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
		}
	}
	return appendWKB(b, g), box, ok
}
