package server

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/grid"
	"holdfast/geo/position"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
)

type mapPage struct {
	Search   searched
	Casualty casualtyView
	Measure  measureView
	Reach    reachView
	Ledger   ledgerView
	Layers   []survey.Layer
	Base     *baseView
	Bounds   string // west,south,east,north
	Whole    bool   // within the bounds lies everything that there is, and the ledger lists it
	At       string // lon,lat to open on
}

// mapModules are the scripts of the map, named in the page so that they come
// all at once instead of one after the other.
var mapModules = []string{
	"js/map.js", "js/ink.js", "js/layers.js", "js/points.js", "js/ledger.js", "js/casualty.js", "js/measure.js", "js/reach.js",
	"js/state.js", "js/view.js", "js/part.js", "js/words.js", "js/roles.js", "js/symbol.js",
}

// mapNames are the parameters of the map's address that the server reads; what
// is in view - centre, zoom and layers - stands behind the #.
var mapNames = []string{"q", "site", "after", "casualty", "load", "required", "tonight", "rope_m", "measure", "coverage"}

// handleMap shows the map with the ledger of sites and points and, when asked,
// the anchors for a casualty, a measured line and the reach along the banks.
//
// GET /
func (s *Server) handleMap(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, mapNames...)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	body, err := s.mapBody(r.Context(), q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "map", page{Title: "Map", Room: "map", Body: body})
}

func (s *Server) mapBody(ctx context.Context, q url.Values) (p mapPage, err error) {
	policy, err := s.store.Policy(ctx)
	if err != nil {
		return p, err
	}
	if p.Ledger, err = s.siteLedger(ctx, q.Get("after")); err != nil {
		return p, err
	}
	if p.Layers, err = s.store.Layers(ctx); err != nil {
		return p, err
	}
	if p.Bounds, err = s.openOn(ctx, q.Get("site")); err != nil {
		return p, err
	}
	if p.Search, err = s.search(ctx, q.Get("q")); err != nil {
		return p, err
	}
	if p.Casualty, err = s.casualty(ctx, policy, q); err != nil {
		return p, err
	}
	if p.Reach, err = s.reach(ctx, policy, q); err != nil {
		return p, err
	}
	p.Measure = s.measured(policy, q.Get("measure"))
	if p.Search.Bounds != "" {
		p.Bounds = p.Search.Bounds
	}
	for _, at := range []*placed{p.Search.At, p.Casualty.At} {
		if at != nil {
			p.At = at.LonLat()
		}
	}
	p.Whole = q.Get("site") == "" && q.Get("after") == "" && p.Search.Bounds == "" && p.Ledger.Next == ""
	p.Base = s.baseView()
	return p, nil
}

// openOn is what the map shows at first: a site, or the whole atlas.
func (s *Server) openOn(ctx context.Context, site string) (string, error) {
	if site != "" {
		row, err := s.store.Site(ctx, site)
		if err != nil {
			return "", err
		}
		return boundsText(row.Item.Geometry.Bound()), nil
	}
	bounds, ok, err := s.store.Bounds(ctx)
	if !ok {
		bounds = orb.Bound{Min: orb.Point{-180, -60}, Max: orb.Point{180, 75}}
	}
	return boundsText(bounds), err
}

func boundsText(b orb.Bound) string {
	return fmt.Sprintf("%.6f,%.6f,%.6f,%.6f", b.Left(), b.Bottom(), b.Right(), b.Top())
}

// placed is a place in the notations people read out.
type placed struct {
	Lon, Lat     float64
	USNG, LatLon string
}

func placeOf(p orb.Point) *placed {
	at := &placed{Lon: p.Lon(), Lat: p.Lat(), LatLon: position.Decimal(p, 6)}
	if ref, err := grid.USNG(p, grid.Metre); err == nil {
		at.USNG = ref
	}
	return at
}

// LonLat is the place as scripts take it.
func (p *placed) LonLat() string { return fmt.Sprintf("%.7f,%.7f", p.Lon, p.Lat) }

