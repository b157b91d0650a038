package server

import (
	"context"
	"errors"
	"net/url"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/cql2"
	"holdfast/geo/position"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const hitsShown = 25 // of a search, per kind

// searched is what a search found.
type searched struct {
	Query    string
	At       *placed       // the text is a position
	Readings []readingView // or could be one of several
	Hits     []mapHit
	Missing  string // why nothing was found
	Bounds   string // of what was found
}

type mapHit struct{ Name, What, Href string }

// readingView is one of the meanings of a text that could be several places.
type readingView struct {
	As   string
	At   *placed
	Href string
}

// search looks a text up as a position, as the name, code or label of a site
// or point, and in what is written about getting to a site.
func (s *Server) search(ctx context.Context, text string) (searched, error) {
	out := searched{Query: strings.TrimSpace(text)}
	if out.Query == "" {
		return out, nil
	}
	at, notPosition := position.Parse(out.Query)
	if notPosition == nil {
		out.At = placeOf(at.Point)
	}
	if ambiguous, ok := errors.AsType[*position.AmbiguousError](notPosition); ok {
		out.Readings = readingsOf(ambiguous, func(p *placed) string { return "/?" + url.Values{"q": {p.LatLon}}.Encode() })
	}
	found := orb.MultiPoint{}
	hit := map[string]bool{}
	site := func(item survey.Site, what string) {
		if hit[item.ID] {
			return
		}
		hit[item.ID] = true
		b := item.Geometry.Bound()
		found = append(found, b.Min, b.Max)
		out.Hits = append(out.Hits, mapHit{Name: item.Name, What: what, Href: "/sites/" + url.PathEscape(item.ID)})
	}
	f := sqlite.Filter{Text: out.Query, Limit: hitsShown}
	sites, err := s.store.Sites(ctx, f)
	if err != nil {
		return out, err
	}
	for _, row := range sites {
		site(row.Item, "site "+row.Item.Code)
	}
	points, err := s.store.Points(ctx, f)
	if err != nil {
		return out, err
	}
	for _, row := range points {
		at, err := s.store.Site(ctx, row.Item.Site)
		if err != nil {
			return out, err
		}
		found = append(found, row.Item.Position)
		out.Hits = append(out.Hits, mapHit{Name: row.Item.Label, What: sayPointAt + at.Item.Name, Href: "/points/" + url.PathEscape(row.Item.ID)})
	}
	if notPosition != nil && out.Readings == nil {
		ways, err := s.sitesByAddress(ctx, out.Query)
		if err != nil {
			return out, err
		}
		for _, row := range ways {
			site(row.Item, "site "+row.Item.Code+sayByAddress)
		}
	}
	if len(found) > 0 {
		out.Bounds = boundsText(found.Bound())
	}
	if len(out.Hits) == 0 && out.At == nil && out.Readings == nil {
		out.Missing = sayNothingFound + notPosition.Error() + "."
	}
	return out, nil
}

// sitesByAddress looks into what is written of how to get to a site.
func (s *Server) sitesByAddress(ctx context.Context, text string) ([]sqlite.Row[survey.Site], error) {
	pattern := cql2.Call{Op: cql2.CaseI, Args: []cql2.Expr{cql2.String{Value: "%" + strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(text) + "%"}}}
	either := cql2.Call{Op: cql2.Or}
	fields := cql2.Queryables{}
	for _, name := range []string{"access", "staging", "district", "notes"} {
		fields[name] = cql2.StringType
		own := cql2.Call{Op: cql2.CaseI, Args: []cql2.Expr{cql2.Property{Name: name}}}
		either.Args = append(either.Args, cql2.Call{Op: cql2.Like, Args: []cql2.Expr{own, pattern}})
	}
	where, err := cql2.Compile(either, fields)
	if err != nil {
		return nil, survey.Invalid("", sayNotSearchable, err)
	}
	return s.store.Sites(ctx, sqlite.Filter{Where: where, Limit: hitsShown})
}

// readingsOf lists the meanings of a text, each with the address that takes it
// so. None is taken for the likely one.
func readingsOf(e *position.AmbiguousError, href func(*placed) string) []readingView {
	out := make([]readingView, len(e.Readings))
	for i, r := range e.Readings {
		at := placeOf(r.Point)
		out[i] = readingView{r.As, at, href(at)}
	}
	return out
}
