package server

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strconv"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/drawing"
)

// plate is a drawing on a page.
type plate struct {
	Title string
	Href  string // the drawing alone
	SVG   template.HTML
	Left  []string // labels the drawing had no room for
}

// plateWidth is the width of the drawings on a page in millimetres: little, so
// that their letters can be read where one fills a phone.
const plateWidth = 88

// plates are the drawings of a point's best option.
func plates(here *url.URL, j atlas.Judged, w atlas.Working, policy survey.Policy) ([]plate, error) {
	best, ok := j.Answer.Best()
	if !ok {
		return nil, nil
	}
	p, a := j.Point.Item, j.Answer
	plan := drawing.NewPlan(p, j.Around, a, best, policy)
	drawn := []drawing.Drawing{plan.Draw(drawing.Size{W: plateWidth, H: 105})}
	if pattern, err := survey.ParsePattern(best.Main.Anchor.Rig); err == nil {
		drawn = append(drawn, drawing.Elevation{
			Units: policy.Units, Pattern: pattern, Stake: policy.Stake, RopeAngleDeg: ropeAngle(policy, a),
		}.Draw(drawing.Size{W: plateWidth, H: 52}))
	}
	drawn = append(drawn,
		drawing.NewSection(p, plan, best, w.Profile).Draw(drawing.Size{W: plateWidth, H: 60}),
		drawing.Forces{Units: policy.Units, Load: a.LoadCase}.Draw(drawing.Size{W: plateWidth, H: 55}))
	if w.Sharing != nil {
		each := a.LoadCase.Force() / survey.Force(max(best.Main.Anchor.Count, 1))
		drawn = append(drawn, drawing.Sharing{
			Units: policy.Units, Rig: best.Main.Anchor.Rig, Series: w.Sharing, Demand: survey.Known(each),
		}.Draw(drawing.Size{W: plateWidth, H: 60}))
	}
	return drawPlates(here, drawn)
}

// drawPlates draws for the page at an address.
func drawPlates(here *url.URL, drawn []drawing.Drawing) ([]plate, error) {
	out := make([]plate, len(drawn))
	for i, d := range drawn {
		var b bytes.Buffer
		if err := d.SVG(&b, fmt.Sprintf("drawing-%d", i+1)); err != nil {
			return nil, fmt.Errorf("draw %s: %w", d.Title, err)
		}
		alone := here.Query()
		alone.Set(drawingParameter, strconv.Itoa(i+1))
		out[i] = plate{Title: d.Title, Href: here.Path + "?" + alone.Encode(), SVG: template.HTML(b.String()), Left: d.Left}
	}
	return out, nil
}

// drawingParameter asks for one drawing of a page alone, by its number.
const drawingParameter = "drawing"

// serveDrawing answers with one drawing of a page alone, to be looked at large:
// an SVG in the colours of the display.
func (s *Server) serveDrawing(w http.ResponseWriter, r *http.Request, drawn []plate, number string) {
	n, err := strconv.Atoi(number)
	if err != nil || n < 1 || n > len(drawn) {
		s.fail(w, r, badParameter(drawingParameter, sayNoDrawing, len(drawn)))
		return
	}
	var b bytes.Buffer
	b.WriteString(`<?xml version="1.0" encoding="UTF-8"?>` + "\n")
	sheet := func(name, media string) {
		fmt.Fprintf(&b, `<?xml-stylesheet type="text/css" href="%s" media="%s"?>`+"\n", s.static.Path(name), media)
	}
	sheet("css/tokens.css", "all")
	if night := (page{Display: displayOf(r)}).Night(); night != "" {
		sheet("css/night.css", night)
	}
	sheet("css/answer.css", "all")
	b.WriteString(string(drawn[n-1].SVG))
	h := w.Header()
	h.Set("Content-Type", typeSVG)
	h.Set("Cache-Control", cachePrivate)
	h.Add("Vary", "Cookie")
	if _, err := w.Write(b.Bytes()); err != nil {
		s.log.InfoContext(r.Context(), "write drawing", "error", err)
	}
}

// ropeAngle is the angle of the rope above the ground in the load case that
// was asked for; a load that is no case of the policy pulls along the ground.
func ropeAngle(policy survey.Policy, a answer.Answer) float64 {
	for _, l := range policy.LoadCases {
		if l.ID == a.LoadCase.ID {
			return l.RopeAngleDeg
		}
	}
	return 0
}

// siteMap is the map of a site with its points, the best of them marked, from
// the same code as that of the sheet.
func (s *Server) siteMap(ctx context.Context, here *url.URL, site survey.Site, judged []atlas.Judged, units survey.Units) ([]plate, error) {
	bound := site.Geometry.Bound()
	m := drawing.SiteMap{Units: units, Site: site.Geometry}
	for i, j := range judged {
		p, a := j.Point.Item, j.Answer
		bound = bound.Extend(p.Position)
		spot := drawing.Spot{Label: p.Label, Position: p.Position, Class: a.Ground.Class, Verdict: a.Verdict, Pull: a.Pull.TrueDeg}
		if best, ok := a.Best(); ok {
			spot.Best = i == 0 && a.Verdict != answer.No
			if best.Main.Layout != nil {
				spot.Sector = survey.Known(best.Main.Layout.SectorDeg)
			}
		}
		m.Spots = append(m.Spots, spot)
	}
	m.North = s.northAt(bound.Center())
	var err error
	if m.Layers, err = s.atlas.LayersIn(ctx, bound); err != nil {
		return nil, err
	}
	return drawPlates(here, []drawing.Drawing{m.Draw(drawing.Size{W: plateWidth, H: 110})})
}
