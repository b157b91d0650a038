package jsonfile

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/paulmach/orb"

	"holdfast/geo/vector"
)

var errStop = errors.New("the consumer wants no more")

// reader turns JSON tokens into records. Its methods return only what ends the
// reading; what is wrong with one record goes into bad.
type reader struct {
	yield    func(vector.Record) bool
	declared string // the layer's coordinate system
	dec      *jsontext.Decoder
	guard    *vector.Guard
	number   int
	names    map[string]*propertyName
	scratch  []byte // of unquoted names

	// of the record being read
	bad       error
	positions vector.Positions
	extra     bool // a position had more than three numbers
	badText   bool // text was not UTF-8
	bigNumber bool // a number does not fit
	repeated  bool // a property's name came again
}

func newReader(yield func(vector.Record) bool, declared string) *reader {
	return &reader{yield: yield, declared: declared, names: map[string]*propertyName{}}
}

// stream reads JSON texts that follow one another.
func (r *reader) stream(in io.Reader) error {
	r.guard = &vector.Guard{R: in}
	r.dec = jsontext.NewDecoder(r.guard, lenient()...)
	for n := 0; ; n++ {
		err := r.top()
		switch {
		case errors.Is(err, io.EOF):
			if n == 0 {
				return errors.New("it is empty")
			}
			return nil
		case err != nil:
			return r.plain(err)
		}
	}
}

// texts reads JSON texts of which each stands for itself, so that a broken one
// costs only itself.
func (r *reader) texts(in *bufio.Reader, l layout) error {
	delimiter := byte('\n')
	if l == separated {
		delimiter = separator
	}
	r.guard = &vector.Guard{} // a text is in memory already
	r.dec = jsontext.NewDecoder(bytes.NewReader(nil))
	for {
		text, err := readText(in, delimiter)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if text = bytes.TrimSpace(bytes.TrimSuffix(text, []byte{delimiter})); len(text) > 0 {
			r.dec.Reset(bytes.NewBuffer(text), lenient()...)
			fault := r.top()
			if fault == nil && r.dec.InputOffset() < int64(len(text)) {
				fault = errors.New("something follows the end of the JSON text")
			}
			if errors.Is(fault, errStop) || errors.Is(fault, errCRS) {
				return fault
			}
			if fault != nil {
				r.number++
				if !r.yield(vector.Record{Number: r.number, Err: r.plain(fault)}) {
					return errStop
				}
			}
		}
		if err != nil {
			if r.number == 0 {
				return errors.New("it is empty")
			}
			return nil
		}
	}
}

// readText reads to the delimiter or the end, at most vector.MaxValue bytes.
func readText(in *bufio.Reader, delimiter byte) ([]byte, error) {
	var text []byte
	for {
		part, err := in.ReadSlice(delimiter)
		text = append(text, part...)
		if !errors.Is(err, bufio.ErrBufferFull) {
			return text, err
		}
		if len(text) > vector.MaxValue {
			return nil, vector.ErrTooLong
		}
	}
}

// plain words the decoder's errors for people.
func (r *reader) plain(err error) error {
	var syntax *jsontext.SyntacticError
	switch {
	case errors.Is(err, vector.ErrTooLong):
		return vector.ErrTooLong
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return io.ErrUnexpectedEOF
	case errors.As(err, &syntax):
		return fmt.Errorf("it is not valid JSON near byte %d: %w", syntax.ByteOffset, syntax.Err)
	}
	return err
}

// top reads one JSON text: a collection, a Feature or a geometry.
func (r *reader) top() error {
	switch kind := r.dec.PeekKind(); kind {
	case '{':
	case '[':
		return r.list()
	case 0:
		_, err := r.dec.ReadToken()
		return err
	default:
		return fmt.Errorf("found %s where an object was expected", kind)
	}
	o, err := r.object(true)
	if err != nil || o.streamed {
		return err
	}
	if o.kind == "FeatureCollection" {
		return errors.New("the FeatureCollection has no features")
	}
	return r.emit(o)
}

// list reads the features of a collection, or a bare list of Features.
func (r *reader) list() error {
	if _, err := r.dec.ReadToken(); err != nil {
		return err
	}
	for r.dec.PeekKind() != ']' {
		if k := r.dec.PeekKind(); k != '{' {
			r.begin()
			r.fault("found %s where a Feature was expected", k)
			if err := r.skip(); err != nil {
				return err
			}
			if err := r.emit(&object{kind: "Feature"}); err != nil {
				return err
			}
			continue
		}
		o, err := r.object(false)
		if err != nil {
			return err
		}
		if err := r.emit(o); err != nil {
			return err
		}
	}
	_, err := r.dec.ReadToken()
	return err
}

// object is what a JSON object held that may be a Feature or a geometry.
type object struct {
	kind     string
	id       string
	numeric  bool
	geometry orb.Geometry // of a Feature
	bare     shape        // when the object is a geometry itself
	props    vector.Properties
	top      bool // it is no member of a collection
	streamed bool // it was a collection, and its features have been read
}

func (r *reader) begin() {
	r.bad, r.extra, r.badText, r.bigNumber, r.repeated = nil, false, false, false, false
	r.positions = vector.Positions{}
	if len(r.names) > maxNames {
		clear(r.names)
	}
}

func (r *reader) fault(format string, args ...any) {
	if r.bad == nil {
		r.bad = fmt.Errorf(format, args...)
	}
}

