package server

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/go-chi/chi/v5"
	"github.com/paulmach/orb"

	"holdfast/geo/cql2"
	"holdfast/geo/vector"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/drawing"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// layersPage is the room of the GIS person.
type layersPage struct {
	Layers   []layerLine
	Removed  []survey.Layer
	Waiting  []*sent
	Imports  []importLine
	Mappings []sqlite.Mapping
	May      bool
	MostGB   int
	Origin   string // of the addresses that other programs connect to
	Sets     []collection
	Formats  []exportFormat
}

type layerLine struct {
	survey.Layer
	BBox *orb.Bound
}

// importLine is an import with what its report says.
type importLine struct {
	sqlite.Import
	Counts exchange.Report
	Ours   bool // it went to sites or points
}

// mostImports is how many imports the room lists.
const mostImports = 50

// handleLayers lists the layers, what came in, and the ways in and out.
//
// GET /layers
func (s *Server) handleLayers(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	body, err := s.layersRoom(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, http.StatusOK, "layers", page{Title: "Layers", Room: "layers", Body: body})
}

func (s *Server) layersRoom(r *http.Request) (layersPage, error) {
	ctx := r.Context()
	body := layersPage{May: !s.readOnly && may(ctx, survey.Load), MostGB: MaxFile >> 30, Origin: origin(r), Formats: exportFormats}
	layers, err := s.store.Layers(ctx)
	if err != nil {
		return body, err
	}
	for _, l := range layers {
		line := layerLine{Layer: l}
		b, _, ok, err := s.store.LayerContents(ctx, l.ID)
		if err != nil {
			return body, err
		}
		if ok {
			line.BBox = &b
		}
		body.Layers = append(body.Layers, line)
	}
	if body.Removed, err = s.store.RemovedLayers(ctx); err != nil {
		return body, err
	}
	if body.Sets, err = s.collections(ctx); err != nil {
		return body, err
	}
	if body.Mappings, err = s.store.Mappings(ctx); err != nil {
		return body, err
	}
	imports, err := s.store.Imports(ctx)
	if err != nil {
		return body, err
	}
	for _, i := range imports[:min(mostImports, len(imports))] {
		line := importLine{Import: i, Ours: i.Target == sqlite.Sites || i.Target == sqlite.Points}
		if err := json.Unmarshal(i.Report, &line.Counts); err != nil {
			return body, fmt.Errorf("read the report of import %d: %w", i.Number, err)
		}
		body.Imports = append(body.Imports, line)
	}
	if body.May {
		body.Waiting = s.spool.list()
	}
	return body, nil
}

// reportMap draws where the records of a file lie beside the sites on file.
func (s *Server) reportMap(ctx context.Context, r *exchange.Report) (plate, error) {
	o := drawing.Overview{}
	if b := r.BBox; b != nil {
		o.Extent = &orb.Bound{Min: orb.Point{b[0], b[1]}, Max: orb.Point{b[2], b[3]}}
	}
	rows, err := s.store.Sites(ctx, sqlite.Filter{Limit: 2000})
	if err != nil {
		return plate{}, err
	}
	for _, row := range rows {
		o.Known = append(o.Known, middle(row.Item.Geometry))
	}
	for _, rec := range r.Records {
		if rec.At != nil {
			o.Places = append(o.Places, orb.Point(*rec.At))
		}
	}
	for _, d := range r.Duplicates {
		if d.At != nil {
			o.Places = append(o.Places, orb.Point(*d.At))
		}
	}
	if c := r.Changes; c != nil {
		for _, one := range c.Listed {
			if one.At != nil {
				o.Places = append(o.Places, orb.Point(*one.At))
			}
		}
	}
	d := o.Draw(drawing.Size{W: 120, H: 80})
	var b bytes.Buffer
	if err := d.SVG(&b, "where"); err != nil {
		return plate{}, fmt.Errorf("draw where the file lies: %w", err)
	}
	return plate{Title: d.Title, SVG: template.HTML(b.String())}, nil
}

// askPage asks before something is done.
type askPage struct {
	Heading string
	Says    []string
	Items   []sqlite.UndoItem
	Kept    int
	Action  string
	Button  string
	Refused string // why it cannot be done
}

