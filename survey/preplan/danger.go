package preplan

import (
	"cmp"
	"fmt"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
)

// dangers is what will hurt people here, worst first.
func (a *arranger) dangers() []Field {
	var out []Field
	if len(a.Points) == 0 {
		out = append(out, Field{Name: "Ground", Text: "no point is surveyed: take nothing as safe", Loud: true})
	}
	for _, d := range []Field{
		{Name: "Buried", Text: a.buried(), Loud: true},
		{Name: "Overhead", Text: a.overhead(), Loud: true},
		{Name: "Edge", Text: a.edge()},
		{Name: "Water", Text: a.water()},
		{Name: "Traffic", Text: a.nearest(survey.RoleRoad)},
	} {
		if e := excerpt(d.Text, dangerOnFront); d.Text != "" {
			d.Text = e.Text
			out = append(out, d)
		}
	}
	const most = 5
	for i, h := range a.Site.Hazards {
		if i == most {
			out = append(out, Field{Name: "Also", Text: fmt.Sprintf("%d more, in full under About the site", len(a.Site.Hazards)-most), Loud: true})
			break
		}
		if strings.TrimSpace(h) != "" {
			out = append(out, Field{Name: "Also", Text: excerpt(h, 140).Text})
		}
	}
	return out
}

func (a *arranger) buried() string {
	var g groups
	for _, p := range a.Points {
		b := p.Point.BuriedUtilities
		key := string(b.State)
		until, dated := b.Until.Get()
		switch {
		case key == "" || b.State == survey.BuriedUnknown:
			key = "not known, do not drive"
		case b.State == survey.BuriedNotLocated:
			key = "NOT LOCATED, do not drive"
		case dated && until.Before(a.PrintedAt):
			key += ", but the locate ran out on " + wording.Date(until)
		case dated:
			key += " until " + wording.Date(until)
		default:
			key += ", date of the locate " + wording.NotRecorded
		}
		g.add(key, label(p.Point))
	}
	return join(g.String(), a.nearest(survey.RoleBuried))
}

func (a *arranger) overhead() string {
	var g groups
	for _, p := range a.Points {
		o := p.Point.Overhead
		switch o.State {
		case survey.OverheadNone:
			if on := p.Near.Of(survey.RoleOverhead); len(on) > 0 && on[0].Distance <= answer.OverheadReach {
				g.add("none recorded, BUT A LINE ON FILE IS NEAR, LOOK AGAIN", label(p.Point))
				continue
			}
			g.add("none seen", label(p.Point))
		case survey.OverheadPresent:
			kv := "voltage " + wording.NotRecorded
			if v, ok := o.KV.Get(); ok {
				kv = fmt.Sprintf("%g kV", v)
			}
			g.add("PRESENT, "+kv+", clearance "+wording.Opt(o.ClearanceM, a.length), label(p.Point))
		default:
			g.add("not known, look up", label(p.Point))
		}
	}
	return join(g.String(), a.nearest(survey.RoleOverhead))
}

// nearest says how near the layers put a role, or that there is no such layer.
func (a *arranger) nearest(role survey.Role) string {
	if len(a.Points) == 0 {
		return ""
	}
	loaded := false
	best, at, of := geo.Length(-1), "", ""
	for _, p := range a.Points {
		loaded = loaded || p.Near.Roles[role]
		for _, n := range p.Near.Of(role) {
			if best < 0 || n.Distance < best {
				best, at, of = n.Distance, label(p.Point), cmp.Or(n.Name, "unnamed")
			}
		}
	}
	switch {
	case best >= 0:
		return fmt.Sprintf("on file: %s %s, %s from %s", role, of, a.length(best), at)
	case !loaded:
		return fmt.Sprintf("no %s layer in the atlas, so nothing is known from files", role)
	default:
		return fmt.Sprintf("no %s on file within reach", role)
	}
}

func (a *arranger) edge() string {
	var high, steep survey.Opt[float64]
	unknown := 0
	more := func(o *survey.Opt[float64], v float64) {
		if w, ok := o.Get(); !ok || v > w {
			*o = survey.Known(v)
		}
	}
	for _, p := range a.Points {
		t := p.Point.Terrain
		if v, ok := t.HeightM.Get(); ok {
			more(&high, v.Metres())
		}
		if v, ok := t.SlopeDeg.Get(); ok {
			more(&steep, v)
		}
		if !t.HeightM.Known() || !t.SlopeDeg.Known() {
			unknown++
		}
	}
	if len(a.Points) == 0 {
		return ""
	}
	s := "height " + wording.Opt(high, func(v float64) string { return "up to " + a.length(geo.Length(v)) })
	s += ", slope " + wording.Opt(steep, func(v float64) string { return "up to " + wording.Angle(v) + " from level" })
	if unknown > 0 {
		s += fmt.Sprintf(" (height or slope not recorded at %s)", wording.Count(unknown, "point", "points"))
	}
	return s
}

func (a *arranger) water() string {
	w := a.Site.Water
	s := "gauge " + wording.NotRecorded
	if w.Gauge != "" {
		s = "gauge " + w.Gauge + ", unsafe from a stage of " + wording.Opt(w.WarnStageM, func(l geo.Length) string { return wording.Stage(a.u, l) })
	}
	return join(s, a.nearest(survey.RoleWater))
}
