package exchange

import (
	"bytes"
	"errors"
	"io"
)

// maxRecord bounds the bytes of one record, and so the memory that a hostile
// file can take: about 1.5 million positions of GeoJSON.
const maxRecord = 64 << 20

var errTooLong = errors.New("one record is longer than 64 MB")

// guard fails when more than maxRecord bytes are read between two resets.
type guard struct {
	r    io.Reader
	read int
}

func (g *guard) Read(p []byte) (int, error) {
	if g.read > maxRecord {
		return 0, errTooLong
	}
	n, err := g.r.Read(p[:min(len(p), maxRecord-g.read+1)])
	g.read += n
	return n, err
}

func (g *guard) reset() { g.read = 0 }

// lineEnds brings the three ways of ending a line to a line feed: old files use
// a lone carriage return.
type lineEnds struct {
	r  io.Reader
	cr bool // the last byte was a carriage return
}

func (l *lineEnds) Read(p []byte) (int, error) {
	for {
		n, err := l.r.Read(p)
		if !l.cr && bytes.IndexByte(p[:n], '\r') < 0 {
			return n, err // nearly always
		}
		kept := 0
		for _, b := range p[:n] {
			if b == '\n' && l.cr {
				l.cr = false
				continue
			}
			if l.cr = b == '\r'; l.cr {
				b = '\n'
			}
			p[kept] = b
			kept++
		}
		if kept > 0 || err != nil || len(p) == 0 {
			return kept, err
		}
	}
}

// watch passes JSON through, keeps the "crs" member of its top-level objects,
// wherever in the object it stands, and sees whether every object is closed.
type watch struct {
	r     io.Reader
	crs   []byte // the raw value, at most maxCRS bytes; nil when there was none
	depth int    // of open objects and lists

	inString bool
	escaped  bool
	word     []byte // the start of the last string at depth 1
	keeping  bool
}

const maxCRS = 4096

func (w *watch) Read(p []byte) (int, error) {
	n, err := w.r.Read(p)
	for rest := p[:n]; len(rest) > 0; rest = rest[1:] {
		if w.inString && !w.escaped && w.depth > 1 && !w.keeping { // skip to what can end the text
			rest = rest[textLength(rest):]
			if len(rest) == 0 {
				break
			}
		}
		w.see(rest[0])
	}
	return n, err
}

// textLength is how many bytes come before a quotation mark or a backslash.
func textLength(b []byte) int {
	if i := bytes.IndexByte(b, '"'); i >= 0 {
		b = b[:i]
	}
	if i := bytes.IndexByte(b, '\\'); i >= 0 {
		b = b[:i]
	}
	return len(b)
}

func (w *watch) see(b byte) {
	if w.keeping && (w.inString || w.depth > 1 || b != ',' && b != '}') && len(w.crs) < maxCRS {
		w.crs = append(w.crs, b)
	}
	if w.inString {
		switch {
		case w.escaped:
			w.escaped = false
		case b == '\\':
			w.escaped = true
		case b == '"':
			w.inString = false
			return
		}
		if w.depth == 1 && len(w.word) < 8 {
			w.word = append(w.word, b)
		}
		return
	}
	switch b {
	case '"':
		w.inString = true
		if w.depth == 1 {
			w.word = w.word[:0]
		}
	case '{', '[':
		w.depth++
	case '}', ']':
		w.depth--
		if w.depth == 0 {
			w.keeping = false
		}
	case ':':
		if w.depth == 1 && string(w.word) == "crs" && w.crs == nil {
			w.keeping, w.crs = true, []byte{}
		}
	case ',':
		if w.depth == 1 {
			w.keeping = false
		}
	}
}
