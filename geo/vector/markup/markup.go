// Package markup reads XML from strangers: no document type definitions and so
// no entities of the file's own, no tag, text or nesting without bounds.
package markup

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"

	"golang.org/x/text/transform"

	"holdfast/geo/vector"
)

// Bounds beside vector.MaxValue, which holds for every token.
const (
	maxDepth = 100
	maxTag   = 1 << 20 // bytes of a tag with its attributes
	// maxTokens is for one record: half a million positions, each with an elevation,
	// a time and white space between them.
	maxTokens = 7_000_000
)

var (
	// ErrDTD reports a document type definition, which could declare entities.
	ErrDTD  = errors.New("the XML has a document type definition, which is not allowed")
	errDeep = errors.New("the XML is nested too deep")
	errMuch = errors.New("one record of the XML holds too much")
	errTag  = fmt.Errorf("a tag of the XML is longer than %d bytes", maxTag)
)

// Reader reads tokens.
type Reader struct {
	dec   *xml.Decoder
	guard *vector.Guard
	depth int
	// tokens of the current record
	tokens int
}

// NewReader reads XML in any encoding it declares.
func NewReader(r io.Reader) *Reader {
	in, _ := vector.DecodeText(r)
	guard := &vector.Guard{R: in}
	dec := xml.NewDecoder(&tags{r: guard})
	dec.CharsetReader = charset
	return &Reader{dec: dec, guard: guard}
}

func charset(label string, in io.Reader) (io.Reader, error) {
	if strings.HasPrefix(strings.ToLower(label), "utf-16") {
		return in, nil // its byte order mark was seen and the text decoded
	}
	e, known := vector.Charset(label)
	if !known {
		return nil, fmt.Errorf("the encoding %q is not known", vector.ShortText(label))
	}
	return transform.NewReader(in, e.NewDecoder()), nil
}

// tags fails on tags beyond maxTag.
type tags struct {
	r      io.Reader
	length int // of the open tag, 0 outside
	opened bool
}

func (t *tags) Read(p []byte) (int, error) {
	n, err := t.r.Read(p)
	for _, b := range p[:n] {
		switch {
		case t.opened: // <! begins text that may be long: CDATA or a comment
			t.opened = false
			if t.length = 2; b == '!' || b == '?' {
				t.length = 0
			}
		case b == '<':
			t.opened = true
		case b == '>':
			t.length = 0
		case t.length > 0:
			if t.length++; t.length > maxTag {
				return 0, errTag
			}
		}
	}
	return n, err
}

// Record begins a new record.
func (r *Reader) Record() { r.tokens = 0 }

// Token returns the next start, end or text; comments and instructions are
// passed over.
func (r *Reader) Token() (xml.Token, error) {
	for {
		r.guard.Reset()
		tok, err := r.dec.Token()
		if err != nil {
			return nil, err
		}
		if r.tokens++; r.tokens > maxTokens {
			return nil, errMuch
		}
		switch tok.(type) {
		case xml.StartElement:
			if r.depth++; r.depth > maxDepth {
				return nil, errDeep
			}
			return tok, nil
		case xml.EndElement:
			r.depth--
			return tok, nil
		case xml.CharData:
			return tok, nil
		case xml.Directive:
			return nil, ErrDTD
		}
	}
}

// Skip passes over what is left of the element that began last.
func (r *Reader) Skip() error {
	outside := r.depth - 1
	for r.depth > outside {
		if _, err := r.Token(); err != nil {
			return err
		}
	}
	return nil
}

// Text returns the text in the element that began last, without that in the
// elements inside it, and passes over its end.
func (r *Reader) Text() (string, error) {
	inside := r.depth
	var b strings.Builder
	for {
		tok, err := r.Token()
		if err != nil {
			return "", err
		}
		switch tok := tok.(type) {
		case xml.CharData:
			if r.depth != inside {
				continue
			}
			if b.Len()+len(tok) > vector.MaxValue {
				return "", vector.ErrTooLong
			}
			b.Write(tok)
		case xml.EndElement:
			if r.depth < inside {
				return strings.TrimSpace(b.String()), nil
			}
		}
	}
}

// Children calls f for each element directly inside the one that began last,
// and passes over its end. f must read to the end of its element.
func (r *Reader) Children(f func(xml.StartElement) error) error {
	for {
		tok, err := r.Token()
		if err != nil {
			return err
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			if err := f(tok); err != nil {
				return err
			}
		case xml.EndElement:
			return nil
		}
	}
}

// Root reads to the first element.
func (r *Reader) Root() (xml.StartElement, error) {
	for {
		tok, err := r.Token()
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = io.ErrUnexpectedEOF
			}
			return xml.StartElement{}, err
		}
		if start, is := tok.(xml.StartElement); is {
			return start, nil
		}
	}
}

// Attr returns the value of an attribute, "" when it is missing.
func Attr(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name && a.Name.Space == "" {
			return a.Value
		}
	}
	return ""
}

// Plain words the decoder's errors for people.
func Plain(err error) error {
	var syntax *xml.SyntaxError
	switch {
	case errors.Is(err, io.EOF):
		return io.ErrUnexpectedEOF
	case errors.As(err, &syntax):
		if syntax.Msg == "unexpected EOF" {
			return io.ErrUnexpectedEOF
		}
		return fmt.Errorf("it is not valid XML: line %d: %s", syntax.Line, syntax.Msg)
	}
	return err
}
