package server

import (
	"context"
	"crypto/subtle"
	"errors"
	"net/http"
	"strings"

	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

type firstPage struct {
	CanMake bool // a code was printed on the terminal
	Form    personForm
}

// handleFirstPage tells how the first account is made.
//
// GET /first
func (s *Server) handleFirstPage(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	if s.turnedAway(w, r) {
		return
	}
	s.firstPage(w, r, http.StatusOK, newPersonForm())
}

// turnedAway leads away from setting up what is set up already.
func (s *Server) turnedAway(w http.ResponseWriter, r *http.Request) bool {
	people, err := s.hasPeople(r.Context())
	switch {
	case err != nil:
		s.fail(w, r, err)
	case people:
		http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	}
	return err != nil || people
}

func (s *Server) firstPage(w http.ResponseWriter, r *http.Request, code int, f personForm) {
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, code, "first", page{Title: sayFirstAccountTitle, Room: "people", Body: firstPage{CanMake: s.code != "", Form: f}})
}

// perCode lets nobody guess the code of the first account.
var perCode = counted{sayFirstAccount, allowance{free: 5, most: perAddress.most}}

// handleFirst makes the first account, an admin, for whoever has the code from
// the terminal. The store makes sure that there is one first only.
//
// POST /first
func (s *Server) handleFirst(w http.ResponseWriter, r *http.Request) {
	if err := form(w, r); err != nil {
		s.fail(w, r, err)
		return
	}
	if s.turnedAway(w, r) {
		return
	}
	f := readPersonForm(r)
	if s.code == "" {
		s.fail(w, r, status(http.StatusForbidden, sayFirstByCommand))
		return
	}
	if wait := s.throttle.begin(perCode); wait > 0 {
		f.Wrong = map[string]string{"code": (&waitError{wait}).Error()}
		s.firstPage(w, r, http.StatusTooManyRequests, f)
		return
	}
	given := strings.ToUpper(strings.Join(strings.Fields(r.PostFormValue("code")), ""))
	if subtle.ConstantTimeCompare([]byte(given), []byte(s.code)) != 1 {
		f.Wrong = map[string]string{"code": sayNotTheCode}
		s.firstPage(w, r, http.StatusForbidden, f)
		return
	}
	s.throttle.succeeded([]counted{perCode})
	f.Person.Roles = append(f.Person.Roles, survey.Admin)
	p, err := s.make(r, f, s.store.AddFirstPerson, sqlite.Author{Who: f.Person.Name, Device: userAgent(r)})
	if f.wrong(err) {
		s.firstPage(w, r, http.StatusBadRequest, f)
		return
	}
	if err == nil {
		err = s.signIn(w, r, p)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/people", http.StatusSeeOther)
}

// NewCode returns a code for the first account, to be printed on a terminal.
func NewCode() string { return secret.NewToken("")[:12] }

// errNoPassword is said where a person must be able to sign in.
var errNoPassword = survey.Invalid("/password", sayMissing)

// personForm is what an account is made from, with what is wrong with it.
type personForm struct {
	Person   survey.Person
	Roles    []roleChoice
	Wrong    map[string]string // by field
	password string
}

type roleChoice struct {
	Role   survey.PersonRole
	May    string
	Chosen bool
}

// roleChoices lists the roles with those chosen that a person has.
func roleChoices(p survey.Person) []roleChoice {
	var out []roleChoice
	for _, r := range survey.PersonRoles {
		c := roleChoice{Role: r, May: r.Leave().String()}
		for _, has := range p.Roles {
			c.Chosen = c.Chosen || has == r
		}
		out = append(out, c)
	}
	return out
}

func newPersonForm() personForm { return personForm{Roles: roleChoices(survey.Person{})} }

// readPersonForm reads name, roles, leave and password of a form.
func readPersonForm(r *http.Request) personForm {
	f := personForm{password: r.PostFormValue("password")}
	f.Person.Name = strings.Join(strings.Fields(r.PostFormValue("name")), " ")
	f.Person.Contacts = r.PostFormValue("contacts") != ""
	for _, role := range r.PostForm["role"] {
		f.Person.Roles = append(f.Person.Roles, survey.PersonRole(role))
	}
	f.Roles = roleChoices(f.Person)
	return f
}

// wrong takes what is wrong with the input into the form; false when the error
// is of another kind.
func (f *personForm) wrong(err error) bool {
	f.Wrong = wrongFields(err)
	return f.Wrong != nil
}

// wrongFields sorts what is wrong with an input by its fields; nil when the
// error is of another kind.
func wrongFields(err error) map[string]string {
	invalid, ok := errors.AsType[*survey.InvalidError](err)
	if !ok {
		if errors.Is(err, survey.ErrConflict) {
			return map[string]string{"name": sentence(err.Error())}
		}
		return nil
	}
	out := map[string]string{}
	for _, one := range invalid.Problems {
		field, _, _ := strings.Cut(strings.TrimPrefix(one.Pointer, "/"), "/")
		if out[field] == "" {
			out[field] = one.Message
		}
	}
	return out
}

type addPerson = func(context.Context, survey.Person, string, sqlite.Author) (survey.Person, error)

// make makes an account of a form. Only a person who is no admin may go
// without a password.
func (s *Server) make(r *http.Request, f personForm, add addPerson, by sqlite.Author) (survey.Person, error) {
	if err := f.Person.Validate(); err != nil {
		return f.Person, err
	}
	if f.password == "" && f.Person.Leave().Has(survey.Keep) {
		return f.Person, errNoPassword
	}
	hash := ""
	if f.password != "" {
		if err := secret.CheckPassword(f.password, f.Person.Name); err != nil {
			return f.Person, err
		}
		var err error
		if hash, err = s.hasher.Hash(r.Context(), f.password); err != nil {
			return f.Person, err
		}
	}
	return add(r.Context(), f.Person, hash, by)
}