func (r *reader) object(top bool) (*object, error) {
	r.begin()
	o := &object{top: top}
	if _, err := r.dec.ReadToken(); err != nil {
		return o, err
	}
	for r.dec.PeekKind() != '}' {
		key, err := r.key()
		if err != nil {
			return o, err
		}
		if err := r.member(o, key); err != nil {
			return o, err
		}
		r.guard.Reset()
	}
	_, err := r.dec.ReadToken()
	return o, err
}

func (r *reader) member(o *object, key string) (err error) {
	switch key {
	case "type":
		o.kind, err = r.kind()
	case "id":
		o.id, o.numeric, err = r.id()
	case "geometry":
		o.geometry, err = r.geometry(0)
	case "properties":
		o.props, err = r.properties()
	case "coordinates", "geometries":
		if o.kind == "Feature" || o.kind == "FeatureCollection" || !o.top {
			return r.skip()
		}
		err = r.shapeMember(&o.bare, o.kind, key, 0)
	case "features":
		if !o.top || r.dec.PeekKind() != '[' {
			r.fault("features is not a list")
			return r.skip()
		}
		o.streamed = true
		return r.list()
	case "crs":
		if !o.top {
			return r.skip()
		}
		return r.checkCRS()
	default:
		return r.skip()
	}
	return err
}

var errCRS = errors.New("the coordinate system is declared behind the records")

// checkCRS compares a "crs" member with what the layer said.
func (r *reader) checkCRS() error {
	raw, err := r.dec.ReadValue()
	if err != nil {
		return err
	}
	if declared, _ := declaredCRS(raw); declared != r.declared {
		return fmt.Errorf("%w as %q, which was not foreseen: put the \"crs\" member before the features", errCRS, declared)
	}
	return nil
}

// emit yields the record that an object makes.
func (r *reader) emit(o *object) error {
	r.number++
	rec := vector.Record{Number: r.number, ID: o.id, NumericID: o.numeric, Properties: o.props}
	g := o.geometry
	switch {
	case o.kind == "Feature":
	case o.kind == "":
		r.fault("the object has no type, so it is no Feature")
	case !o.top:
		r.fault("type is %q, not Feature", vector.ShortText(o.kind))
	default:
		if g = o.bare.build(r, o.kind); r.bad == nil && g == nil {
			r.fault("type is %q, not Feature", vector.ShortText(o.kind))
		}
	}
	if r.bad != nil {
		rec = vector.Record{Number: rec.Number, ID: rec.ID, NumericID: rec.NumericID, Err: r.bad}
	} else if g != nil {
		rec.Geometry = r.positions.Geometry(g)
	}
	r.addNotes(&rec)
	if !r.yield(rec) {
		return errStop
	}
	return nil
}

func (r *reader) addNotes(rec *vector.Record) {
	if r.extra {
		rec.Note("the numbers after the third of a position were left out (RFC 7946 §3.1.1)")
	}
	if r.badText {
		rec.Note(vector.FixedText)
	}
	if r.bigNumber {
		rec.Note("a number is too large and was taken as text")
	}
	if r.repeated {
		rec.Note("a property was given twice; the last value was taken")
	}
}

// skip passes over a value of any size without keeping it.
func (r *reader) skip() error {
	depth := r.dec.StackDepth()
	for {
		r.guard.Reset()
		if _, err := r.dec.ReadToken(); err != nil {
			return err
		}
		if r.dec.StackDepth() <= depth {
			return nil
		}
	}
}

// key reads the name of a member. It is valid until the next read when it is
// none of those that member knows.
func (r *reader) key() (string, error) {
	raw, err := r.dec.ReadValue()
	if err != nil {
		return "", err
	}
	for _, k := range knownKeys {
		if string(raw[1:len(raw)-1]) == k {
			return k, nil
		}
	}
	if bytes.IndexByte(raw, '\\') < 0 {
		return "", nil
	}
	s, _ := r.unquote(raw)
	return s, nil
}

var knownKeys = []string{"type", "geometry", "properties", "coordinates", "id", "geometries", "features", "crs"}

// kind reads the value of a "type" member.
func (r *reader) kind() (string, error) {
	if r.dec.PeekKind() != '"' {
		r.fault("type is not text")
		return "", r.skip()
	}
	raw, err := r.dec.ReadValue()
	if err != nil {
		return "", err
	}
	for _, k := range knownKinds {
		if string(raw[1:len(raw)-1]) == k {
			return k, nil
		}
	}
	s, _ := r.unquote(raw)
	return s, nil
}

var knownKinds = []string{"Feature", "Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection", "FeatureCollection"}

func (r *reader) id() (id string, numeric bool, err error) {
	kind := r.dec.PeekKind()
	if kind != '"' && kind != '0' && kind != 'n' {
		r.fault("id is neither text nor a number")
		return "", false, r.skip()
	}
	raw, err := r.dec.ReadValue()
	if err != nil || kind == 'n' {
		return "", false, err
	}
	if kind == '0' {
		return string(raw), true, nil
	}
	id, fixed := r.unquote(raw)
	r.badText = r.badText || fixed
	return id, false, nil
}

// unquote returns the text of a JSON string; fixed tells that it was not UTF-8.
func (r *reader) unquote(raw []byte) (s string, fixed bool) {
	inner := raw[1 : len(raw)-1]
	if bytes.IndexByte(inner, '\\') < 0 && utf8.Valid(inner) {
		return string(inner), false
	}
	if !utf8.Valid(raw) {
		var text string
		text, fixed = vector.FixText(string(raw))
		raw = []byte(text)
	}
	// The text is a valid JSON string; lone surrogates become U+FFFD.
	r.scratch, _ = jsontext.AppendUnquote(r.scratch[:0], raw)
	return string(r.scratch), fixed
}