// handleAskRemove asks before a layer is taken out.
//
// GET /layers/{id}/remove
func (s *Server) handleAskRemove(w http.ResponseWriter, r *http.Request) {
	l, err := s.store.Layer(r.Context(), pathID(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "ask", page{Title: sayTakeOut + l.Title, Room: "layers", Body: askPage{
		Heading: sayTakeOut + l.Title + "?", Action: "/layers/" + l.ID + "/remove", Button: sayTakeItOut,
		Says: []string{
			fmt.Sprintf(sayLayerTakesPart, l.Role),
			sayLayerKept,
		},
	}})
}

// handleRemove takes a layer out.
//
// POST /layers/{id}/remove
func (s *Server) handleRemove(w http.ResponseWriter, r *http.Request) {
	s.changeLayer(w, r, s.store.RemoveLayer)
}

// handleRestore puts a layer back that was taken out.
//
// POST /layers/{id}/restore
func (s *Server) handleRestore(w http.ResponseWriter, r *http.Request) {
	s.changeLayer(w, r, s.store.RestoreLayer)
}

func (s *Server) changeLayer(w http.ResponseWriter, r *http.Request, do func(context.Context, string, sqlite.Author) error) {
	if err := s.writableNow(); err != nil {
		s.fail(w, r, err)
		return
	}
	if err := do(r.Context(), pathID(r), author(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/layers", http.StatusSeeOther)
}

// handleAskUndo shows what undoing an import would do.
//
// GET /imports/{number}/undo
func (s *Server) handleAskUndo(w http.ResponseWriter, r *http.Request) {
	i, err := s.importAt(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	body := askPage{Heading: fmt.Sprintf(sayUndoImport, i.Number), Action: fmt.Sprintf("/imports/%d/undo", i.Number), Button: sayUndoIt}
	body.Says = []string{fmt.Sprintf(sayCameInAs, i.File, i.Target, i.Who)}
	if err := s.mayUndo(r.Context(), i); err != nil {
		body.Refused = problemOf(err).Detail
	} else if u, err := s.store.PlanUndo(r.Context(), i.Number); err != nil {
		p := problemOf(err)
		if p.Status >= http.StatusInternalServerError {
			s.fail(w, r, err)
			return
		}
		body.Refused = p.Detail
	} else {
		body.Items, body.Kept = u.Items, len(u.Kept())
		if u.Layer != "" {
			body.Says = append(body.Says, sentence(u.Layer))
		}
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, http.StatusOK, "ask", page{Title: body.Heading, Room: "layers", Body: body})
}

// importAt is the import that the address names.
func (s *Server) importAt(r *http.Request) (sqlite.Import, error) {
	text := chi.URLParam(r, "number")
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 1 {
		return sqlite.Import{}, survey.NotFound("import", text)
	}
	return s.store.Import(r.Context(), n)
}

// mayUndo asks for the leave that undoing needs.
func (s *Server) mayUndo(ctx context.Context, i sqlite.Import) error {
	need := survey.Load
	if i.Target == sqlite.Sites || i.Target == sqlite.Points {
		need |= survey.Record | survey.Remove
	}
	if i.Target == sqlite.Sites {
		need |= survey.SignOff // what comes back comes with its review
	}
	if err := s.writableNow(); err != nil {
		return err
	}
	if !may(ctx, need) {
		return status(http.StatusForbidden, sayMayNotUndo, need&^visitorOf(ctx).leave)
	}
	return nil
}

// handleUndo takes an import back.
//
// POST /imports/{number}/undo
func (s *Server) handleUndo(w http.ResponseWriter, r *http.Request) {
	i, err := s.importAt(r)
	if err == nil {
		err = s.mayUndo(r.Context(), i)
	}
	if err == nil {
		_, err = s.store.UndoImport(r.Context(), i.Number, r.PostFormValue("keep") != "", author(r))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/layers#imports", http.StatusSeeOther)
}

// exportFormat is a file format that collections are taken out in.
type exportFormat struct {
	Ending string
	Format vector.Format
	kind   string
}

var exportFormats = []exportFormat{
	{"geojson", vector.GeoJSON, typeGeoJSON},
	{"gpkg", vector.GeoPackage, "application/geopackage+sqlite3"},
	{"zip", vector.Shapefile, "application/zip"},
	{"csv", vector.CSV, "text/csv; charset=utf-8"},
	{"kml", vector.KML, "application/vnd.google-earth.kml+xml"},
	{"gpx", vector.GPX, "application/gpx+xml"},
	{"geojsonl", vector.TextSequence, "application/geo+json-seq"},
}

// exportable refuses a coordinate system that is not known, and a condition on
// what is not there or may not be seen: what may not be seen may not be asked
// for either.
func (s *Server) exportable(ctx context.Context, q url.Values) error {
	if name := first(q, "crs"); name != "" {
		if _, err := vector.ParseCRS(name); err != nil {
			return badParameter("crs", sayNoSystemToWrite, name)
		}
	}
	all, err := s.collections(ctx)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(all, func(c collection) bool { return c.ID == q.Get("collection") })
	if i < 0 {
		return survey.NotFound("collection", q.Get("collection"))
	}
	if first(q, "filter") == "" {
		return nil
	}
	c := all[i]
	if !may(ctx, survey.Contacts) {
		c = c.discreet()
	}
	e, err := cql2.ParseText(first(q, "filter"))
	if err == nil {
		_, err = cql2.Compile(e, c.queryables)
	}
	if err != nil {
		return badParameter("filter", sayNotUnderstood, err)
	}
	return nil
}

// handleExport writes a collection to a file. It is written whole before it is
// sent, so that what arrives is whole or an error.
//
// GET /layers/export?collection=&format=&crs=&filter=
func (s *Server) handleExport(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "collection", "format", "crs", "filter", "bbox")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	i := slices.IndexFunc(exportFormats, func(f exportFormat) bool { return f.Ending == q.Get("format") })
	if i < 0 {
		s.fail(w, r, badParameter("format", sayNotWritten, q.Get("format")))
		return
	}
	format := exportFormats[i]
	box, err := bbox(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if err := s.exportable(r.Context(), q); err != nil {
		s.fail(w, r, err)
		return
	}
	f, discard, err := spare()
	if err != nil {
		s.fail(w, r, err)
		return
	}
	defer discard()
	done := func(int) error { return r.Context().Err() }
	out, err := s.atlas.Export(r.Context(), f, atlas.Export{
		Collection: q.Get("collection"), Bound: box, Where: first(q, "filter"), Format: format.Format, CRS: first(q, "crs"), Each: done,
	})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.note(r, "export", map[string]any{"collection": out.Collection, "format": format.Ending, "records": out.Records})
	h := w.Header()
	h.Set("Content-Type", format.kind)
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": q.Get("collection") + "." + format.Ending}))
	h.Set("Cache-Control", "no-store")
	if err := hand(w, f); err != nil {
		s.log.InfoContext(r.Context(), "write export", "error", err)
		panic(http.ErrAbortHandler) // so that a part is not taken for the whole
	}
}
