package server

import (
	"context"
	"errors"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

// visitor is who a request comes from; the zero value is nobody.
type visitor struct {
	person survey.Person
	key    survey.Key
	leave  survey.Leave
	open   bool // the atlas has no accounts, and this machine asks
}

func (v visitor) nobody() bool { return v.person.ID == "" && !v.open }

// signedIn tells whether a password was given, rather than a link or a token.
func (v visitor) signedIn() bool { return v.key.Kind == survey.Session }

type visitorKey struct{}

// visitorOf is who the request of a context comes from; nobody when it has
// not passed the door.
func visitorOf(ctx context.Context) visitor {
	v, _ := ctx.Value(visitorKey{}).(visitor)
	return v
}

// may tells whether the visitor has all of a leave.
func may(ctx context.Context, l survey.Leave) bool { return visitorOf(ctx).leave.Has(l) }

var errSignIn = status(http.StatusUnauthorized, saySignInFirst)

// visitor finds out who a request comes from. An atlas without accounts is
// open to this machine and to nobody else.
func (s *Server) visitor(r *http.Request) (visitor, error) {
	people, err := s.hasPeople(r.Context())
	switch {
	case err != nil:
		return visitor{}, err
	case !people && s.wide:
		return visitor{}, errSignIn
	case !people && !loopbackHost(r.Host):
		return visitor{}, status(http.StatusForbidden, sayThisMachineOnly, r.Host)
	case !people:
		return visitor{leave: survey.EveryLeave, open: true}, nil
	}
	token, kinds := bearer(r), []survey.KeyKind{survey.Token}
	if token == "" {
		token, kinds = sessionOf(r), []survey.KeyKind{survey.Session, survey.Device, survey.Station}
	}
	if token == "" {
		return visitor{}, nil
	}
	key, person, err := s.store.Key(r.Context(), secret.Digest(token))
	if err == nil && !slices.Contains(kinds, key.Kind) {
		err = survey.ErrNotFound
	}
	switch {
	case errors.Is(err, survey.ErrNotFound) && kinds[0] == survey.Token:
		return visitor{}, status(http.StatusUnauthorized, sayTokenUnknown)
	case errors.Is(err, survey.ErrNotFound):
		return visitor{}, nil // signed out meanwhile
	case err != nil:
		return visitor{}, err
	}
	v := visitor{person: person, key: key, leave: key.Leave(person)}
	if v.signedIn() && v.leave != 0 {
		v.leave |= self
	}
	return v, nil
}

// hasPeople tells whether anybody has an account; once so, it stays so.
func (s *Server) hasPeople(ctx context.Context) (bool, error) {
	if s.people.Load() {
		return true, nil
	}
	yes, err := s.store.HasPeople(ctx)
	if yes {
		s.people.Store(true)
	}
	return yes, err
}

// bearer is the token of a request's Authorization header (RFC 6750).
func bearer(r *http.Request) string {
	scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimSpace(token)
}

// sessionCookie is the name of the cookie that says who is signed in. Under
// TLS its prefix has browsers take it from this host alone (RFC 6265bis).
func sessionCookie(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-holdfast"
	}
	return "holdfast"
}

func sessionOf(r *http.Request) string {
	c, err := r.Cookie(sessionCookie(r))
	if err != nil {
		return ""
	}
	return c.Value
}

// setSession has the browser keep a token until a time; one in the past ends
// it.
func (s *Server) setSession(w http.ResponseWriter, r *http.Request, token string, until time.Time) {
	left := int(until.Sub(s.now()).Seconds())
	if left <= 0 {
		left = -1
	}
	http.SetCookie(w, &http.Cookie{
		Name: sessionCookie(r), Value: token, Path: "/", MaxAge: left,
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode,
	})
}

// author says who makes a change, and on what.
func author(r *http.Request) sqlite.Author {
	v := visitorOf(r.Context())
	a := sqlite.Author{Who: "not signed in", Device: userAgent(r)}
	if !v.nobody() && !v.open {
		a.Who = v.person.Name
		if !v.signedIn() {
			a.Device = v.key.Name
		}
	}
	return a
}

// userAgent is what a browser calls itself.
func userAgent(r *http.Request) string {
	device := r.UserAgent()
	if len(device) > 200 {
		device = device[:200]
	}
	return strings.ToValidUTF8(device, "")
}

// loopbackHost tells whether a Host header names this machine. A page of
// another site that makes a browser take its own name for this machine's
// address still sends its own name.
func loopbackHost(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	host = strings.Trim(host, "[]")
	ip := net.ParseIP(host)
	return strings.EqualFold(host, "localhost") || ip != nil && ip.IsLoopback()
}
