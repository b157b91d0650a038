package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/bits"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"golang.org/x/text/cases"

	"holdfast/survey"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

const formMost = 16 << 10 // bytes of a form for people

// form reads a form that was sent. Nothing that takes long to come is waited
// for.
func form(w http.ResponseWriter, r *http.Request) error {
	if err := http.NewResponseController(w).SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return fmt.Errorf("read form: %w", err)
	}
	r.Body = http.MaxBytesReader(w, r.Body, formMost)
	if err := r.ParseForm(); err != nil {
		if tooBig := (*http.MaxBytesError)(nil); errors.As(err, &tooBig) {
			return tooBig
		}
		return status(http.StatusBadRequest, sayFormUnread)
	}
	return nil
}

type signInPage struct {
	Name   string
	To     string
	Wrong  string
	Before string // who is signed in already
}

// handleSignInPage asks for name and password.
//
// GET /sign-in?to=
func (s *Server) handleSignInPage(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "to")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	people, err := s.hasPeople(r.Context())
	switch {
	case err != nil:
		s.fail(w, r, err)
		return
	case !people:
		http.Redirect(w, r, "/first", http.StatusSeeOther)
		return
	}
	s.signInPage(w, r, http.StatusOK, signInPage{To: localPath(q.Get("to")), Before: visitorOf(r.Context()).person.Name})
}

func (s *Server) signInPage(w http.ResponseWriter, r *http.Request, code int, p signInPage) {
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, code, "sign-in", page{Title: saySignIn, Body: p})
}

// wrongPassword is all that is said of a sign-in that fails, whatever failed.
const wrongPassword = sayNotTogether

