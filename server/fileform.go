package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"

	"holdfast/geo"
	"holdfast/geo/vector"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// asLayer, beside sqlite.Sites and sqlite.Points, is what a file may be.
const asLayer = "layer"

// filePage shows what was found in a file and asks what it is.
type filePage struct {
	File     *sent
	Wrong    string
	As       string
	Ways     []string // what it may be
	Table    exchange.Table
	Tables   []exchange.Table
	Columns  []fileColumn
	Form     map[string]string
	Roles    []survey.Role
	Replaces *survey.Layer // the layer of that name on file
	Saved    []sqlite.Mapping
	Sites    []survey.Site
	Targets  []string // the properties a column may become
	May      bool
}

// fileColumn is a column with what it becomes.
type fileColumn struct {
	exchange.Column
	Field string // of the form
	To    string // the property chosen or proposed; asNamed keeps it
	Keeps bool   // it may stay as it is named
}

// asNamed is a column that is read under its own name.
const asNamed = "="

// mostColumns is how many columns a form maps.
const mostColumns = 300

func (s *Server) renderFile(w http.ResponseWriter, r *http.Request, one *sent, form url.Values, wrong string) {
	body := filePage{File: one, Wrong: wrong, Tables: one.Found.Tables, Roles: survey.Roles, Ways: []string{asLayer}, Form: map[string]string{}}
	if len(one.Found.Tables) > 0 {
		body.Ways = []string{asLayer, sqlite.Points, sqlite.Sites}
		body.Table = tableOf(one, first(form, "table"))
	}
	if body.As = first(form, "as"); !slices.Contains(body.Ways, body.As) {
		body.As = guess(one, body.Table)
	}
	for name := range form {
		body.Form[name] = form.Get(name)
	}
	err := s.fillFile(r.Context(), &body)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	body.May = !s.readOnly && allowedIntake(r.Context(), atlas.Intake{Of: collectionOf(body.As)}) == nil
	code := http.StatusOK
	if wrong != "" {
		code = http.StatusBadRequest
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, code, "file", page{Title: sayBringIn + one.Name, Room: "layers", Body: body})
}

// fillFile fills in what the form offers and what it starts from.
func (s *Server) fillFile(ctx context.Context, body *filePage) error {
	fresh := true
	for name := range body.Form {
		fresh = fresh && (name == "as" || name == "table")
	}
	if body.As == asLayer {
		if fresh {
			body.Form["title"] = titleOf(body.File.Name, body.Table, len(body.Tables))
		}
		l, err := s.store.Layer(ctx, survey.LayerID(body.Form["title"]))
		if err == nil {
			body.Replaces = &l
			if fresh {
				body.Form["title"], body.Form["role"], body.Form["licence"] = l.Title, string(l.Role), l.Licence
			}
		} else if !errors.Is(err, survey.ErrNotFound) {
			return err
		}
		if body.File.Found.Grid != nil {
			body.Form["role"] = string(survey.RoleElevation)
		}
		return nil
	}
	propose := exchange.ProposePoint
	body.Targets = exchange.PointProperties()
	if body.As == sqlite.Sites {
		propose, body.Targets = exchange.ProposeSite, exchange.SiteProperties()
	}
	if body.Form["within"] == "" {
		body.Form["within"] = strconv.FormatFloat(atlas.DefaultWithin.Metres(), 'g', -1, 64)
	}
	for i, c := range body.Table.Columns {
		if i == mostColumns {
			break
		}
		one := fileColumn{Column: c, Field: "col" + strconv.Itoa(i), Keeps: c.Type == vector.JSON}
		if one.To = body.Form[one.Field]; fresh {
			if one.To = propose(c.Name); one.Keeps {
				one.To = asNamed
			}
		}
		body.Columns = append(body.Columns, one)
	}
	saved, err := s.store.Mappings(ctx)
	if err != nil {
		return err
	}
	body.Saved = slices.DeleteFunc(saved, func(m sqlite.Mapping) bool { return m.Of != body.As })
	if body.As == sqlite.Points {
		rows, err := s.store.Sites(ctx, sqlite.Filter{Order: sqlite.Order{By: "name"}, Limit: 500})
		if err != nil {
			return err
		}
		for _, row := range rows {
			body.Sites = append(body.Sites, row.Item)
		}
	}
	return nil
}

func tableOf(one *sent, name string) exchange.Table {
	for _, t := range one.Found.Tables {
		if t.Name == name {
			return t
		}
	}
	return one.Found.Tables[0]
}

