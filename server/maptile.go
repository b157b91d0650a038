package server

import (
	"net/http"
	"slices"
	"strings"

	"holdfast/geo/tile"
)

// handleMapTile is one vector tile of what lies below the points: the shapes
// of the layers asked for, each under its own name, so that the map draws one
// picture a place however many layers there are. A layer that is no longer
// there has nothing to show.
//
// GET /map/tiles/{matrix}/{row}/{col}?layers=
func (s *Server) handleMapTile(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "layers")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	at, err := tile.Parse(pathPart(r, "matrix"), pathPart(r, "row"), pathPart(r, "col"))
	if err != nil {
		s.fail(w, r, status(http.StatusNotFound, "%s", sentence(err.Error())))
		return
	}
	if s.unchanged(w, r, typeTile) {
		return
	}
	layers, err := s.store.Layers(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	asked := strings.Split(q.Get("layers"), ",")
	var out []byte
	for _, l := range layers {
		if !slices.Contains(asked, l.ID) {
			continue
		}
		b, err := s.tile(r.Context(), l.ID, at, nil)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		out = append(out, b...) // messages of Protocol Buffers behind each other are one, their repeated fields joined
	}
	s.writeTile(w, r, out)
}
