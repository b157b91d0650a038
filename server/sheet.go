package server

import (
	"bufio"
	"bytes"
	"cmp"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/preplan"
	"holdfast/survey/sqlite"
)

// handleSheet shows the sheet of a site on screen.
//
// GET /sites/{id}/sheet?paper=
func (s *Server) handleSheet(w http.ResponseWriter, r *http.Request) {
	s.serveSheet(w, r, typeHTML)
}

// handleSheetPDF prints the sheet of a site.
//
// GET /sites/{id}/sheet.pdf?paper=
func (s *Server) handleSheetPDF(w http.ResponseWriter, r *http.Request) {
	s.serveSheet(w, r, typePDF)
}

func (s *Server) serveSheet(w http.ResponseWriter, r *http.Request, form string) {
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
	s.writeSheet(w, r, form, sheet)
}

// sheet arranges the sheet of the site that the address names.
func (s *Server) sheet(r *http.Request, q url.Values) (preplan.Sheet, error) {
	paper, err := s.paper(r, q)
	if err != nil {
		return preplan.Sheet{}, err
	}
	return s.atlas.Sheet(r.Context(), pathID(r), atlas.Print{Paper: paper, Address: s.addressOf(r)})
}

// addressOf is where a code to scan should lead: the address this server was
// told it has, else the one it was just reached by.
func (s *Server) addressOf(r *http.Request) string {
	return cmp.Or(s.address, origin(r))
}

// mostInBook bounds the sheets of a book printed by the server; the command
// line has no such bound.
const mostInBook = 250

// handleBook prints the sheets of the sites named, or of all, as one PDF. It
// goes out as it is made, one book at a time.
//
// GET /book.pdf?paper=&sites=QR-01,QR-02
func (s *Server) handleBook(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "paper", "sites")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	paper, err := s.paper(r, q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sites := strings.FieldsFunc(q.Get("sites"), func(c rune) bool { return c == ',' || c == ' ' })
	if err := s.bookable(r, sites); err != nil {
		s.fail(w, r, err)
		return
	}
	f, discard, err := spare()
	if err != nil {
		s.fail(w, r, err)
		return
	}
	defer discard()
	if !s.booking.TryLock() {
		w.Header().Set("Retry-After", "30")
		s.fail(w, r, status(http.StatusServiceUnavailable, sayBookBusy))
		return
	}
	if err := s.printBook(r, f, sites, paper); err != nil {
		s.fail(w, r, fmt.Errorf("write book: %w", err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", typePDF)
	h.Set("Content-Disposition", `inline; filename="book.pdf"`)
	h.Set("Cache-Control", cachePrivate)
	if err := hand(w, f); err != nil {
		s.log.InfoContext(r.Context(), "write book", "error", err)
		panic(http.ErrAbortHandler) // half a book must not look whole
	}
}

// printBook writes a book, with booking held.
func (s *Server) printBook(r *http.Request, f io.Writer, sites []string, paper preplan.Paper) error {
	defer s.booking.Unlock()
	out := bufio.NewWriterSize(f, 64<<10)
	err := s.atlas.Book(r.Context(), out, sites, atlas.Print{Paper: paper, Address: s.addressOf(r)}, nil)
	return errors.Join(err, out.Flush())
}

// bookable tells whether sites can be printed as a book here.
func (s *Server) bookable(r *http.Request, sites []string) error {
	n := len(sites)
	if n == 0 {
		rows, err := s.store.Sites(r.Context(), sqlite.Filter{Limit: mostInBook + 1})
		if err != nil {
			return err
		}
		if n = len(rows); n == 0 {
			return status(http.StatusNotFound, sayNoSiteToPrint)
		}
	}
	if n > mostInBook {
		return status(http.StatusBadRequest, sayBookTooLarge, mostInBook)
	}
	for _, name := range sites {
		if _, err := s.store.Site(r.Context(), name); err != nil {
			return err
		}
	}
	return nil
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
		return "", badParameter("paper", sayNoPaper, text)
	}
	policy, err := s.store.Policy(r.Context())
	if err == nil && policy.Units == survey.UnitsUS {
		return preplan.Letter, nil
	}
	return preplan.A4, err
}

func (s *Server) writeSheet(w http.ResponseWriter, r *http.Request, form string, sheet preplan.Sheet) {
	var b bytes.Buffer
	var err error
	h := w.Header()
	if form == typePDF {
		err = preplan.WritePDF(&b, sheet)
		h.Set("Content-Type", typePDF)
		h.Set("Content-Disposition", mime.FormatMediaType("inline", map[string]string{"filename": fileName(sheet.Front.Code) + ".pdf"}))
	} else {
		err = preplan.WriteHTML(&b, sheet, "/sheet.css?display="+string(displayOf(r)))
		h.Set("Content-Type", typeHTML+"; charset=utf-8")
	}
	if err != nil {
		h.Del("Content-Disposition")
		s.fail(w, r, fmt.Errorf("write sheet: %w", err))
		return
	}
	h.Add("Vary", "Accept, Cookie")
	if _, err := w.Write(b.Bytes()); err != nil {
		s.log.InfoContext(r.Context(), "write sheet", "error", err)
	}
}

// The colours of the sheet on a screen, as in static/css: night is dim and
// long-wavelength.
const (
	sheetDay   = "{:root{color-scheme:light;--paper:#fff;--ink:#000}}"
	sheetNight = "{:root{color-scheme:dark;--paper:#120605;--ink:#e2705a}.code svg{background:#e2705a;color:#120605}}"
)

// handleSheetStyle is the style sheet of the sheet, lit as asked.
//
// GET /sheet.css?display=
func (s *Server) handleSheetStyle(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "display")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	style := preplan.Stylesheet + "\nhtml{background:var(--paper)}\n"
	switch display(q.Get("display")) {
	case displayNight:
		style += "@media screen" + sheetNight
	case displayDay:
		style += "@media screen" + sheetDay
	default:
		style += "@media screen and (prefers-color-scheme: dark)" + sheetNight
	}
	h := w.Header()
	h.Set("Content-Type", "text/css; charset=utf-8")
	h.Set("Cache-Control", cachePrivate)
	h.Set("ETag", fmt.Sprintf(`"%x"`, sha256.Sum256([]byte(style))))
	http.ServeContent(w, r, "", time.Time{}, strings.NewReader(style))
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
	q, form, err := offered(r, []string{"paper"}, typePDF, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sheet, err := s.sheet(r, q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeSheet(w, r, form, sheet)
}