// guess is what a table looks like: points have a label and a site, sites a
// code and a name. Somebody confirms it.
func guess(one *sent, t exchange.Table) string {
	has := func(propose func(string) string, want ...string) bool {
		for _, name := range want {
			if !slices.ContainsFunc(t.Columns, func(c exchange.Column) bool { return propose(c.Name) == name }) {
				return false
			}
		}
		return true
	}
	switch {
	case one.Found.Grid != nil:
		return asLayer
	case has(exchange.ProposePoint, "label", "site"):
		return sqlite.Points
	case has(exchange.ProposeSite, "code", "name", "kind"):
		return sqlite.Sites
	}
	return asLayer
}

func titleOf(file string, t exchange.Table, tables int) string {
	if tables > 1 && t.Name != "" {
		return t.Name
	}
	stem := strings.TrimSuffix(file, path.Ext(file))
	return strings.TrimSpace(strings.NewReplacer("_", " ", "-", " ").Replace(stem))
}

func collectionOf(as string) string {
	if as == asLayer {
		return ""
	}
	return as
}

// intakeOf reads the form of a file.
func (s *Server) intakeOf(ctx context.Context, one *sent, form url.Values) (atlas.Intake, error) {
	in := atlas.Intake{Of: collectionOf(first(form, "as")), CRS: first(form, "crs"), Table: first(form, "table"), Key: first(form, "key"), Within: atlas.DefaultWithin}
	switch in.Of {
	case "", sqlite.Sites, sqlite.Points:
	default:
		return in, survey.Invalid("", sayWhatFileHolds)
	}
	if err := allowedIntake(ctx, in); err != nil {
		return in, err
	}
	if in.CRS != "" {
		if _, err := vector.ParseCRS(in.CRS); err != nil {
			return in, survey.Invalid("", sayNoSystemForFile, in.CRS)
		}
	}
	if in.Of == "" {
		return in, s.layerForm(one, form, &in)
	}
	if one.Found.Grid != nil {
		return in, survey.Invalid("", sayGridIsElevation)
	}
	in.KeepReviews = !may(ctx, survey.SignOff)
	if text := first(form, "within"); text != "" {
		m, err := survey.ParseTyped(text)
		if err != nil {
			return in, survey.Invalid("", sayDuplicatesBetween, err)
		}
		if !(m >= 0 && m <= 1000) {
			return in, survey.Invalid("", sayDuplicatesNot, text)
		}
		in.Within = geo.Length(m)
	}
	var err error
	in.Map, err = s.mappingForm(ctx, tableOf(one, in.Table), in.Of, form)
	return in, err
}

func (s *Server) layerForm(one *sent, form url.Values, in *atlas.Intake) error {
	var err error
	if in.Layer, err = readLayerForm(form); err != nil {
		return err
	}
	title := in.Layer.Title
	in.Layer.ID = survey.LayerID(title)
	if one.Found.Grid != nil {
		in.Layer.Role = survey.RoleElevation
		in.Unit = atlas.HeightUnits[first(form, "unit")]
	} else if in.Layer.Role == survey.RoleElevation {
		return survey.Invalid("", sayElevationIsGrid)
	}
	if title != "" && in.Layer.ID == "" {
		return survey.Invalid("", sayNameNoAddress, title)
	}
	return in.Layer.Validate()
}

// mappingForm makes a mapping of what is chosen for each column; nil when the
// columns are called as ours are.
func (s *Server) mappingForm(ctx context.Context, t exchange.Table, of string, form url.Values) (*exchange.Mapping, error) {
	read := exchange.MapPoints
	if of == sqlite.Sites {
		read = exchange.MapSites
	}
	if name := first(form, "saved"); name != "" {
		m, err := s.store.Mapping(ctx, name)
		if err != nil {
			return nil, err
		}
		if m.Of != of {
			return nil, survey.Invalid("", sayMappingFor, m.Name, m.Of)
		}
		return read(m.Body)
	}
	m := exchange.Mapping{Columns: map[string]string{}, Values: map[string]map[string]string{}, Set: map[string]string{}}
	plain := true
	for i, c := range t.Columns {
		if i == mostColumns {
			break
		}
		to := form.Get("col" + strconv.Itoa(i))
		if to == asNamed {
			continue
		}
		m.Columns[c.Name] = to
		plain = plain && to == strings.ReplaceAll(c.Name, "/", ".")
	}
	if site := first(form, "site"); site != "" && of == sqlite.Points {
		m.Set["site"], plain = site, false
	}
	for n, line := range lines(form.Get("values")) {
		property, rest, ok := strings.Cut(line, ":")
		theirs, ours, also := strings.Cut(rest, "=")
		if !ok || !also {
			return nil, survey.Invalid("", sayValuesLine, n+1)
		}
		property = strings.TrimSpace(property)
		if m.Values[property] == nil {
			m.Values[property] = map[string]string{}
		}
		m.Values[property][strings.TrimSpace(theirs)], plain = strings.TrimSpace(ours), false
	}
	if plain {
		return nil, nil
	}
	text, err := json.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("write mapping: %w", err)
	}
	return read(text)
}
