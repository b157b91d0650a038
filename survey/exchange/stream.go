package exchange

import (
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
	n, err := g.r.Read(p)
	g.read += n
	return n, err
}

func (g *guard) reset() { g.read = 0 }

// lineEnds turns the lone carriage returns that old files end lines with into
// line feeds.
type lineEnds struct {
	r  io.Reader
	cr bool // the last byte was a carriage return, not yet passed on
}

func (l *lineEnds) Read(p []byte) (int, error) {
	if len(p) < 2 {
		return 0, io.ErrShortBuffer
	}
	off := 0
	if l.cr {
		p[0], off = '\r', 1
		l.cr = false
	}
	n, err := l.r.Read(p[off:])
	n += off
	if n > 0 && err == nil && p[n-1] == '\r' { // what follows decides
		l.cr = true
		n--
	}
	for i := range n {
		if p[i] == '\r' && !(i+1 < n && p[i+1] == '\n') {
			p[i] = '\n'
		}
	}
	return n, err
}

// crsWatch passes JSON through and keeps the "crs" member of its top-level
// objects, wherever in the object it stands.
type crsWatch struct {
	r     io.Reader
	found []byte // the raw value, at most maxCRS bytes; nil when there was none

	depth    int
	inString bool
	escaped  bool
	word     []byte // the start of the last string at depth 1
	keeping  bool
}

const maxCRS = 4096

func (c *crsWatch) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	for _, b := range p[:n] {
		c.see(b)
	}
	return n, err
}

func (c *crsWatch) see(b byte) {
	if c.keeping && (c.inString || c.depth > 1 || b != ',' && b != '}') && len(c.found) < maxCRS {
		c.found = append(c.found, b)
	}
	if c.inString {
		switch {
		case c.escaped:
			c.escaped = false
		case b == '\\':
			c.escaped = true
		case b == '"':
			c.inString = false
			return
		}
		if c.depth == 1 && len(c.word) < 8 {
			c.word = append(c.word, b)
		}
		return
	}
	switch b {
	case '"':
		c.inString = true
		if c.depth == 1 {
			c.word = c.word[:0]
		}
	case '{', '[':
		c.depth++
	case '}', ']':
		c.depth--
		if c.depth == 0 {
			c.keeping = false
		}
	case ':':
		if c.depth == 1 && string(c.word) == "crs" && c.found == nil {
			c.keeping, c.found = true, []byte{}
		}
	case ',':
		if c.depth == 1 {
			c.keeping = false
		}
	}
}
