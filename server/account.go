package server

import (
	"errors"
	"net/http"

	"holdfast/survey"
)

type accountPage struct {
	Person survey.Person
	May    string
	Field  bool
	Here   string // id of the session that asks
	Roles  []roleChoice
	Keys   []survey.Key
	Made   *madeKey
	Done   string
	Wrong  map[string]string
}

// handleAccount shows people their own account.
//
// GET /account
func (s *Server) handleAccount(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	s.accountPage(w, r, http.StatusOK, accountPage{})
}

func (s *Server) accountPage(w http.ResponseWriter, r *http.Request, code int, p accountPage) {
	v := visitorOf(r.Context())
	var err error
	if p.Keys, err = s.store.Keys(r.Context(), v.person.ID); err != nil {
		s.fail(w, r, err)
		return
	}
	p.Person, p.May, p.Field, p.Here = v.person, v.person.Leave().String(), v.leave.Has(survey.Record), v.key.ID
	for _, c := range roleChoices(v.person) {
		if v.leave.Has(c.Role.Leave()) {
			p.Roles = append(p.Roles, c)
		}
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, code, "account", page{Title: v.person.Name, Room: "account", Body: p})
}

// handlePassword changes one's own password, for who knows the present one.
//
// POST /account/password
func (s *Server) handlePassword(w http.ResponseWriter, r *http.Request) {
	if err := form(w, r); err != nil {
		s.fail(w, r, err)
		return
	}
	v := visitorOf(r.Context())
	_, err := s.prove(r, v.person.Name, r.PostFormValue("present"))
	if waiting := (*waitError)(nil); errors.As(err, &waiting) {
		s.accountPage(w, r, http.StatusTooManyRequests, accountPage{Wrong: map[string]string{"present": waiting.Error()}})
		return
	}
	if errors.Is(err, survey.ErrForbidden) {
		s.accountPage(w, r, http.StatusBadRequest, accountPage{Wrong: map[string]string{"present": sayNotYourPassword}})
		return
	}
	if err == nil {
		err = s.setPassword(r, v.person, r.PostFormValue("password"))
	}
	if wrong := wrongFields(err); wrong != nil {
		s.accountPage(w, r, http.StatusBadRequest, accountPage{Wrong: wrong})
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.accountPage(w, r, http.StatusOK, accountPage{Done: sayPasswordChanged})
}

// handleAddToken makes a token of one's own.
//
// POST /account/tokens
func (s *Server) handleAddToken(w http.ResponseWriter, r *http.Request) {
	if err := form(w, r); err != nil {
		s.fail(w, r, err)
		return
	}
	s.makeOwn(w, r, survey.Key{Kind: survey.Token, Role: survey.PersonRole(r.PostFormValue("role")), ReadOnly: r.PostFormValue("writes") == ""}, "token-")
}

// handleAddDevice makes a link for a device of one's own.
//
// POST /account/devices
func (s *Server) handleAddDevice(w http.ResponseWriter, r *http.Request) {
	s.makeOwn(w, r, survey.Key{Kind: survey.Link, Role: survey.Surveyor}, "key-")
}

func (s *Server) makeOwn(w http.ResponseWriter, r *http.Request, k survey.Key, fields string) {
	v := visitorOf(r.Context())
	k, token, err := s.makeKey(w, r, v.person, k)
	if wrong := wrongFields(err); wrong != nil {
		s.accountPage(w, r, http.StatusBadRequest, accountPage{Wrong: ofForm(fields, wrong)})
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	made := &madeKey{Key: k, Who: v.person.Name, Token: token}
	if k.Kind != survey.Token {
		made, err = s.madeLink(r, k, v.person.Name, token)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.accountPage(w, r, http.StatusOK, accountPage{Made: made})
}

// handleEndOwnKey ends a key of one's own.
//
// POST /account/keys/{key}/end
func (s *Server) handleEndOwnKey(w http.ResponseWriter, r *http.Request) {
	s.endKey(w, r, visitorOf(r.Context()).person.ID, "/account")
}

// handleSignOutEverywhere ends all of one's own keys, this session included.
//
// POST /account/sign-out
func (s *Server) handleSignOutEverywhere(w http.ResponseWriter, r *http.Request) {
	if err := s.store.RemoveKeys(r.Context(), visitorOf(r.Context()).person.ID, author(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	s.forgetSession(w, r)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}
