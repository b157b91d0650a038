package vector

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// Guard limits how much is read between two resets, so that one endless value
// cannot fill the memory. Beyond MaxValue bytes, Read fails with ErrTooLong.
type Guard struct {
	R    io.Reader
	read int
}

// ErrTooLong reports one value, name or line beyond MaxValue.
var ErrTooLong = fmt.Errorf("one value or line is longer than %d MB", MaxValue>>20)

func (g *Guard) Read(p []byte) (int, error) {
	if g.read >= MaxValue {
		return 0, ErrTooLong
	}
	n, err := g.R.Read(p[:min(len(p), MaxValue-g.read)])
	g.read += n
	return n, err
}

// Reset begins a new value.
func (g *Guard) Reset() { g.read = 0 }

// headSize is how much of a text DecodeText lets be looked at.
const headSize = 1 << 16

// DecodeText drops a UTF-8 byte order mark and turns UTF-16 with such a mark
// into UTF-8. The note is "" or says what was done. The reader's buffer holds
// at least 64 KB.
func DecodeText(r io.Reader) (in *bufio.Reader, note string) {
	in = bufio.NewReaderSize(r, headSize)
	mark, _ := in.Peek(3) // an error comes again with the first read
	switch {
	case bytes.HasPrefix(mark, []byte("\xef\xbb\xbf")):
		_, _ = in.Discard(3)
	case bytes.HasPrefix(mark, []byte("\xff\xfe")), bytes.HasPrefix(mark, []byte("\xfe\xff")):
		utf16 := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM)
		return bufio.NewReaderSize(transform.NewReader(in, utf16.NewDecoder()), headSize), "the text is UTF-16 and was read as such"
	}
	return in, ""
}

// FixText returns text that is not UTF-8 as Windows code page 1252 reads it, the
// most common of the old encodings, and false for text that needed no change.
func FixText(s string) (string, bool) {
	if utf8.ValidString(s) {
		return s, false
	}
	fixed, err := charmap.Windows1252.NewDecoder().String(s)
	if err != nil {
		return "", true // cannot happen: every byte has a character or U+FFFD
	}
	return fixed, true
}

// FixedText is the note on text that FixText changed.
const FixedText = "text that is not UTF-8 was read as Windows-1252"

// Broken words the error that ends a stream too early.
func Broken(err error, number int) error {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = errors.New("it ends in the middle of a record")
	}
	if number == 0 {
		return fmt.Errorf("%w: %w", ErrFormat, err)
	}
	return fmt.Errorf("%w beyond record %d: %w", ErrFormat, number, err)
}
