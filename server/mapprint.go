package server

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"net/url"

	"github.com/paulmach/orb"

	"holdfast/geo/geodesic"
	"holdfast/geo/grid"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/sqlite"
)

const (
	printPoints   = 150  // on one printed map
	printFeatures = 4000 // of each layer
)

// printPage is what the map shows, for paper.
type printPage struct {
	Bbox     string
	Text     string // the casualty, as it was written
	Papers   []choiceView
	Class    string // names the page size in the style sheet
	SVG      template.HTML
	Left     []string // labels the drawing had no room for
	Points   []printPoint
	TooMany  int // points in view, when they are too many to draw
	Casualty casualtyView
	Layers   []survey.Layer // drawn, with their dates
	At       *placed        // the middle
	Cautions []string
	Policy   string
}

type printPoint struct {
	Site, Label string
	Verdict     answer.Verdict
	Sentence    string
	USNG        string
}

// papers are the sizes to print on, with the room for the map in millimetres.
var papers = []struct {
	value, title string
	size         drawing.Size
}{
	{"letter", "US Letter", drawing.Size{W: 190, H: 170}},
	{"a4", "A4", drawing.Size{W: 184, H: 180}},
}

// handleMapPrint draws a view of the map for paper: black on white, to a round
// scale, with grid, norths, scale bar and a legend of what is on it.
//
// GET /map/print?bbox=&paper=&casualty=
func (s *Server) handleMapPrint(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "bbox", "paper", "casualty")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	body, err := s.printBody(r, q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "print", page{Title: sayMapPrint, Room: "map", Body: body})
}

func (s *Server) printBody(r *http.Request, q url.Values) (p printPage, err error) {
	ctx := r.Context()
	bound, err := bbox(q)
	if err != nil {
		return p, err
	}
	if bound == nil {
		all, ok, err := s.store.Bounds(ctx)
		if err != nil {
			return p, err
		}
		if !ok {
			return p, badParameter("bbox", sayNoExtent)
		}
		bound = &all
	}
	p.Bbox, p.Text, p.At, p.Cautions = boundsText(*bound), q.Get("casualty"), placeOf(bound.Center()), answer.Cautions
	paper := papers[0]
	for _, one := range papers {
		if one.value == q.Get("paper") {
			paper = one
		}
	}
	p.Class = paper.value
	for _, one := range papers {
		p.Papers = append(p.Papers, choiceView{one.value, one.title, one.value == paper.value})
	}
	policy, err := s.store.Policy(ctx)
	if err != nil {
		return p, err
	}
	p.Policy = policy.Version
	if p.Casualty, err = s.casualty(ctx, policy, q); err != nil {
		return p, err
	}
	m, err := s.printMap(r, *bound, policy.Units, &p)
	if err != nil {
		return p, err
	}
	d := m.Draw(paper.size)
	d.Title = "Map"
	var b bytes.Buffer
	if err := d.SVG(&b, "map-drawing"); err != nil {
		return p, fmt.Errorf("draw map: %w", err)
	}
	p.SVG, p.Left = template.HTML(b.String()), d.Left
	return p, nil
}

// printMap gathers what is drawn.
func (s *Server) printMap(r *http.Request, b orb.Bound, units survey.Units, p *printPage) (drawing.SiteMap, error) {
	ctx := r.Context()
	m := drawing.SiteMap{Units: units, View: &b, North: s.northAt(b.Center())}
	if err := s.refresh(ctx); err != nil {
		return m, err
	}
	var marks []mark
	n := 0
	s.marks.within(&b, func(one *mark) {
		if n++; n <= printPoints {
			marks = append(marks, *one)
		}
	})
	if n > printPoints {
		p.TooMany, marks = n, nil
	}
	for _, one := range marks {
		m.Spots = append(m.Spots, drawing.Spot{Label: one.label, Position: one.at, Class: one.class, Verdict: one.verdict, Pull: one.pull, Sector: one.sector})
		p.Points = append(p.Points, printPoint{one.site.name, one.label, one.verdict, s.sentenceOf(ctx, one), placeOf(one.at).USNG})
	}
	layers, err := s.store.Layers(ctx)
	if err != nil {
		return m, err
	}
	wide := b.Pad(0.3 * max(b.Right()-b.Left(), b.Top()-b.Bottom())) // the round scale shows a little more than was asked for
	for _, l := range layers {
		found, err := s.store.Features(ctx, l.ID, sqlite.Filter{Bound: &wide, Limit: printFeatures})
		if err != nil {
			return m, err
		}
		if len(found) > 0 {
			p.Layers = append(p.Layers, l)
		}
		m.Layers = append(m.Layers, found...)
	}
	if at := p.Casualty.At; at != nil {
		m.Layers = append(m.Layers, casualtyLines(units, at.point(), p.Casualty.Found)...)
	}
	return m, nil
}

// casualtyLines are the casualty and the straight ways to the anchors, drawn
// as what they are on paper: lines with a name.
func casualtyLines(u survey.Units, at orb.Point, found []serving) []survey.LayerFeature {
	named := func(name string, g orb.Geometry) survey.LayerFeature {
		props, err := json.Marshal(map[string]string{"name": name})
		if err != nil {
			props = nil // a text can always be written
		}
		return survey.LayerFeature{Layer: "casualty", Role: survey.RoleOther, Geometry: g, Properties: props}
	}
	out := []survey.LayerFeature{named("CASUALTY", at)}
	for i, f := range found {
		from := orb.Point{f.Lon, f.Lat}
		out = append(out, named(fmt.Sprintf("%d: %s, %s", i+1, f.True, wording.Length(u, geodesic.Distance(from, at))), orb.LineString{from, at}))
	}
	return out
}

// northAt is where the norths point at a place today.
func (s *Server) northAt(p orb.Point) drawing.North {
	n := drawing.North{At: s.now()}
	if field, err := s.magnetic.On(s.now()).At(p, 0); err == nil && field.Valid {
		n.DeclinationDeg = survey.Known(field.D.Degrees())
	}
	if gamma, _, err := grid.ConvergenceScale(p); err == nil {
		n.ConvergenceDeg = survey.Known(gamma.Degrees())
	}
	return n
}

// layerDate says of which day the data of a layer are.
func layerDate(l survey.Layer) string {
	if at, ok := l.AsOf.Get(); ok {
		return sayAsOfDate + wording.Date(at)
	}
	return "date " + wording.NotRecorded
}
