package exchange

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"hash/maphash"
	"io"
	"iter"
	"strings"
	"unicode/utf8"

	"github.com/paulmach/orb"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/survey"
)

// Format is a file format. These are the ones that this package reads itself;
// Open reads those of package vector too.
type Format = vector.Format

const (
	GeoJSON      = vector.GeoJSON
	TextSequence = vector.TextSequence
	CSV          = vector.CSV
)

// Options says how a file is read.
type Options struct {
	// File is the name to show in the report.
	File string
	// Extent is where the atlas lies. A place outside it that would fall
	// inside with longitude and latitude exchanged is refused as swapped.
	Extent *orb.Bound
	// CRS names the coordinate system of a file that declares none.
	CRS string
	// Table is the table to read of a file that has several.
	Table string
	// Map, when not nil, turns foreign columns and values into ours.
	Map *Mapping
	// Each, when not nil, is called for every record with how many there were;
	// its error ends the reading.
	Each func(done int) error
}

// giveUp is how many records may be refused before the first is accepted: a
// file of another kind is turned away without reading it all.
const giveUp = 10_000

func siteParser() func(record) (survey.Site, string, error) {
	used := newNames()
	return func(rec record) (survey.Site, string, error) {
		s, err := survey.ParseSite(rec.feature)
		if err != nil {
			return s, s.Code, err
		}
		if first, has := used.add(rec.number, "code", strings.ToLower(s.Code)); has {
			return s, s.Code, already("the code "+s.Code, first)
		}
		return s, s.Code, used.addID(rec.number, s.ID)
	}
}

func pointParser() func(record) (survey.Point, string, error) {
	used := newNames()
	return func(rec record) (survey.Point, string, error) {
		p, err := survey.ParsePoint(rec.feature)
		if err != nil {
			return p, p.Label, err
		}
		if first, has := used.add(rec.number, strings.ToLower(p.Site), strings.ToLower(p.Label)); has {
			return p, p.Label, already(fmt.Sprintf("the label %s of site %s", p.Label, p.Site), first)
		}
		return p, p.Label, used.addID(rec.number, p.ID)
	}
}

// names are those of the records of a file. Of each only a hash is kept, so that
// a million take tens of megabytes; that two of them share one is as likely as
// one in thirty million, and the seed is another at the next try.
type names struct {
	seed  maphash.Seed
	first map[uint64]uint32 // the record that had it first
}

func newNames() names { return names{maphash.MakeSeed(), map[uint64]uint32{}} }

// add returns the first record that had a name, if one had.
func (n names) add(number int, of, name string) (first uint32, has bool) {
	hash := maphash.Comparable(n.seed, [2]string{of, name})
	if first, has = n.first[hash]; !has {
		n.first[hash] = uint32(number)
	}
	return first, has
}

func (n names) addID(number int, id string) error {
	if id == "" {
		return nil
	}
	if first, has := n.add(number, "\x00id", id); has {
		return already("the id "+id, first)
	}
	return nil
}

// already refuses a name that an earlier record of the file has.
func already(name string, first uint32) error {
	return survey.Invalid("", "%s was used by record %d of this file already", name, first)
}

func layerParser(role survey.Role) func(record) (survey.LayerFeature, string, error) {
	return func(rec record) (survey.LayerFeature, string, error) {
		f := rec.feature
		return survey.LayerFeature{
			Role: role, ID: f.ID, Geometry: f.Geometry.Geometry, Heights: f.Geometry.Z, Properties: f.Properties,
		}, "", nil
	}
}

// recordsOf yields the records of a file and fills in what the report says of
// the file as a whole.
type recordsOf func(*Report) iter.Seq[record]

func fromReader(r io.Reader, s *schema) recordsOf {
	return func(report *Report) iter.Seq[record] { return records(r, s, report) }
}

// record is one record of a file on its way in.
type record struct {
	number  int
	line    int // of a CSV file
	feature geojson.Feature
	notes   []string
	err     error // why the record is refused
	fatal   error // why reading ends here
	column  func(pointer string) string
}

