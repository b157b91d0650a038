package surround

import (
	"encoding/json"
	"strconv"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
)

// attributes reads what a feature's own properties say: what it calls itself or
// its owner, an overhead line's voltage, and the width and tolerance of a line.
func (n *Near) attributes(props json.RawMessage) {
	var m map[string]any
	if json.Unmarshal(props, &m) != nil {
		return
	}
	lower := make(map[string]any, len(m))
	for k, v := range m {
		lower[strings.ToLower(k)] = v
	}
	for _, key := range []string{"name", "owner", "operator", "title", "id"} {
		if s, ok := lower[key].(string); ok && s != "" {
			n.Name = s
			break
		}
	}
	n.KV = voltage(lower)
	for _, w := range []struct {
		key  string
		unit geo.Length
	}{
		{"diameter_mm", geo.Millimetre},
		{"diameter_m", geo.Metre},
		{"diameter_in", geo.Inch},
		{"dn", geo.Millimetre},
		{"width_m", geo.Metre},
		{"width_ft", geo.Foot},
	} {
		if v, ok := number(lower[w.key]); ok && v > 0 {
			n.HalfWidth = geo.Length(v) * w.unit / 2
			break
		}
	}
	if v, ok := number(lower["tolerance_m"]); ok && v > 0 {
		n.Tolerance = survey.Known(geo.Length(v))
	}
}

// voltage reads a line's voltage in kV. A bare "voltage" of 1,000 or more is in
// volts, as open map data writes it, since few lines carry 1,000 kV; a lesser
// one is taken as kV, which asks for more clearance.
func voltage(m map[string]any) survey.Opt[float64] {
	for _, key := range []string{"kv", "voltage_kv"} {
		if v, ok := number(m[key]); ok && v >= 0 {
			return survey.Known(v)
		}
	}
	v, ok := number(m["voltage"])
	switch {
	case !ok || v < 0:
		return survey.Opt[float64]{}
	case v >= 1000:
		return survey.Known(v / 1000)
	}
	return survey.Known(v)
}

// number reads a number or the greatest of a list such as "110000;20000".
func number(v any) (most float64, ok bool) {
	switch v := v.(type) {
	case float64:
		return v, true
	case string:
		for s := range strings.SplitSeq(v, ";") {
			if f, err := strconv.ParseFloat(strings.TrimSpace(s), 64); err == nil && (!ok || f > most) {
				most, ok = f, true
			}
		}
	}
	return most, ok && most < 1e9
}