// handleSignIn signs a person in. Whatever was signed in before in that
// browser is ended, so that nobody can have prepared it.
//
// POST /sign-in
func (s *Server) handleSignIn(w http.ResponseWriter, r *http.Request) {
	if err := form(w, r); err != nil {
		s.fail(w, r, err)
		return
	}
	name, to := strings.Join(strings.Fields(r.PostFormValue("name")), " "), localPath(r.PostFormValue("to"))
	p, err := s.prove(r, name, r.PostFormValue("password"))
	if waiting := (*waitError)(nil); errors.As(err, &waiting) {
		w.Header().Set("Retry-After", strconv.Itoa(waiting.seconds()))
		s.signInPage(w, r, http.StatusTooManyRequests, signInPage{Name: name, To: to, Wrong: waiting.Error()})
		return
	}
	if errors.Is(err, survey.ErrForbidden) {
		s.signInPage(w, r, http.StatusUnauthorized, signInPage{Name: name, To: to, Wrong: wrongPassword})
		return
	}
	if err == nil {
		err = s.signIn(w, r, p)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

// waitError says that there were too many tries.
type waitError struct{ wait time.Duration }

func (e *waitError) seconds() int { return int(math.Ceil(e.wait.Seconds())) }

func (e *waitError) Error() string {
	return fmt.Sprintf(sayTooManyTries, wording.Count(e.seconds(), "second", "seconds"))
}

// prove finds the person of a name and password; survey.ErrForbidden when they
// do not belong together, after the same work whatever the reason.
func (s *Server) prove(r *http.Request, name, password string) (survey.Person, error) {
	ctx, folded, at := r.Context(), cases.Fold().String(name), remote(r)
	here := counted{"account " + folded + " at " + at, perAccountHere}
	address, account := counted{"address " + at, perAddress}, counted{"account " + folded, perAccount}
	if wait := s.throttle.begin(here, address, account); wait > 0 {
		s.figures.signIn("slowed")
		return survey.Person{}, &waitError{wait}
	}
	p, hash, err := s.store.Person(ctx, name)
	if err != nil && !errors.Is(err, survey.ErrNotFound) {
		return p, err
	}
	if p.ID == name { // an id is no name
		hash = ""
	}
	ok, err := s.hasher.Verify(ctx, hash, password)
	if err != nil {
		return p, fmt.Errorf("verify password: %w", err)
	}
	if !ok || p.Closed.Known() {
		s.figures.signIn("refused")
		s.noteRefused(r, p, s.throttle.failures(account))
		return survey.Person{}, survey.ErrForbidden
	}
	s.figures.signIn("done")
	s.throttle.succeeded([]counted{here}, address, account)
	if s.hasher.Stale(hash) {
		s.rehash(ctx, p, password)
	}
	return p, nil
}

// noteRefused writes a refused sign-in into the log of the atlas: the first
// of an account and then ever fewer, so that guessing does not fill the disk.
// A name without an account may be a password typed in the wrong place.
func (s *Server) noteRefused(r *http.Request, p survey.Person, failed int) {
	if failed > 3 && bits.OnesCount(uint(failed)) > 1 {
		return
	}
	s.note(r, "sign-in refused", map[string]any{"name": cmp.Or(p.Name, "no account of ours"), "tries": failed, "from": remote(r)})
}

// noteWait is how long a note may wait for other writers.
const noteWait = 2 * time.Second

// note writes what was done into the log of the atlas. While it cannot be
// written the note is lost and not what was done.
func (s *Server) note(r *http.Request, what string, detail map[string]any) {
	if s.store.ReadOnly() {
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), noteWait)
	defer cancel()
	if err := s.store.Note(ctx, sqlite.Event{What: what, Detail: detail}, author(r)); err != nil {
		s.log.WarnContext(r.Context(), "not noted", "what", what, "error", err)
	}
}

// rehash brings an older hash up to the present cost. It can be done next time.
func (s *Server) rehash(ctx context.Context, p survey.Person, password string) {
	hash, err := s.hasher.Hash(ctx, password)
	if err == nil {
		err = s.store.Rehash(ctx, p.ID, hash)
	}
	if err != nil {
		s.log.WarnContext(ctx, "hash password anew", "error", err)
	}
}

// signIn gives the browser a new session of a person.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request, p survey.Person) error {
	if s.store.ReadOnly() {
		return status(http.StatusForbidden, sayReadOnlyFile)
	}
	v, token := visitorOf(r.Context()), secret.NewToken("")
	key := survey.Key{Kind: survey.Session, Person: p.ID, Name: cmp.Or(userAgent(r), "a browser"), Expires: s.now().Add(survey.SessionLast)}
	by := sqlite.Author{Who: p.Name, Device: userAgent(r)}
	made, err := s.store.AddKey(r.Context(), key, secret.Digest(token), by)
	if err != nil {
		return err
	}
	if v.key.Kind == survey.Session || v.key.Kind == survey.Device {
		if err := s.store.RemoveKey(r.Context(), v.key.ID, v.person.ID, author(r)); err != nil && !errors.Is(err, survey.ErrNotFound) {
			return err
		}
	}
	s.setSession(w, r, token, made.Expires)
	return nil
}

// handleSignOut ends the session of this browser.
//
// POST /sign-out
func (s *Server) handleSignOut(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r.Context())
	if v.key.Kind == survey.Session || v.key.Kind == survey.Device {
		if err := s.store.RemoveKey(r.Context(), v.key.ID, v.person.ID, author(r)); err != nil && !errors.Is(err, survey.ErrNotFound) {
			s.fail(w, r, err)
			return
		}
	}
	s.forgetSession(w, r)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}

// forgetSession has the browser forget who was signed in and the pages they
// saw. What a field device has not sent yet stays.
func (s *Server) forgetSession(w http.ResponseWriter, r *http.Request) {
	s.setSession(w, r, "", time.Time{})
	w.Header().Set("Clear-Site-Data", `"cache"`)
}

// signInAddress leads to the sign-in and from there on.
func signInAddress(to string) string { return "/sign-in?" + url.Values{"to": {to}}.Encode() }
