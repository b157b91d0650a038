package exchange

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"holdfast/geo/vector"
	"holdfast/survey"
)

// Mapping turns the columns and values of somebody else's table into those of
// sites or points.
type Mapping struct {
	// Columns gives columns the name of a property, of "id", or of a place in a
	// CSV file (lon, lat, elevation_m, wkt). A column that becomes "" is left
	// out.
	Columns map[string]string `json:"columns"`
	// Values gives for a property what each value of the table becomes; "" is
	// not recorded.
	Values map[string]map[string]string `json:"values"`
	// Set gives a property of every record that its table leaves out; {n} in it
	// becomes the record's number.
	Set map[string]string `json:"set"`
}

// MapPoints reads a mapping for points, a JSON object, and checks that its
// properties exist.
func MapPoints(text []byte) (*Mapping, error) { return readMapping(text, pointSchema) }

// MapSites is MapPoints for sites.
func MapSites(text []byte) (*Mapping, error) { return readMapping(text, siteSchema) }

func readMapping(text []byte, s *schema) (*Mapping, error) {
	var m Mapping
	in := json.NewDecoder(bytes.NewReader(text))
	in.DisallowUnknownFields()
	if err := in.Decode(&m); err != nil {
		return nil, survey.Invalid("", `the mapping is not like {"columns":{"SOIL":"ground.class"},"values":{"ground.class":{"Type B":"B"}}}: %s`, err)
	}
	var problems []survey.Problem
	target := map[string]string{}
	for _, from := range slices.Sorted(maps.Keys(m.Columns)) {
		to := strings.ReplaceAll(m.Columns[from], "/", ".")
		m.Columns[from] = to
		if to == "" {
			continue
		}
		if first, has := target[to]; has {
			problems = append(problems, survey.Problem{Message: fmt.Sprintf("the columns %q and %q both become %s", first, from, to)})
		}
		target[to] = from
		if _, ok := s.find(to); !ok && to != "id" && !slices.Contains(placeNames, to) {
			problems = append(problems, survey.Problem{Message: fmt.Sprintf("column %q becomes %q, which is no property%s", from, to, s.hint(to))})
		}
	}
	for _, name := range slices.Sorted(maps.Keys(m.Values)) {
		if c, ok := s.find(name); !ok || c.kind == listCell {
			problems = append(problems, survey.Problem{Message: fmt.Sprintf("values are given for %q, which is no property with one value%s", name, s.hint(name))})
		}
	}
	for _, name := range slices.Sorted(maps.Keys(m.Set)) {
		if c, ok := s.find(name); !ok || c.kind == listCell {
			problems = append(problems, survey.Problem{Message: fmt.Sprintf("%q is set, which is no property with one value%s", name, s.hint(name))})
		}
	}
	if len(problems) > 0 {
		return nil, &survey.InvalidError{Problems: problems}
	}
	return &m, nil
}

var placeNames = []string{"lon", "lat", "elevation_m", "wkt"}

// column is the property that a column holds, "" when it is to be left out.
func (m *Mapping) column(name string) string {
	if m != nil {
		if to, has := m.Columns[name]; has {
			return to
		}
	}
	return strings.ReplaceAll(name, "/", ".")
}

// place names the columns of a CSV file that hold the place.
func (m *Mapping) place() vector.Options {
	var o vector.Options
	if m == nil {
		return o
	}
	for from, to := range m.Columns {
		switch to {
		case "lon":
			o.X = from
		case "lat":
			o.Y = from
		case "elevation_m":
			o.Height = from
		case "wkt":
			o.WKT = from
		}
	}
	return o
}
