package preplan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/paulmach/orb"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/rig"
)

// latLon writes a position in degrees, north and east positive, to 1 m.
func latLon(p orb.Point) string {
	ns, ew := "N", "E"
	if p.Lat() < 0 {
		ns = "S"
	}
	if p.Lon() < 0 {
		ew = "W"
	}
	return fmt.Sprintf("%.5f° %s, %.5f° %s", math.Abs(p.Lat()), ns, math.Abs(p.Lon()), ew)
}

// geoURI is the position as RFC 5870 writes it, latitude first, to 0.1 m.
func geoURI(p orb.Point) string { return fmt.Sprintf("geo:%.6f,%.6f", p.Lat(), p.Lon()) }

func valid(p orb.Point) bool {
	return math.Abs(p.Lat()) <= 90 && math.Abs(p.Lon()) <= 180
}

// pullWords writes a pull bearing by both norths.
func pullWords(p answer.Pull) string {
	t, ok := p.TrueDeg.Get()
	if !ok {
		return "pull bearing " + wording.Unknown
	}
	return "pull " + wording.Bearing(t.Degrees()) + " true, " + wording.Opt(p.MagneticDeg, wording.Bearing) + " magnetic"
}

func backWords(p answer.Pull) string {
	t, ok := p.BackDeg.Get()
	if !ok {
		return wording.Unknown
	}
	return wording.Bearing(t.Degrees()) + " true, " + wording.Opt(p.BackMagDeg, wording.Bearing) + " magnetic"
}

// holding writes what an anchor is taken to hold, with its evidence.
func holding(u survey.Units, a rig.Anchor) string {
	n, ok := a.HoldingN.Get()
	switch {
	case ok:
	case a.Kind != survey.KindRig && len(a.Evidence) == 0:
		return "holding power " + wording.Unknown + ": nobody has rated it"
	default:
		return "holding power " + wording.Unknown
	}
	text := wording.Force(u, survey.Force(n)) + ", " + wording.Grade(a.Governs)
	if a.Governs == survey.TestedHere && a.Count > 1 {
		text += fmt.Sprintf(": one rig was pulled, %d are taken alike", a.Count)
	}
	return text
}

func ratioWords(r survey.Opt[float64], required float64) string {
	v, ok := r.Get()
	if !ok {
		return "ratio " + wording.Unknown + ", required " + wording.Ratio(required)
	}
	return wording.Ratio(v) + ", required " + wording.Ratio(required)
}

// verdictWord is the verdict in a table.
func verdictWord(v answer.Verdict) string {
	if v == "" {
		v = answer.Unknown
	}
	return strings.ToUpper(string(v))
}

// excerpt shortens a text for the first page at a word.
func excerpt(s string, most int) Excerpt {
	s = strings.TrimSpace(s)
	if s == "" {
		return Excerpt{Text: wording.NotRecorded}
	}
	lines := strings.SplitN(s, "\n", 7)
	cut := len(lines) == 7
	if cut {
		s = strings.Join(lines[:6], "\n")
	}
	if utf8.RuneCountInString(s) > most {
		runes := []rune(s)[:most]
		s, cut = string(runes), true
		if i := strings.LastIndexAny(s, " \n"); i > len(s)*2/3 {
			s = s[:i]
		}
	}
	if cut {
		s = strings.TrimRight(s, " \n,;") + " …"
	}
	return Excerpt{Text: s, More: cut}
}

// names lists labels, the first few by name.
func names(labels []string) string {
	const most = 8
	if len(labels) > most {
		return strings.Join(labels[:most], ", ") + fmt.Sprintf(" and %d more", len(labels)-most)
	}
	return strings.Join(labels, ", ")
}

// groups gathers the labels of points by a key, in the order keys first come.
type groups struct {
	keys   []string
	labels map[string][]string
}

func (g *groups) add(key, label string) {
	if g.labels == nil {
		g.labels = map[string][]string{}
	}
	if !slices.Contains(g.keys, key) {
		g.keys = append(g.keys, key)
	}
	g.labels[key] = append(g.labels[key], label)
}

// String writes "key: P1, P2; other key: P3".
func (g groups) String() string {
	parts := make([]string, len(g.keys))
	for i, k := range g.keys {
		parts[i] = k + ": " + names(g.labels[k])
	}
	return strings.Join(parts, "; ")
}

func label(p survey.Point) string {
	if strings.TrimSpace(p.Label) == "" {
		return "a point without a label"
	}
	return clip(p.Label, 60)
}

// clip shortens what must stay short, visibly. Valid records are never so long.
func clip(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return s
}
