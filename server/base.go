package server

import (
	"net/http"
	"strconv"

	"holdfast/geo/mbtiles"
)

// baseView is the map below everything, from the department's own file.
type baseView struct {
	Name, Attribution string
	MinZoom, MaxZoom  int
	Bounds            string
}

func (s *Server) baseView() *baseView {
	b := s.base
	if b == nil {
		return nil
	}
	return &baseView{b.Name, b.Attribution, b.MinZoom, b.MaxZoom, boundsText(b.Bound)}
}

// handleBase is one tile of the base map, rows counted from the north.
//
// GET /map/base/{z}/{x}/{y}
func (s *Server) handleBase(w http.ResponseWriter, r *http.Request) {
	if s.base == nil {
		s.fail(w, r, status(http.StatusNotFound, sayNoBaseMap))
		return
	}
	var at [3]int
	for i, name := range []string{"z", "x", "y"} {
		n, err := strconv.Atoi(pathPart(r, name))
		if err != nil || n < 0 || i == 0 && n > mbtiles.MaxZoom {
			s.fail(w, r, status(http.StatusNotFound, sayNoTile))
			return
		}
		at[i] = n
	}
	image, ok, err := s.base.Tile(r.Context(), at[0], at[1], at[2])
	if err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Cache-Control", "private, max-age=86400")
	if !ok {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	h.Set("Content-Type", s.base.MediaType)
	if _, err := w.Write(image); err != nil {
		s.log.InfoContext(r.Context(), "write tile", "error", err)
	}
}
