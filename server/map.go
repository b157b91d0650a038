package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/grid"
	"holdfast/geo/position"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const (
	ledgerSites = 40   // sites on one page of the ledger
	hitsShown   = 25   // of a search, per kind
	mapPoints   = 2000 // in one view of the map
)

type mapPage struct {
	Query    string
	Position *mapPosition
	Hits     []mapHit
	Missing  string // why a search found nothing
	Counted  string
	Sites    []mapSite
	Next     string // address of the next page of the ledger
	Layers   []survey.Layer
	Bounds   string // west,south,east,north
	At       string // lon,lat to open on
}

type mapPosition struct{ USNG, LatLon string }

type mapHit struct{ Name, What, Href string }

type mapSite struct {
	Site   survey.Site
	Points []brief
}

// handleMap shows the map with the ledger of sites and points.
//
// GET /
func (s *Server) handleMap(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "q", "site", "after")
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

func (s *Server) mapBody(ctx context.Context, q url.Values) (mapPage, error) {
	p := mapPage{Query: strings.TrimSpace(q.Get("q"))}
	if err := s.mapLedger(ctx, &p, q.Get("after")); err != nil {
		return p, err
	}
	layers, err := s.store.Layers(ctx)
	if err != nil {
		return p, err
	}
	for _, l := range layers {
		if l.Role != survey.RoleElevation {
			p.Layers = append(p.Layers, l)
		}
	}
	bounds, ok, err := s.store.Bounds(ctx)
	if err != nil {
		return p, err
	}
	if !ok {
		bounds = orb.Bound{Min: orb.Point{-180, -60}, Max: orb.Point{180, 75}}
	}
	if id := q.Get("site"); id != "" {
		row, err := s.store.Site(ctx, id)
		if err != nil {
			return p, err
		}
		bounds = row.Item.Geometry.Bound()
	}
	p.Bounds = boundsText(bounds)
	if p.Query != "" {
		err = s.search(ctx, &p)
	}
	return p, err
}

// mapLedger lists one page of sites with their points.
func (s *Server) mapLedger(ctx context.Context, p *mapPage, after string) error {
	sites, err := s.store.Sites(ctx, sqlite.Filter{After: after, Limit: ledgerSites + 1})
	if err != nil {
		return err
	}
	if len(sites) > ledgerSites {
		sites = sites[:ledgerSites]
		p.Next = "/?" + url.Values{"after": {sites[ledgerSites-1].Item.ID}}.Encode()
	}
	for _, site := range sites {
		rows, err := s.store.Points(ctx, sqlite.Filter{Site: site.Item.ID, Limit: mapPoints})
		if err != nil {
			return err
		}
		points, err := s.briefsOf(ctx, rows)
		if err != nil {
			return err
		}
		bestFirst(points)
		p.Sites = append(p.Sites, mapSite{Site: site.Item, Points: points})
	}
	total, err := s.store.CountSites(ctx, sqlite.Filter{})
	if err != nil {
		return err
	}
	surveyed, err := s.store.CountPoints(ctx, sqlite.Filter{})
	if err != nil {
		return err
	}
	p.Counted = fmt.Sprintf("%s with %s.", countOf(total, "site", "sites"), countOf(surveyed, "point", "points"))
	if total == 0 {
		p.Counted = "This atlas is empty: no site has been surveyed yet."
	}
	return nil
}

func boundsText(b orb.Bound) string {
	return fmt.Sprintf("%.6f,%.6f,%.6f,%.6f", b.Left(), b.Bottom(), b.Right(), b.Top())
}

