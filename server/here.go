package server

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
)

const (
	hereMost  = 500 * geo.Metre // as far as a finger may miss on a map of a district
	zonesMost = 2000            // of each layer in one view
)

// hereView is what the map shows at a place.
type hereView struct {
	Point *herePoint
	At    *placed
	Seen  []seenView
	More  int // features left out
}

// seenView is a feature of a layer.
type seenView struct {
	Name     string
	Layer    survey.Layer
	Distance geo.Length
	Apart    bool       // it does not touch the place
	Width    geo.Length // of its zone, to each side
	Terms    string     // of its zone; "" when it has none
}

type herePoint struct {
	ID, Label, Site, SiteName string
	Verdict                   answer.Verdict
	Sentence                  string
	At                        *placed
}

const seenShown = 12

// handleHere names what stands at a place: a point, or the features of layers
// with their dates.
//
// GET /map/here?point= or ?at=&within_m=&layers=
func (s *Server) handleHere(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "point", "at", "within_m", "layers")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var v hereView
	if q.Get("point") != "" {
		v.Point, err = s.herePoint(r, q.Get("point"))
	} else {
		err = s.hereFeatures(r, q, &v)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.renderPart(w, r, "here", v)
}

func (s *Server) herePoint(r *http.Request, id string) (*herePoint, error) {
	j, err := s.judgedNow(r.Context(), id)
	if err != nil {
		return nil, err
	}
	p := j.Point.Item
	return &herePoint{p.ID, p.Label, p.Site, j.Site.Item.Name, j.Answer.Verdict, j.Answer.Sentence, placeOf(p.Position)}, nil
}

func (s *Server) hereFeatures(r *http.Request, q url.Values, v *hereView) error {
	lon, lat, _ := strings.Cut(q.Get("at"), ",")
	at, err := place(url.Values{"lon": {lon}, "lat": {lat}})
	if err != nil {
		return err
	}
	within := 5 * geo.Metre
	if text := q.Get("within_m"); text != "" {
		m, err := strconv.ParseFloat(text, 64)
		if err != nil || !(m >= 0) {
			return badParameter("within_m", sayNoMetres, text)
		}
		within = min(geo.Length(m), hereMost)
	}
	v.At = placeOf(at)
	found, err := s.atlas.SeenAt(r.Context(), at, within)
	if err != nil {
		return err
	}
	if q.Has("layers") {
		on := strings.Split(q.Get("layers"), ",")
		found = slices.DeleteFunc(found, func(f atlas.Seen) bool { return !slices.Contains(on, f.Layer.ID) })
	}
	if len(found) > seenShown {
		v.More, found = len(found)-seenShown, found[:seenShown]
	}
	for _, f := range found {
		one := seenView{Name: f.Name, Layer: f.Layer, Distance: f.Distance, Apart: f.Distance > geo.Metre/2}
		if one.Name == "" {
			one.Name = string(f.Layer.Role) + " " + f.Feature.ID
		}
		if z, ok := f.Zone.Get(); ok {
			one.Width, one.Terms = z.Width, z.Terms
		}
		v.Seen = append(v.Seen, one)
	}
	return nil
}

// handleZones gives the map the ground along utilities, overhead lines and
// roads that work keeps off or enters on terms only.
//
// GET /map/zones?bbox=
func (s *Server) handleZones(w http.ResponseWriter, r *http.Request) {
	view, err := viewOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	found, err := s.atlas.Zones(r.Context(), view, zonesMost)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := drawAll[zoneProps](len(found))
	for _, f := range found {
		z, ok := f.Zone.Get()
		if !ok {
			continue
		}
		g := wound(geojson.Geometry{Geometry: f.Feature.Geometry})
		out.Features = append(out.Features, draw(g.Geometry, zoneProps{f.Layer.ID, f.Layer.Role, z.Width.Metres()}))
	}
	s.writeJSON(w, r, typeGeoJSON, out)
}

type zoneProps struct {
	Layer  string      `json:"layer"`
	Role   survey.Role `json:"role"`
	WidthM float64     `json:"width_m"` // to each side
}

// point is the place as a position.
func (p *placed) point() orb.Point { return orb.Point{p.Lon, p.Lat} }
