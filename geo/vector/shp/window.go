package shp

import (
	"errors"
	"io"
)

// window reads pieces that mostly follow one another through a buffer.
type window struct {
	r    *io.SectionReader
	buf  []byte
	from int64 // of buf in r
}

const windowSize = 1 << 18

func newWindow(r *io.SectionReader) *window { return &window{r: r} }

// bytes returns n bytes from an offset; they are valid until the next call.
func (w *window) bytes(at int64, n int) ([]byte, error) {
	if at < 0 || n < 0 || at > w.r.Size()-int64(n) {
		return nil, io.ErrUnexpectedEOF
	}
	if at < w.from || at+int64(n) > w.from+int64(len(w.buf)) {
		size := int(min(int64(max(n, windowSize)), w.r.Size()-at))
		if cap(w.buf) < size || cap(w.buf) > 4*windowSize && size <= windowSize {
			w.buf = make([]byte, size)
		}
		w.buf, w.from = w.buf[:size], at
		if got, err := w.r.ReadAt(w.buf, at); got < n {
			w.buf = w.buf[:0]
			if errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF
			}
			return nil, err
		} else if got < size {
			w.buf = w.buf[:got]
		}
	}
	i := at - w.from
	return w.buf[i : i+int64(n)], nil
}