func countOf(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// search looks a text up as a position and as the name of a site or point.
func (s *Server) search(ctx context.Context, p *mapPage) error {
	at, notPosition := position.Parse(p.Query)
	if notPosition == nil {
		p.At = fmt.Sprintf("%.7f,%.7f", at.Point.Lon(), at.Point.Lat())
		p.Position = &mapPosition{LatLon: position.Decimal(at.Point, 6)}
		if ref, err := grid.USNG(at.Point, grid.Metre); err == nil {
			p.Position.USNG = ref
		}
	}
	found := orb.MultiPoint{}
	f := sqlite.Filter{Text: p.Query, Limit: hitsShown}
	sites, err := s.store.Sites(ctx, f)
	if err != nil {
		return err
	}
	for _, row := range sites {
		b := row.Item.Geometry.Bound()
		found = append(found, b.Min, b.Max)
		p.Hits = append(p.Hits, mapHit{Name: row.Item.Name, What: "site " + row.Item.Code, Href: "/sites/" + url.PathEscape(row.Item.ID)})
	}
	points, err := s.store.Points(ctx, f)
	if err != nil {
		return err
	}
	for _, row := range points {
		site, err := s.store.Site(ctx, row.Item.Site)
		if err != nil {
			return err
		}
		found = append(found, row.Item.Position)
		p.Hits = append(p.Hits, mapHit{Name: row.Item.Label, What: "point at " + site.Item.Name, Href: "/points/" + url.PathEscape(row.Item.ID)})
	}
	if len(p.Hits) > 0 {
		p.Bounds = boundsText(found.Bound())
	}
	if len(p.Hits) > 0 || p.Position != nil {
		return nil
	}
	p.Missing = "Nothing here has that name, code or label, and it is not a position."
	if ambiguous, ok := errors.AsType[*position.AmbiguousError](notPosition); ok {
		p.Missing = sentence(ambiguous.Error())
	}
	return nil
}

// handleMapPoints gives the map what it draws of each point: the verdict, the
// class and the bearing, worked out here.
//
// GET /map/points?bbox=
func (s *Server) handleMapPoints(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "bbox")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	bound, err := bbox(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out, err := s.mapFeatures(r.Context(), sqlite.Filter{Bound: bound, Limit: mapPoints})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, typeGeoJSON, out)
}

type mapFeature struct {
	Type       string          `json:"type"`
	ID         string          `json:"id"`
	Geometry   mapGeometry     `json:"geometry"`
	Properties mapFeatureProps `json:"properties"`
}

type mapGeometry struct {
	Type        string    `json:"type"`
	Coordinates orb.Point `json:"coordinates"`
}

type mapFeatureProps struct {
	ID       string      `json:"id"`
	Label    string      `json:"label"`
	Href     string      `json:"href"`
	Site     string      `json:"site"`
	SiteName string      `json:"site_name"`
	SiteCode string      `json:"site_code"`
	SiteHref string      `json:"site_href"`
	Class    string      `json:"class"`
	Verdict  string      `json:"verdict"`
	Sentence string      `json:"sentence"`
	Bearing  *float64    `json:"bearing,omitempty"`
	Sector   *[2]float64 `json:"sector,omitempty"`
}

type mapFeatures struct {
	Type           string       `json:"type"`
	NumberMatched  int          `json:"numberMatched"`
	NumberReturned int          `json:"numberReturned"`
	Features       []mapFeature `json:"features"`
}

func (s *Server) mapFeatures(ctx context.Context, f sqlite.Filter) (mapFeatures, error) {
	out := mapFeatures{Type: "FeatureCollection", Features: []mapFeature{}}
	rows, err := s.store.Points(ctx, f)
	if err != nil {
		return out, err
	}
	briefs, err := s.briefsOf(ctx, rows)
	if err != nil {
		return out, err
	}
	sites := make(map[string]survey.Site)
	for _, b := range briefs {
		site, ok := sites[b.Site]
		if !ok {
			row, err := s.store.Site(ctx, b.Site)
			if err != nil {
				return out, err
			}
			site = row.Item
			sites[b.Site] = site
		}
		props := mapFeatureProps{
			ID: b.ID, Label: b.Label, Href: "/points/" + url.PathEscape(b.ID),
			Site: site.ID, SiteName: site.Name, SiteCode: site.Code, SiteHref: "/sites/" + url.PathEscape(site.ID),
			Class: string(b.Class), Verdict: string(b.Verdict), Sentence: b.Sentence,
		}
		if deg, ok := b.Pull.Get(); ok {
			v := deg.Degrees()
			props.Bearing = &v
		}
		if sector, ok := b.Sector.Get(); ok {
			props.Sector = &[2]float64{sector[0].Degrees(), sector[1].Degrees()}
		}
		out.Features = append(out.Features, mapFeature{
			Type: "Feature", ID: b.ID, Properties: props, Geometry: mapGeometry{Type: "Point", Coordinates: b.Position},
		})
	}
	out.NumberReturned = len(out.Features)
	out.NumberMatched, err = s.store.CountPoints(ctx, f)
	return out, err
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
