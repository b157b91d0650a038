package vector

import (
	"errors"
	"fmt"
	"iter"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/crs"
	"holdfast/geo/geojson"
)

// WGS84 is the name of longitude and latitude in degrees on WGS 84, in that
// order (OGC 06-042 annex B).
const WGS84 = "OGC:CRS84"

// ErrNoCRS reports a layer that declares no coordinate system.
var ErrNoCRS = errors.New("the file does not say which coordinate system it is in: name it")

// ParseCRS reads a coordinate system as layers declare it: well-known text or a
// name. "" gives ErrNoCRS.
func ParseCRS(declared string) (*crs.CRS, error) {
	declared = strings.TrimSpace(declared)
	switch {
	case declared == "":
		return nil, ErrNoCRS
	case strings.ContainsAny(declared, "[("):
		return crs.Parse(declared)
	}
	return crs.ByName(declared)
}

// IsWGS84 tells whether a declared system is longitude and latitude on WGS 84.
func IsWGS84(declared string) bool {
	if declared == WGS84 {
		return true
	}
	c, err := ParseCRS(declared)
	return err == nil && geographicWGS84(c)
}

func geographicWGS84(c *crs.CRS) bool {
	switch c.Code {
	case WGS84, "OGC:CRS84h", "EPSG:4326", "EPSG:4979":
		return true
	}
	return false
}

// ToWGS84 carries records to longitude and latitude on WGS 84. A record that
// lies where its system is not used is refused. Heights are kept as they are:
// horizontal systems say nothing of their unit, and the layer gets a note where
// the horizontal unit is no metre. Records in WGS 84 pass unchanged.
func ToWGS84(records iter.Seq[Record], from *crs.CRS) iter.Seq[Record] {
	if geographicWGS84(from) {
		return records
	}
	return carry(records, from, func(p orb.Point) (orb.Point, error) { return from.ToWGS84(p[0], p[1]) })
}

// FromWGS84 carries records in longitude and latitude on WGS 84 to another
// system, as ToWGS84 does the other way.
func FromWGS84(records iter.Seq[Record], to *crs.CRS) iter.Seq[Record] {
	if geographicWGS84(to) {
		return records
	}
	return carry(records, to, func(p orb.Point) (orb.Point, error) {
		x, y, err := to.FromWGS84(p)
		return orb.Point{x, y}, err
	})
}

func carry(records iter.Seq[Record], c *crs.CRS, f func(orb.Point) (orb.Point, error)) iter.Seq[Record] {
	return func(yield func(Record) bool) {
		anyZ := false
		for r := range records {
			if r.Err == nil && r.HasGeometry() {
				g, err := Map(r.Geometry.Geometry, f)
				if err != nil {
					r.Err = fmt.Errorf("carry the position from or to %s: %w", c, err)
				} else {
					anyZ = anyZ || r.Geometry.Z != nil
					r.Geometry = geojson.Geometry{Geometry: g, Z: r.Geometry.Z}
				}
			}
			if !yield(r) {
				return
			}
		}
		if anyZ && c.Projected && c.Unit.Factor != 1 {
			yield(Record{Notes: []string{fmt.Sprintf("the heights are kept as they were; positions are in %s, so make sure that heights are in metres", c.Unit.Name)}})
		}
	}
}
