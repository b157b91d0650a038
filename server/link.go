package server

import (
	"errors"
	"net/http"

	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

type linkPage struct {
	Key   survey.Key
	Who   string
	Code  string
	Wrong string
}

const deadLink = sayLinkUsed

// link finds the key of a link's code.
func (s *Server) link(r *http.Request, kind survey.KeyKind) (survey.Key, survey.Person, error) {
	k, p, err := s.store.Key(r.Context(), secret.Digest(pathPart(r, "code")))
	if errors.Is(err, survey.ErrNotFound) || err == nil && (k.Kind != kind || k.Leave(p) == 0) {
		return k, p, status(http.StatusNotFound, deadLink)
	}
	return k, p, err
}

// handleLinkPage asks before it signs a device in: programs that look ahead
// at links must not use this one up.
//
// GET /link/{code}
func (s *Server) handleLinkPage(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	k, p, err := s.link(r, survey.Link)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "link", page{Title: saySignDeviceIn, Hush: true, Body: linkPage{Key: k, Who: p.Name, Code: pathPart(r, "code")}})
}

// handleLink signs the device in and uses the link up.
//
// POST /link/{code}
func (s *Server) handleLink(w http.ResponseWriter, r *http.Request) {
	k, p, err := s.link(r, survey.Link)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	token := secret.NewToken("")
	k, err = s.store.TradeLink(r.Context(), secret.Digest(pathPart(r, "code")), secret.Digest(token), sqlite.Author{Who: p.Name, Device: k.Name})
	if errors.Is(err, survey.ErrNotFound) {
		err = status(http.StatusNotFound, deadLink)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.setSession(w, r, token, k.Expires)
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// handleStation lets a wall screen in to read. A browser where somebody is
// signed in stays theirs.
//
// GET /station/{code}
func (s *Server) handleStation(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	k, _, err := s.link(r, survey.Station)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if kind := visitorOf(r.Context()).key.Kind; kind == "" || kind == survey.Station {
		s.setSession(w, r, pathPart(r, "code"), k.Expires)
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