// renderPart writes a piece of the map page alone, for the script that puts it
// in place of the one before.
func (s *Server) renderPart(w http.ResponseWriter, r *http.Request, part string, body any) {
	units := survey.UnitsUS
	if policy, err := s.store.Policy(r.Context()); err == nil {
		units = policy.Units
	}
	var b bytes.Buffer
	if err := s.pages["map"].ExecuteTemplate(&b, part, []any{words(units), body}); err != nil {
		s.fail(w, r, fmt.Errorf("write part %s: %w", part, err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", typeHTML+"; charset=utf-8")
	h.Set("Cache-Control", cachePrivate)
	if _, err := w.Write(b.Bytes()); err != nil {
		s.log.InfoContext(r.Context(), "write part", "part", part, "error", err)
	}
}

// handleMapPoints gives the map what it draws of the points: verdict, class
// and bearing of each or, where they lie too close for a zoom, one mark for
// several with the worst verdict among them.
//
// GET /map/points?bbox=&zoom=
func (s *Server) handleMapPoints(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "bbox", "zoom")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	bound, err := bbox(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	zoom, err := zoomOf(q, bound)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if err := s.refresh(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	found, total, left := s.marks.gather(bound, zoom)
	out := mapFeatures{drawAll[any](len(found)), total, len(found), left}
	for _, c := range found {
		out.Features = append(out.Features, c.feature())
	}
	s.writeJSON(w, r, typeGeoJSON, out)
}

// zoomOf reads the zoom of a map, each whole one twice as near as the one
// before; without one a view is taken to be 1,024 pixels wide.
func zoomOf(q url.Values, b *orb.Bound) (float64, error) {
	if text := q.Get("zoom"); text != "" {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || !(v >= 0 && v <= zoomMost) {
			return 0, badParameter("zoom", sayNotFromZero, text, zoomMost)
		}
		return v, nil
	}
	if b == nil || b.Right() <= b.Left() {
		return 2, nil
	}
	return min(zoomMost, max(2, 2+math.Log2(360/(b.Right()-b.Left())))), nil
}

type mapPointProps struct {
	ID       string      `json:"id"`
	Label    string      `json:"label"`
	Site     string      `json:"site"`
	SiteName string      `json:"site_name"`
	Class    string      `json:"class"`
	Verdict  string      `json:"verdict"`
	Bearing  *float64    `json:"bearing,omitempty"`
	Sector   *[2]float64 `json:"sector,omitempty"`
}

type mapClusterProps struct {
	Count   int                    `json:"count"`
	Worst   int                    `json:"worst"`   // how many have the verdict
	Verdict string                 `json:"verdict"` // the worst among them
	Tally   map[answer.Verdict]int `json:"tally"`
	Bounds  [4]float64             `json:"bounds"` // west, south, east, north
}

// mapFeatures is what the map draws of the points.
type mapFeatures struct {
	drawnAll[any]
	NumberMatched  int `json:"numberMatched"` // points, whether drawn alone or not
	NumberReturned int `json:"numberReturned"`
	Unjudged       int `json:"unjudged"` // points of the atlas whose verdict is still being worked out; they count as unknown
}

func (c cluster) feature() drawn[any] {
	if c.count > 1 {
		return draw[any](c.at, mapClusterProps{
			Count: c.count, Worst: c.tally[c.worst], Verdict: string(c.worst), Tally: c.tally,
			Bounds: [4]float64{c.bound.Left(), c.bound.Bottom(), c.bound.Right(), c.bound.Top()},
		})
	}
	m := c.only
	p := mapPointProps{ID: m.id, Label: m.label, Site: m.site.id, SiteName: m.site.name, Class: string(m.class), Verdict: string(m.verdict)}
	if deg, ok := m.pull.Get(); ok {
		v := deg.Degrees()
		p.Bearing = &v
	}
	if sector, ok := m.sector.Get(); ok {
		p.Sector = &[2]float64{sector[0].Degrees(), sector[1].Degrees()}
	}
	f := draw[any](c.at, p)
	f.ID = m.id
	return f
}

// judgedNow judges single points, for what the marks do not keep.
func (s *Server) judgedNow(ctx context.Context, id string) (atlas.Judged, error) {
	return s.atlas.Point(ctx, id, atlas.Ask{})
}

// writeJSON writes a document in full or fails before the first byte.
func (s *Server) writeJSON(w http.ResponseWriter, r *http.Request, mediaType string, doc any) {
	s.writeJSONStatus(w, r, http.StatusOK, mediaType, doc)
}

func (s *Server) writeJSONStatus(w http.ResponseWriter, r *http.Request, code int, mediaType string, doc any) {
	b, err := json.Marshal(doc)
	if err != nil {
		s.fail(w, r, fmt.Errorf("write answer: %w", err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", mediaType)
	h.Add("Vary", "Accept")
	w.WriteHeader(code)
	if _, err := w.Write(append(b, '\n')); err != nil {
		s.log.InfoContext(r.Context(), "write answer", "error", err)
	}
}

// parted splits a list of positions in any notation, parted by semicolons.
func parted(text string) []string {
	var out []string
	for part := range strings.SplitSeq(text, ";") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}
