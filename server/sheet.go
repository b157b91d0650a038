package server

import (
	"bytes"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"strings"

	"holdfast/survey"
	"holdfast/survey/preplan"
)

// handleSheetPDF prints the sheet of a site.
//
// GET /sites/{id}/sheet.pdf?paper=
func (s *Server) handleSheetPDF(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "paper")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sheet, err := s.sheet(r, q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writePDF(w, r, sheet)
}

// sheet arranges the sheet of the site that the address names.
func (s *Server) sheet(r *http.Request, q url.Values) (preplan.Sheet, error) {
	paper, err := s.paper(r, q)
	if err != nil {
		return preplan.Sheet{}, err
	}
	return s.atlas.Sheet(r.Context(), pathID(r), paper)
}

// paper is the size asked for, else the usual one where the department's
// units are used.
func (s *Server) paper(r *http.Request, q url.Values) (preplan.Paper, error) {
	switch text := q.Get("paper"); {
	case strings.EqualFold(text, string(preplan.A4)):
		return preplan.A4, nil
	case strings.EqualFold(text, string(preplan.Letter)):
		return preplan.Letter, nil
	case text != "":
		return "", badParameter("paper", "%q is not A4 or Letter", text)
	}
	policy, err := s.store.Policy(r.Context())
	if err == nil && policy.Units == survey.UnitsUS {
		return preplan.Letter, nil
	}
	return preplan.A4, err
}

func (s *Server) writePDF(w http.ResponseWriter, r *http.Request, sheet preplan.Sheet) {
	var b bytes.Buffer
	if err := preplan.WritePDF(&b, sheet); err != nil {
		s.fail(w, r, fmt.Errorf("print sheet: %w", err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", typePDF)
	h.Set("Content-Disposition", mime.FormatMediaType("inline", map[string]string{"filename": fileName(sheet.Front.Code) + ".pdf"}))
	h.Set("Cache-Control", "no-cache")
	h.Add("Vary", "Accept")
	if _, err := w.Write(b.Bytes()); err != nil {
		s.log.InfoContext(r.Context(), "write sheet", "error", err)
	}
}

// fileName makes a code fit to name a file.
func fileName(code string) string {
	return strings.Map(func(c rune) rune {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '-', c == '.', c == '_':
			return c
		}
		return '-'
	}, code)
}

// handleAPISheet is the sheet of a site in the API.
//
// GET /api/collections/sites/items/{id}/sheet?paper=
func (s *Server) handleAPISheet(w http.ResponseWriter, r *http.Request) {
	q, _, err := offered(r, []string{"paper"}, typePDF)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sheet, err := s.sheet(r, q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writePDF(w, r, sheet)
}