// stream reads records one by one, repairs their geometry, has them parsed and
// reports what became of each.
func stream[T any](records recordsOf, o Options, parse func(record) (T, string, error)) (iter.Seq2[T, error], *Report) {
	report := &Report{File: o.File, Records: []RecordReport{}}
	return func(yield func(T, error) bool) {
		var none T
		for rec := range records(report) {
			if o.Each != nil && rec.fatal == nil {
				rec.fatal = o.Each(report.Taken() + report.Refused + 1)
			}
			if rec.fatal != nil {
				yield(none, rec.fatal)
				return
			}
			item, ok := settle(rec, o, report, parse)
			if ok && !yield(item, nil) {
				return
			}
			if report.Taken() == 0 && report.Refused >= giveUp {
				yield(none, survey.Invalid("", "none of the first %d records can be used; the first: %s", giveUp, report.Records[0].Notes[0]))
				return
			}
		}
	}, report
}

// settle decides one record.
func settle[T any](rec record, o Options, report *Report, parse func(record) (T, string, error)) (item T, ok bool) {
	id, label := rec.feature.ID, ""
	err := rec.err
	if err == nil {
		var notes []string
		rec.feature.Geometry, notes, err = shape(rec.feature.Geometry, o.Extent)
		rec.notes = append(rec.notes, notes...)
	}
	if err == nil {
		item, label, err = parse(rec)
	}
	switch {
	case err != nil:
		report.add(rec, id, label, Refused, append(reasons(rec, err), rec.notes...))
		return item, false
	case len(rec.notes) > 0:
		report.add(rec, id, label, Repaired, rec.notes)
	default:
		report.add(rec, id, label, Accepted, nil)
	}
	report.cover(rec.feature.Geometry.Geometry)
	return item, true
}

// reasons lists what is wrong with a record, each with the place in the file's
// own terms.
func reasons(rec record, err error) []string {
	var invalid *survey.InvalidError
	if !errors.As(err, &invalid) {
		return []string{err.Error()}
	}
	out := make([]string, len(invalid.Problems))
	for i, p := range invalid.Problems {
		if rec.column != nil && p.Pointer != "" {
			out[i] = rec.column(p.Pointer) + ": " + p.Message
		} else {
			out[i] = p.String()
		}
	}
	return out
}

// headSize is how much of a file is looked at to tell what it is.
const headSize = 1 << 16

// records tells the format and reads in it.
func records(r io.Reader, s *schema, report *Report) iter.Seq[record] {
	in, head, err := decode(r, report)
	if err != nil {
		return refusedFile(err)
	}
	text := bytes.TrimLeft(head, " \t\r\n")
	switch {
	case len(text) == 0 && len(head) < headSize:
		return refusedFile(survey.Invalid("", "the file is empty"))
	case bytes.IndexByte(head, 0) >= 0 || len(text) == 0:
		return refusedFile(neither())
	case text[0] == 0x1e:
		report.Format = TextSequence
		return jsonRecords(in, report)
	case text[0] == '{' || text[0] == '[':
		report.Format = GeoJSON
		return jsonRecords(in, report)
	}
	line := text
	if end := bytes.IndexAny(text, "\r\n"); end >= 0 {
		line = text[:end]
	} else if len(head) == headSize {
		return refusedFile(neither())
	}
	if !utf8.Valid(line) {
		return refusedFile(survey.Invalid("", "the file is neither GeoJSON nor a CSV file in UTF-8 text"))
	}
	return csvRecords(in, string(line), s, report)
}

func neither() error {
	return survey.Invalid("", "the file is neither GeoJSON nor a CSV file whose first row names lon and lat, or wkt")
}

func refusedFile(err error) iter.Seq[record] {
	return func(yield func(record) bool) { yield(record{fatal: err}) }
}

// decode brings the text to UTF-8 where a byte order mark says that it is
// UTF-16, drops the mark, and returns the beginning.
func decode(r io.Reader, report *Report) (*bufio.Reader, []byte, error) {
	in := bufio.NewReaderSize(r, headSize)
	mark, _ := in.Peek(3)
	switch {
	case bytes.HasPrefix(mark, []byte("\xef\xbb\xbf")):
		_, _ = in.Discard(3)
	case bytes.HasPrefix(mark, []byte("\xff\xfe")), bytes.HasPrefix(mark, []byte("\xfe\xff")):
		utf16 := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM)
		in = bufio.NewReaderSize(transform.NewReader(in, utf16.NewDecoder()), headSize)
		report.Notes = append(report.Notes, "the file is UTF-16 text and was read as such")
	}
	head, err := in.Peek(headSize)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, nil, fmt.Errorf("read file: %w", err)
	}
	return in, head, nil
}
