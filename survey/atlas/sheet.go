package atlas

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/grid"
	"holdfast/survey"
	"holdfast/survey/drawing"
	"holdfast/survey/preplan"
	"holdfast/survey/sqlite"
)

// mapMargin is how far beyond a site its map may reach.
const mapMargin = 400 * geo.Metre

// Print is how a sheet is to be printed.
type Print struct {
	Paper preplan.Paper
	// Address is where the server is reached, such as https://atlas.example,
	// for the code to scan; "" where that is not known.
	Address string
}

// printing is what the sheets of one print have in common.
type printing struct {
	Print
	setting
	revision int64                        // of the atlas
	open     map[string]map[string]bool   // what two stations recorded differently, by collection and id
	sameCode map[string][]sqlite.CodeSite // the others with the code of a site, by its id
}

func (a Atlas) printing(ctx context.Context, print Print) (printing, error) {
	p := printing{Print: print, open: map[string]map[string]bool{sqlite.Sites: {}, sqlite.Points: {}}, sameCode: map[string][]sqlite.CodeSite{}}
	var err error
	if p.setting, err = a.setting(ctx); err != nil {
		return p, err
	}
	if p.revision, err = a.Store.Revision(ctx); err != nil {
		return p, fmt.Errorf("load atlas revision: %w", err)
	}
	open, err := a.Store.OpenConflicts(ctx)
	if err != nil {
		return p, err
	}
	for _, c := range open {
		if of := p.open[c.Collection]; of != nil {
			of[c.ID] = true
		}
	}
	shared, err := a.Store.SharedCodes(ctx)
	for _, c := range shared {
		for _, site := range c.Sites {
			p.sameCode[site.ID] = c.Others(site.ID)
		}
	}
	return p, err
}

// site is the address of a site on the server.
func (p printing) site(s survey.Site) string {
	if p.Address == "" {
		return ""
	}
	name := cmp.Or(s.Code, s.ID)
	if p.sameCode[s.ID] != nil {
		name = s.ID // the code names another too
	}
	return strings.TrimSuffix(p.Address, "/") + "/sites/" + url.PathEscape(name)
}

// Sheet arranges the sheet of a site as it stands now.
func (a Atlas) Sheet(ctx context.Context, idOrCode string, print Print) (preplan.Sheet, error) {
	p, err := a.printing(ctx, print)
	if err != nil {
		return preplan.Sheet{}, err
	}
	site, err := a.Store.Site(ctx, idOrCode)
	if err != nil {
		return preplan.Sheet{}, err
	}
	return a.sheet(ctx, site, p)
}

// Book writes the sheets of sites, in the order of their codes, as one PDF with
// contents and index; without any named, of all sites. progress, when not nil,
// is told how many are done of how many.
func (a Atlas) Book(ctx context.Context, w io.Writer, sites []string, print Print, progress func(done, all int)) error {
	rows, err := a.bookSites(ctx, sites)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return survey.Invalid("", "there is no site to print")
	}
	p, err := a.printing(ctx, print)
	if err != nil {
		return err
	}
	in := preplan.BookInput{Policy: p.policy, PrintedAt: p.asOf, Paper: print.Paper, AtlasRevision: p.revision}
	for _, r := range rows {
		in.Sites = append(in.Sites, r.Item)
	}
	book := preplan.NewBook(w, in)
	for i, r := range rows {
		s, err := a.sheet(ctx, r, p)
		if err != nil {
			return fmt.Errorf("make the sheet of %s: %w", r.Item.Code, err)
		}
		book.Add(s)
		if progress != nil {
			progress(i+1, len(rows))
		}
	}
	return book.Close()
}

// bookSites are the sites named, each once, or all, by code.
func (a Atlas) bookSites(ctx context.Context, names []string) (rows []sqlite.Row[survey.Site], err error) {
	if len(names) == 0 {
		if rows, err = a.Store.Sites(ctx, sqlite.Filter{}); err != nil {
			return nil, fmt.Errorf("list sites: %w", err)
		}
	}
	for _, name := range names {
		r, err := a.Store.Site(ctx, name)
		if err != nil {
			return nil, err
		}
		rows = append(rows, r)
	}
	slices.SortStableFunc(rows, func(x, y sqlite.Row[survey.Site]) int {
		return cmp.Or(cmp.Compare(x.Item.Code, y.Item.Code), cmp.Compare(x.Item.ID, y.Item.ID))
	})
	return slices.CompactFunc(rows, func(x, y sqlite.Row[survey.Site]) bool { return x.Item.ID == y.Item.ID }), nil
}

