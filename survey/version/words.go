package version

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// Phrase is a Difference for people.
type Phrase struct {
	What          string // Bank, slope
	Before, After string // "not recorded" where there is none
}

// Phrases writes differences in plain words, in the units of the department.
func Phrases(u survey.Units, list []Difference) []Phrase {
	out := make([]Phrase, len(list))
	for i, d := range list {
		out[i] = Phrase{What: What(d.Path), Before: Value(u, d.Path, d.Before), After: Value(u, d.Path, d.After)}
		if out[i].Before == out[i].After { // the words are coarser than the figures
			out[i].Before, out[i].After = exactly(d.Before), exactly(d.After)
		}
	}
	return out
}

// groups are the names of what holds fields.
var groups = map[string]string{
	"geometry": "position", "ground": "ground", "terrain": "bank", "position": "fix", "pull": "pull", "buried_utilities": "buried utilities",
	"overhead": "overhead lines", "anchors": "anchor", "pull_tests": "pull test of", "tests": "field test,", "contacts": "contact",
	"hazards": "hazard", "water": "water", "review": "review", "photos": "photo", "ratings": "rating of", "ground_factors": "ground factor,", "load_cases": "load case",
}

// special are the names of fields that their keys do not give.
var special = map[string]string{
	"terrain/slope_deg": "slope", "terrain/fall_line_deg": "fall line, true", "terrain/setback_m": "setback from the crest", "terrain/room_behind_m": "room behind the point", "terrain/source": "where it is from",
	"pull/bearing_deg": "bearing as written", "pull/source": "where it is from", "anchors/bearing_deg": "bearing, true", "pull_tests/bearing_deg": "bearing, true",
	"position/source": "how it was found", "position/accuracy_m": "accuracy", "ground/depth_to_refusal_m": "depth at which a bar stops",
	"ground/class_reason": "reason for the class", "overhead/kv": "voltage", "buried_utilities/until": "good until", "water/datum_m": "gauge zero, elevation",
	"water/warn_stage_m": "stage from which it is unsafe", "review/due": "due again", "surveyed_at": "date of the survey", "surveyed_by": "surveyed by",
}

// What names a field in words: "Bank, slope".
func What(path string) string {
	parts := tokens(path)
	if parts[0] == "properties" && len(parts) > 1 {
		parts = parts[1:]
	}
	var out []string
	group, prior := "", ""
	for i, part := range parts {
		name, isGroup := groups[part]
		switch {
		case isGroup && (i < len(parts)-1 || part == "geometry" || i == 0):
			group = part
			out = append(out, name)
		case i > 0 && isList(prior): // the name of a member
			out[len(out)-1] = strings.TrimSpace(out[len(out)-1] + " " + memberName(part))
		default:
			name := special[group+"/"+part]
			if group == "" {
				name = special[part]
			}
			if name == "" {
				name = strings.ReplaceAll(bare(part), "_", " ")
			}
			out = append(out, name)
		}
		prior = part
	}
	text := strings.Join(out, ", ")
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return "All of it"
	}
	return string(unicode.ToUpper(first)) + text[size:]
}

func isList(key string) bool { return named[key] != nil || key == "hazards" || key == "photos" }

// memberName writes the name of a member of a list: text that is its own name
// has quotes, and dates are days.
func memberName(part string) string {
	var text string
	if json.Unmarshal([]byte(part), &text) == nil {
		return ""
	}
	words := strings.Fields(part)
	for i, w := range words {
		if t, err := time.Parse(time.RFC3339, w); err == nil {
			words[i] = "on " + wording.Date(t.UTC())
		}
	}
	return strings.Join(words, " ")
}

// bare is a key without its unit.
func bare(key string) string {
	if i := strings.LastIndexByte(key, '_'); i > 0 {
		switch key[i+1:] {
		case "deg", "m", "mm", "kn", "n":
			return key[:i]
		}
	}
	return key
}

// Value writes the value of a field; nil is "not recorded".
func Value(u survey.Units, path string, value json.RawMessage) string {
	if value == nil {
		return wording.NotRecorded
	}
	key := last(path)
	if key == "geometry" {
		return placeOn(u, value)
	}
	var v any
	if json.Unmarshal(value, &v) != nil {
		return string(value)
	}
	if member, ok := v.(map[string]any); ok { // its name is said beside it
		parts := strings.Split(path, "/")
		for _, k := range named[parts[max(0, len(parts)-2)]] {
			if len(member) > 1 {
				delete(member, k)
			}
		}
	}
	return write(u, key, v)
}

func write(u survey.Units, key string, v any) string {
	switch v := v.(type) {
	case float64:
		return number(u, key, v)
	case string:
		if t, err := time.Parse(time.RFC3339, v); err == nil {
			return wording.Date(t.UTC())
		}
		return wording.Or(v)
	case bool:
		return map[bool]string{true: "yes", false: "no"}[v]
	case []any:
		parts := make([]string, len(v))
		for i, one := range v {
			parts[i] = write(u, "", one)
		}
		return strings.Join(parts, "; ")
	case map[string]any:
		var parts []string
		for _, k := range sorted(v) {
			parts = append(parts, strings.ReplaceAll(bare(k), "_", " ")+" "+write(u, k, v[k]))
		}
		return strings.Join(parts, ", ")
	}
	return wording.NotRecorded
}

func number(u survey.Units, key string, v float64) string {
	switch {
	case strings.HasSuffix(key, "stage_m"):
		return wording.Stage(u, geo.Length(v))
	case strings.HasSuffix(key, "_m"):
		return wording.Length(u, geo.Length(v))
	case strings.HasSuffix(key, "_mm"):
		return wording.Thickness(u, v)
	case strings.HasSuffix(key, "_kn"):
		return wording.Force(u, survey.Force(v)*survey.Kilonewton)
	case strings.HasSuffix(key, "_n"):
		return wording.Force(u, survey.Force(v))
	case key == "bearing_deg" || key == "fall_line_deg":
		return wording.Bearing(v)
	case strings.HasSuffix(key, "_deg"):
		return wording.Angle(v)
	case key == "kv":
		return plain(v) + " kV"
	}
	return plain(v)
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// placeOn writes a place, and how well it is known where the value has that.
func placeOn(u survey.Units, value json.RawMessage) string {
	var is placed
	if json.Unmarshal(value, &is) != nil || len(is.Geometry)+len(is.Position) == 0 {
		return shape(u, value)
	}
	text := wording.NotRecorded
	if is.Geometry != nil {
		text = shape(u, is.Geometry)
	}
	if is.Position != nil {
		text += ", " + Value(u, fix, is.Position)
	}
	return text
}

// shape writes a geometry: a point by its position, others by their size.
func shape(u survey.Units, value json.RawMessage) string {
	g, err := geojson.ParseGeometry(value)
	if err != nil {
		return string(value)
	}
	switch at := g.Geometry.(type) {
	case orb.Point:
		text := fmt.Sprintf("%.7f, %.7f", at.Lat(), at.Lon())
		if len(g.Z) == 1 {
			text += ", elevation " + wording.Length(u, geo.Length(g.Z[0]))
		}
		return text
	case orb.LineString:
		return fmt.Sprintf("a line of %d positions", len(at))
	case orb.Polygon:
		n := 0
		for _, ring := range at {
			n += len(ring)
		}
		return fmt.Sprintf("an outline of %d positions", n)
	}
	return g.Geometry.GeoJSONType()
}

// exactly writes a value as it is kept.
func exactly(value json.RawMessage) string {
	if value == nil {
		return wording.NotRecorded
	}
	return string(value)
}
