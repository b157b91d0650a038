package server

import (
	"bytes"
	"io"
	"mime"
	"net/http"

	"holdfast/survey/atlas"
	"holdfast/survey/drawing/dxf"
)

const (
	typeSVG = "image/svg+xml"
	typeDXF = "image/vnd.dxf" // IANA media types
)

// handleLayoutSVG is the layout of a point's best anchor as a plan to scale.
//
// GET /points/{id}/layout.svg?load=&required=&tonight=
func (s *Server) handleLayoutSVG(w http.ResponseWriter, r *http.Request) {
	s.serveLayout(w, r, typeSVG, func(l atlas.Layout) string { return l.Name() + ".svg" }, atlas.Layout.WriteSVG)
}

// handleLayoutDXF is the same for drawing and surveying programs, in metres on
// the UTM grid.
//
// GET /points/{id}/layout.dxf?load=&required=&tonight=
func (s *Server) handleLayoutDXF(w http.ResponseWriter, r *http.Request) {
	s.serveLayout(w, r, typeDXF, func(l atlas.Layout) string {
		name := l.Name()
		if f, err := dxf.FrameAt(l.Plan.Position); err == nil {
			name += "-" + f.Short()
		}
		return name + ".dxf"
	}, atlas.Layout.WriteDXF)
}

func (s *Server) serveLayout(w http.ResponseWriter, r *http.Request, form string, name func(atlas.Layout) string, write func(atlas.Layout, io.Writer) error) {
	q, err := query(r, "load", "required", "tonight")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	asked, err := ask(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	l, err := s.atlas.Layout(r.Context(), pathID(r), asked)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var b bytes.Buffer
	if err := write(l, &b); err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", form)
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": fileName(name(l))}))
	h.Set("Cache-Control", cachePrivate)
	if _, err := w.Write(b.Bytes()); err != nil {
		s.log.InfoContext(r.Context(), "write layout", "error", err)
	}
}
