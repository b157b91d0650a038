package geojson

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/paulmach/orb"
)

// Feature reads a Feature as its UnmarshalJSON does, in one pass where it
// stands as most do.
func (m *Members) Feature(b []byte) (Feature, error) {
	if f, ok := m.feature(b); ok {
		return f, nil
	}
	var f Feature
	err := json.Unmarshal(b, &f)
	return f, err
}

// feature reads a Feature about which nothing is out of the ordinary.
func (m *Members) feature(b []byte) (f Feature, ok bool) {
	if len(b) == 0 || m.Read(b) != nil {
		return f, false
	}
	var geometry, properties []byte
	typed := false
	for _, one := range m.List {
		switch one.Name {
		case "type":
			typed = string(one.Value) == `"Feature"`
		case "id":
			if f.ID, f.NumericID, ok = idOf(one.Value); !ok {
				return f, false
			}
		case "geometry":
			geometry = one.Value
		case "properties":
			properties = one.Value
		default:
			if foldedName(one.Name) {
				return f, false
			}
		}
	}
	if !typed || len(properties) > 0 && properties[0] != '{' {
		return f, false
	}
	if f.Geometry, ok = m.point(geometry); !ok {
		var err error
		if f.Geometry, err = ParseGeometry(geometry); err != nil {
			return f, false
		}
	}
	f.Properties = bytes.Clone(properties)
	return f, true
}

// foldedName tells names that encoding/json takes for those of a Feature.
func foldedName(name string) bool {
	for _, of := range []string{"type", "id", "geometry", "properties", "coordinates", "geometries"} {
		if strings.EqualFold(name, of) {
			return true
		}
	}
	return false
}

func idOf(raw []byte) (id string, numeric, ok bool) {
	if raw[0] != '"' {
		_, err := strconv.ParseFloat(string(raw), 64)
		return string(raw), true, err == nil
	}
	id = string(raw[1 : len(raw)-1])
	return id, false, !strings.ContainsRune(id, '\\') && utf8.ValidString(id)
}

// point reads a Point of two or three numbers.
func (m *Members) point(raw []byte) (g Geometry, ok bool) {
	if len(raw) == 0 || m.Read(raw) != nil || len(m.List) != 2 {
		return g, false
	}
	kind, _ := m.Get("type")
	list, _ := m.Get("coordinates")
	if string(kind) != `"Point"` || len(list) == 0 || list[0] != '[' {
		return g, false
	}
	var c [3]float64
	n := 0
	for text := range bytes.SplitSeq(list[1:len(list)-1], []byte{','}) {
		if n == len(c) {
			return g, false
		}
		var err error
		if c[n], err = strconv.ParseFloat(string(bytes.TrimSpace(text)), 64); err != nil || math.IsInf(c[n], 0) {
			return g, false
		}
		n++
	}
	if n == 3 {
		g.Z = []float64{c[2]}
	}
	g.Geometry = orb.Point{c[0], c[1]}
	return g, n > 1
}