// sheet arranges a sheet of a print.
func (a Atlas) sheet(ctx context.Context, site sqlite.Row[survey.Site], print printing) (preplan.Sheet, error) {
	judged, err := a.judgeSite(ctx, site, print.setting, Ask{})
	if err != nil {
		return preplan.Sheet{}, err
	}
	in := preplan.Input{
		Site: site.Item, SiteRevision: site.Revision, AtlasRevision: print.revision, Unsettled: print.unsettled(site.Item, judged),
		Policy: print.policy, PrintedAt: print.asOf, Paper: print.Paper, Address: print.site(site.Item), GridRef: gridRef,
	}
	bound := site.Item.Geometry.Bound()
	for _, j := range judged {
		bound = bound.Extend(j.Point.Item.Position)
		p := preplan.PointInput{Point: j.Point.Item, Answer: j.Answer, Near: j.Around, UpdatedAt: j.Point.UpdatedAt}
		if p.Sharing, err = sharing(print.setting, j); err != nil {
			return preplan.Sheet{}, err
		}
		if p.Profile, err = a.profile(ctx, j); err != nil {
			return preplan.Sheet{}, err
		}
		in.Points = append(in.Points, p)
	}
	for _, other := range print.sameCode[site.Item.ID] {
		in.SameCode = append(in.SameCode, other.Name)
	}
	if in.Layers, err = a.layersIn(ctx, bound); err != nil {
		return preplan.Sheet{}, err
	}
	return preplan.Arrange(in), nil
}

// unsettled names what of a site two stations recorded differently.
func (p printing) unsettled(site survey.Site, judged []Judged) []string {
	var out []string
	if p.open[sqlite.Sites][site.ID] {
		out = append(out, "the site")
	}
	for _, j := range judged {
		if p.open[sqlite.Points][j.Point.Item.ID] {
			out = append(out, j.Point.Item.Label)
		}
	}
	return out
}

// sharing is how the lashings of the best rig take up the pull; nil where the
// best anchor has none.
func sharing(set setting, j Judged) ([]drawing.Series, error) {
	best, ok := j.Answer.Best()
	if !ok || best.Main.Anchor.Kind != survey.KindRig {
		return nil, nil
	}
	curve, ok, err := set.engine.Sharing(set.input(j.Point.Item, j.Site.Item, j.Around, Ask{}), best.Main.Anchor.Rig)
	if err != nil || !ok || len(curve.Points) == 0 {
		return nil, err
	}
	out := make([]drawing.Series, len(curve.Points[0].LashingsN))
	for gap := range out {
		out[gap].Name = fmt.Sprintf("head of row %d to foot of row %d", gap+1, gap+2)
		for _, p := range curve.Points {
			out[gap].Points = append(out[gap].Points, drawing.Share{Pull: survey.Force(p.PullN), Force: survey.Force(p.LashingsN[gap])})
		}
	}
	return out, nil
}

// profile is the ground line along the pull by the first elevation layer that
// covers the point; nil where there is none.
func (a Atlas) profile(ctx context.Context, j Judged) ([]drawing.Station, error) {
	const shown, step = 60 * geo.Metre, geo.Metre
	pull, ok := j.Answer.Pull.TrueDeg.Get()
	if !ok {
		return nil, nil
	}
	for _, n := range j.Around.Of(survey.RoleElevation) {
		if n.Distance > 0 {
			continue
		}
		s, err := a.Surface(ctx, n.Feature.LayerID)
		if err != nil {
			return nil, err
		}
		section, err := s.Section(j.Point.Item.Position, pull, shown, step)
		if err != nil {
			return nil, fmt.Errorf("cut a section in %s: %w", n.Layer, err)
		}
		var out []drawing.Station
		for _, st := range section {
			if !st.Known || !section[0].Known {
				break // beyond an unknown height the line is not known to be one bank
			}
			out = append(out, drawing.Station{Along: st.Distance, Height: st.Height - section[0].Height})
		}
		if len(out) > 1 {
			return out, nil
		}
	}
	return nil, nil
}

// layersIn loads the layer features in and around a bound.
func (a Atlas) layersIn(ctx context.Context, b orb.Bound) ([]survey.LayerFeature, error) {
	near, _, err := a.Store.LayersNear(ctx, b.Center(), geodesic.Distance(b.Min, b.Max)/2+mapMargin)
	if err != nil {
		return nil, fmt.Errorf("load layers near the site: %w", err)
	}
	return near, nil
}

// gridRef writes a position to the metre; "" where it has no grid reference.
func gridRef(p orb.Point) string {
	ref, err := grid.USNG(p, grid.Metre)
	if err != nil {
		return ""
	}
	return ref
}
