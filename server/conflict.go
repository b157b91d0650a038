package server

import (
	"context"
	"net/http"
	"net/url"
	"strings"

	"holdfast/survey"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/sqlite"
	"holdfast/survey/version"
)

// apart is a field on which versions made apart do not agree.
type apart struct {
	What  string
	Path  string
	Sides []apartSide // what is in force first
}

type apartSide struct {
	Of, Value, Who, When string
}

// disputed is what a page shows of the open conflicts of an item.
type disputed struct {
	Action   string // where the choice is sent
	Seen     int64
	Writable bool   // the visitor may choose
	Lacking  string // else why not; "" on an atlas that is only read
	Fields   []apart
}

// disputed words the open conflicts of a site or a point; nil when there is
// none.
func (s *Server) disputed(ctx context.Context, collection, id string) (*disputed, error) {
	open, err := s.store.ConflictsOf(ctx, collection, id)
	if err != nil || len(open) == 0 {
		return nil, err
	}
	d := &disputed{Action: "/" + collection + "/" + url.PathEscape(id) + "/conflicts", Seen: open[0].Revision}
	units, err := s.units(ctx)
	if err != nil {
		return nil, err
	}
	need := survey.Record | survey.Contacts
	for _, c := range open {
		need |= toChoose(collection, c.Path)
		a := apart{What: version.What(c.Path), Path: c.Path}
		for _, side := range c.Sides {
			value := version.Value(units, c.Path, side.Value)
			if c.Path == "" {
				value = sayAsItStands
				if side.Value == nil {
					value = sayTakenOut
				}
			}
			a.Sides = append(a.Sides, apartSide{side.Of, value, side.Who, wording.Moment(side.At.UTC())})
		}
		d.Fields = append(d.Fields, a)
	}
	if d.Writable = !s.readOnly && may(ctx, need); !d.Writable && !s.readOnly {
		d.Lacking = whoHas(need)
	}
	return d, nil
}

// toChoose is the leave that settling a conflict takes beside that to record.
// Of a version as a whole the review is a part.
func toChoose(collection, path string) survey.Leave {
	switch {
	case path == "" && collection == sqlite.Sites:
		return survey.Remove | survey.SignOff
	case path == "":
		return survey.Remove
	case path == "/properties/review":
		return survey.SignOff
	}
	return 0
}

// chosen is the prefix of the form fields of a choice.
const chosen = "choose:"

// resolve settles the open conflicts of a site or a point as a person chose.
//
// POST /sites/{id}/conflicts, POST /points/{id}/conflicts
func (s *Server) resolve(collection string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		seen, err := s.formOn(r, "seen", sayVersionNotSaid)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		choice := sqlite.Resolution{Collection: collection, ID: pathPart(r, "id"), Seen: seen, Choose: map[string]string{}}
		for name := range r.PostForm {
			if path, ok := strings.CutPrefix(name, chosen); ok {
				choice.Choose[path] = r.PostForm.Get(name)
			}
		}
		// The store refuses a choice that leaves anything open, so what is asked
		// for what is chosen is asked for all.
		for path := range choice.Choose {
			if lacks := toChoose(collection, path) &^ visitorOf(r.Context()).leave; lacks != 0 {
				s.fail(w, r, lacking(lacks))
				return
			}
		}
		if _, err := s.store.ResolveConflict(r.Context(), choice, author(r)); err != nil {
			s.fail(w, r, err)
			return
		}
		http.Redirect(w, r, "/"+collection+"/"+url.PathEscape(choice.ID)+"/revisions", http.StatusSeeOther)
	}
}
