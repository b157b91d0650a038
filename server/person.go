package server

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/secret"
)

type personPage struct {
	Person   survey.Person
	May      string
	Password bool // has one
	CanWrite bool
	Field    bool // may record, so that a device makes sense
	Roles    []roleChoice
	Keys     []survey.Key
	Made     *madeKey
	Done     string            // what was done just now
	Wrong    map[string]string // by field
}

// handlePerson shows one account.
//
// GET /people/{id}
func (s *Server) handlePerson(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	s.personPage(w, r, http.StatusOK, personPage{})
}

func (s *Server) personPage(w http.ResponseWriter, r *http.Request, code int, p personPage) {
	person, hash, err := s.store.Person(r.Context(), pathPart(r, "id"))
	if err == nil {
		p.Keys, err = s.store.Keys(r.Context(), person.ID)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v := visitorOf(r.Context())
	p.Person, p.May, p.Password, p.CanWrite = person, person.Leave().String(), hash != "", v.leave.Has(self) && !s.store.ReadOnly()
	p.Field = person.Leave().Has(survey.Record)
	if p.Roles == nil {
		p.Roles = roleChoices(person)
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, code, "person", page{Title: person.Name, Room: "people", Body: p})
}

// handleChangePerson gives an account other roles, opens or closes it.
//
// POST /people/{id}
func (s *Server) handleChangePerson(w http.ResponseWriter, r *http.Request) {
	if err := form(w, r); err != nil {
		s.fail(w, r, err)
		return
	}
	person, _, err := s.store.Person(r.Context(), pathPart(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f := readPersonForm(r)
	was := person
	person.Roles, person.Contacts = f.Person.Roles, f.Person.Contacts
	switch closed := r.PostFormValue("closed") != ""; {
	case closed && !person.Closed.Known():
		person.Closed = survey.Known(s.now().UTC())
	case !closed:
		person.Closed = survey.Opt[time.Time]{}
	}
	err = s.store.ChangePerson(r.Context(), person, author(r))
	if wrong := wrongFields(err); wrong != nil {
		if wrong["name"] != "" { // the last admin
			wrong["roles"] = wrong["name"]
		}
		s.personPage(w, r, http.StatusBadRequest, personPage{Wrong: wrong, Roles: f.Roles})
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	done := sayRolesNow + joinRoles(person.Roles) + "."
	if was.Closed.Known() != person.Closed.Known() {
		done = map[bool]string{true: sayAccountClosed, false: sayAccountOpen}[person.Closed.Known()]
	}
	s.personPage(w, r, http.StatusOK, personPage{Done: done})
}

// handleResetPassword gives a person another password.
//
// POST /people/{id}/password
func (s *Server) handleResetPassword(w http.ResponseWriter, r *http.Request) {
	if err := form(w, r); err != nil {
		s.fail(w, r, err)
		return
	}
	person, _, err := s.store.Person(r.Context(), pathPart(r, "id"))
	if err == nil {
		err = s.setPassword(r, person, r.PostFormValue("password"))
	}
	if wrong := wrongFields(err); wrong != nil {
		s.personPage(w, r, http.StatusBadRequest, personPage{Wrong: wrong})
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.personPage(w, r, http.StatusOK, personPage{Done: sayPasswordSet})
}

// setPassword stores a new password; the session that asks goes on when it is
// the person's own.
func (s *Server) setPassword(r *http.Request, p survey.Person, password string) error {
	if err := secret.CheckPassword(password, p.Name); err != nil {
		return err
	}
	hash, err := s.hasher.Hash(r.Context(), password)
	if err != nil {
		return err
	}
	return s.store.SetPassword(r.Context(), p.ID, hash, visitorOf(r.Context()).key.ID, author(r))
}

// handlePersonDevice makes a link that signs a person's field device in.
//
// POST /people/{id}/device
func (s *Server) handlePersonDevice(w http.ResponseWriter, r *http.Request) {
	person, _, err := s.store.Person(r.Context(), pathPart(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	k, token, err := s.makeKey(w, r, person, survey.Key{Kind: survey.Link, Role: survey.Surveyor})
	if wrong := wrongFields(err); wrong != nil {
		s.personPage(w, r, http.StatusBadRequest, personPage{Wrong: ofForm("key-", wrong)})
		return
	}
	var made *madeKey
	if err == nil {
		made, err = s.madeLink(r, k, person.Name, token)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.personPage(w, r, http.StatusOK, personPage{Made: made})
}

// ofForm names fields as a page with several forms does.
func ofForm(form string, wrong map[string]string) map[string]string {
	out := make(map[string]string, len(wrong))
	for field, text := range wrong {
		out[form+field] = text
	}
	return out
}

// handleSignOutPerson ends everything a person is signed in with.
//
// POST /people/{id}/sign-out
func (s *Server) handleSignOutPerson(w http.ResponseWriter, r *http.Request) {
	if err := s.store.RemoveKeys(r.Context(), pathPart(r, "id"), author(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/people/"+url.PathEscape(pathPart(r, "id")), http.StatusSeeOther)
}

func joinRoles(roles []survey.PersonRole) string {
	return strings.Join(wordsOf(roles), ", ")
}
