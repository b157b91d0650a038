package server

import (
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"holdfast/geo"
	"holdfast/geo/position"
	"holdfast/survey"
	"holdfast/survey/photo"
	"holdfast/survey/sqlite"
)

// photoView is a photo on the page of its point.
type photoView struct {
	ID    string
	Here  bool // the picture has arrived
	Taken string
	By    string
	Place string // where it was taken, when that can be offered as the point's position
}

// takesPhoto tells whether a request brings a photo.
func takesPhoto(r *http.Request) bool {
	return r.Method == http.MethodPut && strings.HasPrefix(r.URL.Path, "/api/photos/") ||
		r.Method == http.MethodPost && strings.HasPrefix(r.URL.Path, "/points/") && strings.HasSuffix(r.URL.Path, "/photos")
}

// handlePutPhoto takes in a photo under an id that its device made. Sent again
// it is known again. The point lists it by itself.
//
// PUT /api/photos/{photo}?point=
func (s *Server) handlePutPhoto(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "point")
	if err == nil {
		err = s.writableNow()
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	id := pathPart(r, "photo")
	if len(id) > 100 || q.Get("point") == "" {
		s.fail(w, r, badParameter("point", sayPhotoOfWhich))
		return
	}
	b, err := io.ReadAll(r.Body)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := takeIn(b, id, q.Get("point"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	already, err := s.store.AddPhoto(r.Context(), p, author(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	code := http.StatusCreated
	if already {
		code = http.StatusOK
	}
	s.writeJSONStatus(w, r, code, typeJSON, map[string]any{"id": p.ID, "point": p.Point, "width": p.Width, "height": p.Height})
}

func takeIn(b []byte, id, point string) (sqlite.Photo, error) {
	p, err := photo.Read(b)
	if err != nil {
		return sqlite.Photo{}, err
	}
	sum := sha256.Sum256(b)
	return sqlite.Photo{
		ID: id, Point: point, Source: sum[:], Width: p.Width, Height: p.Height, Taken: p.Taken, Position: p.Position, JPEG: p.JPEG, Small: p.Small,
	}, nil
}

// handlePhoto shows a photo; it never changes.
//
// GET /photos/{photo}
func (s *Server) handlePhoto(w http.ResponseWriter, r *http.Request) { s.servePhoto(w, r, false) }

// handleSmallPhoto shows a photo in small.
//
// GET /photos/{photo}/small
func (s *Server) handleSmallPhoto(w http.ResponseWriter, r *http.Request) { s.servePhoto(w, r, true) }

func (s *Server) servePhoto(w http.ResponseWriter, r *http.Request, small bool) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.store.Photo(r.Context(), pathPart(r, "photo"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	b := p.JPEG
	if small {
		b = p.Small
	}
	h := w.Header()
	h.Set("Content-Type", "image/jpeg")
	h.Set("Content-Length", strconv.Itoa(len(b)))
	h.Set("Cache-Control", "private, max-age=31536000, immutable")
	if _, err := w.Write(b); err != nil {
		s.log.InfoContext(r.Context(), "write photo", "error", err)
	}
}

// handleAddPhotos adds the photos of a form to a point.
//
// POST /points/{id}/photos
func (s *Server) handleAddPhotos(w http.ResponseWriter, r *http.Request) {
	if err := s.addPhotos(r, pathID(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, pointPath(pathID(r))+"#photos", http.StatusSeeOther)
}

func pointPath(id string) string { return "/points/" + url.PathEscape(id) }

// mostAtOnce is how many photos a form may bring.
const mostAtOnce = 10

func (s *Server) addPhotos(r *http.Request, point string) error {
	if err := s.writableNow(); err != nil {
		return err
	}
	parts, err := r.MultipartReader()
	if err != nil {
		return status(http.StatusBadRequest, sayFormUnread)
	}
	for n := 0; ; n++ {
		part, err := parts.NextPart()
		switch {
		case errors.Is(err, io.EOF) && n == 0:
			return status(http.StatusBadRequest, sayChoosePhoto)
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		case n == mostAtOnce:
			return status(http.StatusBadRequest, sayTooManyPhotos, mostAtOnce, mostAtOnce)
		}
		b, err := io.ReadAll(part)
		if err != nil {
			return err
		}
		if len(b) == 0 {
			return status(http.StatusBadRequest, sayChoosePhoto)
		}
		// The same file sent twice, as by a double tap, is the same photo.
		id := uuid.NewHash(sha256.New(), uuid.Nil, append([]byte(point), b...), 8).String()
		p, err := takeIn(b, id, point)
		if err != nil {
			return err
		}
		if err := s.store.AddPhotoTo(r.Context(), p, author(r)); err != nil {
			return err
		}
	}
}

// handleDropPhoto takes a photo off a point; it stays in the point's history.
//
// POST /points/{id}/photos/{photo}/remove
func (s *Server) handleDropPhoto(w http.ResponseWriter, r *http.Request) {
	id := pathPart(r, "photo")
	s.alterPoint(w, r, "photos", func(p *survey.Point) error {
		i := slices.Index(p.Photos, id)
		if i < 0 {
			return survey.NotFound(sayPhotoOfPoint, id)
		}
		p.Photos = slices.Delete(slices.Clone(p.Photos), i, i+1)
		return nil
	})
}

// handlePhotoPlace moves a point to where a photo of it was taken.
//
// POST /points/{id}/photos/{photo}/place
func (s *Server) handlePhotoPlace(w http.ResponseWriter, r *http.Request) {
	taken, err := s.store.Photo(r.Context(), pathPart(r, "photo"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	at, ok := taken.Position.Get()
	if !ok || taken.Point != pathID(r) {
		s.fail(w, r, status(http.StatusBadRequest, sayPhotoNoPlace))
		return
	}
	s.alterPoint(w, r, "found", func(p *survey.Point) error {
		p.Position, p.ElevationM, p.Fix = at, survey.Opt[geo.Length]{}, survey.Fix{Source: "gnss"}
		return nil
	})
}

// alterPoint changes the point of the address by what do makes of it, on the
// revision that the form was made for, and goes back to a part of its page.
func (s *Server) alterPoint(w http.ResponseWriter, r *http.Request, part string, do func(*survey.Point) error) {
	seen, err := s.formOn(r, "revision", sayPointVersionNotSaid)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if err := s.store.AlterPoint(r.Context(), pathID(r), author(r), survey.Known(seen), do); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, pointPath(pathID(r))+"#"+part, http.StatusSeeOther)
}

// photosOf are the photos that a point lists, in its order.
func (s *Server) photosOf(ctx context.Context, p survey.Point) ([]photoView, error) {
	known, err := s.store.PhotosOf(ctx, p.ID)
	if err != nil {
		return nil, err
	}
	out := make([]photoView, len(p.Photos))
	for i, id := range p.Photos {
		out[i].ID = id
		k := slices.IndexFunc(known, func(f sqlite.Photo) bool { return f.ID == id })
		if k < 0 {
			continue
		}
		f := known[k]
		out[i] = photoView{ID: id, Here: true, Taken: strings.Replace(f.Taken, "T", " ", 1), By: f.AddedBy}
		if at, ok := f.Position.Get(); ok && at != p.Position {
			out[i].Place = position.Decimal(at, 6)
		}
	}
	return out, nil
}
