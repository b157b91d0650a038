package raster

import (
	"fmt"
	"strings"

	"holdfast/geo"
)

// Model says what a raster's coordinates are.
type Model int

const (
	_ Model = iota // the file does not say, or says something else
	// ModelGeographic: x is longitude and y latitude.
	ModelGeographic
	// ModelProjected: x and y are lengths.
	ModelProjected
)

// CRS is what a GeoTIFF says about its coordinates. The zero value knows
// nothing.
type CRS struct {
	Model Model
	// EPSG is the code of the coordinate system, 0 when the file describes it
	// by keys or not at all.
	EPSG int
	// AngularEPSG is the unit of geographic coordinates (9102 is the degree),
	// 0 when not stated.
	AngularEPSG int
	// VerticalUnit is the length of one unit of the cell values, 0 when the
	// file does not say.
	VerticalUnit geo.Length
	// Keys holds all keys, for a system without a code.
	Keys []GeoKey
}

// GeoKey is one key of a GeoTIFF (OGC 19-008r4 §7.1.2): a short, doubles or
// text.
type GeoKey struct {
	ID      int
	Short   int
	Doubles []float64
	Text    string
}

// Keys of OGC 19-008r4, annex B and C, and values of them.
const (
	keyModelType     = 1024
	keyRasterType    = 1025
	keyGeodetic      = 2048
	keyAngularUnits  = 2054
	keyProjected     = 3072
	keyVertical      = 4096
	keyVerticalUnits = 4099

	typeProjected  = 1
	typeGeographic = 2
	rasterIsPoint  = 2
	userDefined    = 32767
)

// verticalUnits are the lengths by EPSG code: metre, international foot, US
// survey foot (EPSG 9001 to 9003).
var verticalUnits = map[int]geo.Length{9001: 1, 9002: geo.Foot, 9003: 1200.0 / 3937}

// verticalSystems are the units of American height systems, for files that
// name the system only (EPSG: NGVD29 in US survey feet; NAVD88 in metres, US
// survey feet and international feet).
var verticalSystems = map[int]int{5702: 9003, 5703: 9001, 6360: 9003, 8228: 9002}

// key returns the value of a short key, 0 when it is missing or user-defined.
func (c CRS) key(id int) int {
	for _, k := range c.Keys {
		if k.ID == id && k.Short != userDefined {
			return k.Short
		}
	}
	return 0
}

// readKeys reads the key directory from its three tags.
func readKeys(directory []uint64, doubles []float64, text string) (CRS, error) {
	var c CRS
	if len(directory) < 4 || directory[0] != 1 {
		return c, nil // no keys, or of a revision to come
	}
	n := int(directory[3])
	if len(directory) < 4+4*n {
		return c, fmt.Errorf("the GeoTIFF key directory is cut off: %d keys stated", n)
	}
	for i := range n {
		d := directory[4+4*i:][:4]
		k := GeoKey{ID: int(d[0])}
		count, at := d[2], d[3]
		switch d[1] {
		case 0:
			k.Short = int(at)
		case tagGeoDoubles:
			if at+count > uint64(len(doubles)) {
				return c, fmt.Errorf("GeoTIFF key %d points outside its values", k.ID)
			}
			k.Doubles = doubles[at : at+count]
		case tagGeoASCII:
			if at+count > uint64(len(text)) {
				return c, fmt.Errorf("GeoTIFF key %d points outside its text", k.ID)
			}
			k.Text = strings.TrimRight(text[at:at+count], "|\x00")
		}
		c.Keys = append(c.Keys, k)
	}
	switch c.key(keyModelType) {
	case typeProjected:
		c.Model, c.EPSG = ModelProjected, c.key(keyProjected)
	case typeGeographic:
		c.Model, c.EPSG = ModelGeographic, c.key(keyGeodetic)
	}
	c.AngularEPSG = c.key(keyAngularUnits)
	unit := c.key(keyVerticalUnits)
	if unit == 0 {
		unit = verticalSystems[c.key(keyVertical)]
	}
	if unit != 0 {
		length, ok := verticalUnits[unit]
		if !ok {
			return c, fmt.Errorf("vertical unit EPSG:%d is neither metre, foot nor US survey foot", unit)
		}
		c.VerticalUnit = length
	}
	return c, nil
}
