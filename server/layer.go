package server

import (
	"net/http"
	"net/url"
	"slices"
	"time"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// describePage is what is said of a layer, to be changed.
type describePage struct {
	sqlite.Row[survey.Layer]
	Roles []survey.Role // that it may have
	AsOf  string
}

// handleLayer shows what is said of a layer in a form.
//
// GET /layers/{id}/describe
func (s *Server) handleLayer(w http.ResponseWriter, r *http.Request) {
	row, err := s.store.LayerRow(r.Context(), pathID(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	body := describePage{Row: row, Roles: []survey.Role{survey.RoleElevation}}
	if row.Item.Role != survey.RoleElevation {
		body.Roles = shapeRoles()
	}
	if day, ok := row.Item.AsOf.Get(); ok {
		body.AsOf = day.Format(time.DateOnly)
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, http.StatusOK, "layer", page{Title: row.Item.Title, Room: "layers", Body: body})
}

// shapeRoles are the roles that a layer of shapes may have.
func shapeRoles() []survey.Role {
	return slices.DeleteFunc(slices.Clone(survey.Roles), func(r survey.Role) bool { return r == survey.RoleElevation })
}

// handleDescribe changes what is said of a layer, on the version that was
// looked at.
//
// POST /layers/{id}/describe
func (s *Server) handleDescribe(w http.ResponseWriter, r *http.Request) {
	seen, err := s.formOn(r, "revision", sayLayerVersionNotSaid)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	as, err := readLayerForm(r.PostForm)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	as.ID = pathID(r)
	if _, err := s.store.DescribeLayer(r.Context(), as, survey.Known(seen), author(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/layers#have", http.StatusSeeOther)
}

// readLayerForm reads what people say of a layer.
func readLayerForm(form url.Values) (survey.Layer, error) {
	l := survey.Layer{Title: first(form, "title"), Role: survey.Role(first(form, "role")), Licence: first(form, "licence")}
	if day := first(form, "as_of"); day != "" {
		t, err := time.Parse(time.DateOnly, day)
		if err != nil {
			return l, survey.Invalid("", sayFileDate, day)
		}
		l.AsOf = survey.Known(t)
	}
	return l, nil
}
