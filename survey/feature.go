package survey

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"sort"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
)

// ParsePoint reads and validates a point Feature. Every property is checked
// by name: a misspelt key is an error that names the nearest right one, since
// silently ignoring "slope" for "slope_deg" would lose a slope.
func ParsePoint(f geojson.Feature) (Point, error) {
	p, err := parsePoint(f)
	if err != nil {
		return p, err
	}
	return p, p.Validate()
}

// ParseLoosePoint is ParsePoint for a point that is only asked about, not
// stored: it needs neither a site nor a label.
func ParseLoosePoint(f geojson.Feature) (Point, error) {
	p, err := parsePoint(f)
	if err != nil {
		return p, err
	}
	q := p
	if q.Site == "" {
		q.Site = "-"
	}
	if q.Label == "" {
		q.Label = "-"
	}
	return p, q.Validate()
}

func parsePoint(f geojson.Feature) (Point, error) {
	p := Point{ID: f.ID}
	var c checker
	at, ok := f.Geometry.Geometry.(orb.Point)
	if !ok {
		c.add("/geometry/type", "a survey point is a Point, not a %s", kindOf(f.Geometry.Geometry))
	}
	p.Position = at
	if len(f.Geometry.Z) == 1 && !math.IsNaN(f.Geometry.Z[0]) {
		p.ElevationM = Known(geo.Length(f.Geometry.Z[0]))
	}
	decodeNoun(&c, "/properties", f.Properties, &p)
	return p, c.err()
}

// ParseSite reads and validates a site Feature, as strictly as ParsePoint.
func ParseSite(f geojson.Feature) (Site, error) {
	s := Site{ID: f.ID, Geometry: f.Geometry.Geometry, Heights: f.Geometry.Z}
	var c checker
	decodeNoun(&c, "/properties", f.Properties, &s)
	if err := c.err(); err != nil {
		return s, err
	}
	return s, s.Validate()
}

func kindOf(g orb.Geometry) string {
	if g == nil {
		return "missing geometry"
	}
	return g.GeoJSONType()
}

// Feature returns the point as a GeoJSON Feature.
func (p Point) Feature() (geojson.Feature, error) {
	props, err := json.Marshal(p)
	if err != nil {
		return geojson.Feature{}, fmt.Errorf("write point %s: %w", p.Label, err)
	}
	g := geojson.Geometry{Geometry: p.Position}
	if z, ok := p.ElevationM.Get(); ok {
		g.Z = []float64{z.Metres()}
	}
	return geojson.Feature{ID: p.ID, Geometry: g, Properties: props}, nil
}

// Feature returns the site as a GeoJSON Feature.
func (s Site) Feature() (geojson.Feature, error) {
	props, err := json.Marshal(s)
	if err != nil {
		return geojson.Feature{}, fmt.Errorf("write site %s: %w", s.Code, err)
	}
	return geojson.Feature{ID: s.ID, Geometry: geojson.Geometry{Geometry: s.Geometry, Z: s.Heights}, Properties: props}, nil
}

var unmarshaler = reflect.TypeFor[json.Unmarshaler]()

// decode fills the struct v from a JSON object, noting each unknown key and
// each value of the wrong kind with its pointer, and going on.
func decode(c *checker, ptr string, raw json.RawMessage, v reflect.Value) {
	if len(raw) == 0 {
		raw = json.RawMessage("{}")
	}
	t := v.Type()
	leaf := reflect.PointerTo(t).Implements(unmarshaler)
	switch {
	case t.Kind() == reflect.Struct && !leaf:
		var members map[string]json.RawMessage
		if err := json.Unmarshal(raw, &members); err != nil {
			c.add(ptr, "is not an object")
			return
		}
		keys := keysOf(t)
		for _, k := range sortedKeys(members) {
			i, ok := keys[k]
			if !ok {
				c.add(ptr+"/"+escape(k), "%s", unknownKey(k, keys))
				continue
			}
			decode(c, ptr+"/"+escape(k), members[k], v.Field(i))
		}
	case t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Struct && !leaf:
		var items []json.RawMessage
		if err := json.Unmarshal(raw, &items); err != nil {
			c.add(ptr, "is not a list")
			return
		}
		if len(items) == 0 {
			return // an empty list is no list, so that what is read equals what was written
		}
		out := reflect.MakeSlice(t, len(items), len(items))
		for i, item := range items {
			decode(c, fmt.Sprintf("%s/%d", ptr, i), item, out.Index(i))
		}
		v.Set(out)
	default:
		if err := json.Unmarshal(raw, v.Addr().Interface()); err != nil {
			c.add(ptr, "%s", wrongKind(raw, err))
		} else if t.Kind() == reflect.Slice && v.Len() == 0 {
			v.SetZero()
		}
	}
}

func keysOf(t reflect.Type) map[string]int {
	keys := make(map[string]int, t.NumField())
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		if name != "" && name != "-" {
			keys[name] = i
		}
	}
	return keys
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

func wrongKind(raw json.RawMessage, err error) string {
	var kind *json.UnmarshalTypeError
	value := string(raw)
	if len(value) > 40 {
		value = value[:40] + "…"
	}
	if errors.As(err, &kind) {
		want := map[reflect.Kind]string{
			reflect.Float64: "a number", reflect.String: "text", reflect.Slice: "a list", reflect.Bool: "true or false", reflect.Int: "a whole number",
		}[kind.Type.Kind()]
		if want != "" {
			return fmt.Sprintf("%s is not %s", value, want)
		}
	}
	if strings.Contains(err.Error(), "parsing time") {
		return fmt.Sprintf("%s is not a date and time like 2026-05-04T08:00:00Z", value)
	}
	return fmt.Sprintf("%s is not understood: %s", value, err)
}

// unknownKey says that a key is not known and which one was probably meant.
func unknownKey(k string, keys map[string]int) string {
	best, bestScore := "", 3
	for _, known := range sortedKeys(keys) {
		score := distance(k, known)
		if stem, _, ok := cutUnit(known); ok && stem == k {
			score = 1
		}
		if score < bestScore {
			best, bestScore = known, score
		}
	}
	if best != "" {
		return fmt.Sprintf("is not a known key; did you mean %s?", best)
	}
	return "is not a known key; known are " + strings.Join(sortedKeys(keys), ", ")
}

func cutUnit(key string) (stem, unit string, ok bool) {
	i := strings.LastIndexByte(key, '_')
	if i < 0 {
		return key, "", false
	}
	unit = key[i+1:]
	return key[:i], unit, slices.Contains([]string{"deg", "m", "mm", "kn", "n"}, unit)
}

// distance is the Levenshtein distance of two short keys.
func distance(a, b string) int {
	if len(a) > 64 {
		return 64
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diag
			if a[i] != b[j] {
				cost++
			}
			diag = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// escape writes a key as a JSON Pointer token (RFC 6901 §3).
func escape(k string) string {
	if !strings.ContainsAny(k, "~/") {
		return k
	}
	return strings.ReplaceAll(strings.ReplaceAll(k, "~", "~0"), "/", "~1")
}
