// Package pdf writes drawings as the pages of a tagged PDF: ISO 32000-1 with
// embedded fonts, text that can be selected and searched, and a structure tree
// that a screen reader follows (headings, paragraphs, tables, figures with
// their description). Page after page goes out as it is made, so that a book
// of any length takes little memory; the same pages give the same bytes.
//
// No conformance to PDF/UA is claimed in the file.
package pdf

import (
	"bufio"
	"bytes"
	"compress/zlib"
	"crypto/sha256"
	"fmt"
	"hash"
	"io"
	"strconv"
	"time"

	"holdfast/survey/drawing/lettering"
)

// Info is what a document says of itself.
type Info struct {
	Title string
	Lang  string    // RFC 5646, such as en-US
	Made  time.Time // printed into the file as its date
}

// producer names the program in the file.
const producer = "holdfast"

// Document is a PDF under way. Its methods keep the first error and do
// nothing after it; Close returns it.
type Document struct {
	out    *bufio.Writer
	at     int64 // bytes written
	sum    hash.Hash
	err    error
	info   Info
	places []place // by object number; 0 is never used

	pending   bytes.Buffer // the object stream under way
	offsets   []byte
	packed    int
	container int

	deflater *zlib.Writer
	squeezed bytes.Buffer
	content  content

	catalog, tree, top, root int // objects that others refer to before they are written
	faces                    [2]int
	used                     [2]lettering.Set

	branches series[*branch]
	pages    int
	sections series[int]
	outline  series[entry]
	parents  []int // the object with the owners of each page's marks, by key
	front    bool
}

// place is where an object lies: at an offset, or as the so manyth of an
// object stream.
type place struct {
	at    int64
	index int16
	kind  uint8 // 0 is not written, 1 at an offset, 2 in a stream
}

// series is a list that can also grow at its front.
type series[T any] struct{ front, back []T }

func (s *series[T]) add(front bool, v T) {
	if front {
		s.front = append(s.front, v)
	} else {
		s.back = append(s.back, v)
	}
}

func (s *series[T]) all() []T { return append(s.front[:len(s.front):len(s.front)], s.back...) }

// branch is a run of pages in the tree of pages.
type branch struct {
	num  int
	kids []int
}

const perBranch = 64

// entry is a line of the outline.
type entry struct {
	title string
	page  int
	level int
}

// New begins a document.
func New(w io.Writer, i Info) *Document {
	d := &Document{out: bufio.NewWriterSize(w, 64<<10), info: i, sum: sha256.New(), places: make([]place, 1, 256)}
	d.places[0].index = -1 // the head of the list of free objects
	d.catalog, d.tree, d.top, d.root = d.reserve(), d.reserve(), d.reserve(), d.reserve()
	d.faces = [2]int{d.reserve(), d.reserve()}
	d.write([]byte("%PDF-1.7\n%\xE2\xE3\xCF\xD3\n"))
	return d
}

// Front puts the pages, sections and outline entries made from now on before
// all others: contents can be written once the page numbers are known.
func (d *Document) Front() { d.front = true }

// Pages returns how many pages there are so far.
func (d *Document) Pages() int { return d.pages }

// Outline adds a line to the outline that leads to a page; level 0 is the
// outermost.
func (d *Document) Outline(title string, level int, p Page) {
	d.outline.add(d.front, entry{title, p.num, level})
}

func (d *Document) write(b []byte) {
	if d.err != nil {
		return
	}
	n, err := d.out.Write(b)
	d.at += int64(n)
	d.sum.Write(b[:n])
	if err != nil {
		d.err = fmt.Errorf("write PDF: %w", err)
	}
}

// reserve takes the number of an object that will be written later.
func (d *Document) reserve() int {
	d.places = append(d.places, place{})
	return len(d.places) - 1
}

// perContainer is how many objects share an object stream.
const perContainer = 200

// object writes an object that is no stream.
func (d *Document) object(num int, format string, args ...any) {
	if d.container == 0 {
		d.container = d.reserve()
	}
	d.places[num] = place{at: int64(d.container), index: int16(d.packed), kind: 2}
	d.offsets = fmt.Appendf(d.offsets, "%d %d ", num, d.pending.Len())
	fmt.Fprintf(&d.pending, format, args...)
	d.pending.WriteByte('\n')
	if d.packed++; d.packed == perContainer {
		d.flush()
	}
}

// flush writes the object stream under way.
func (d *Document) flush() {
	if d.packed == 0 {
		return
	}
	body := append(d.offsets, d.pending.Bytes()...)
	d.stream(d.container, fmt.Sprintf("/Type /ObjStm /N %d /First %d", d.packed, len(d.offsets)), body, true)
	d.offsets, d.packed, d.container = body[:0], 0, 0
	d.pending.Reset()
}

// stream writes a stream object.
func (d *Document) stream(num int, dict string, body []byte, compress bool) {
	if compress {
		body = d.compress(body)
		dict += " /Filter /FlateDecode"
	}
	d.places[num] = place{at: d.at, kind: 1}
	d.write(fmt.Appendf(nil, "%d 0 obj\n<<%s /Length %d>>\nstream\n", num, dict, len(body)))
	d.write(body)
	d.write([]byte("\nendstream\nendobj\n"))
}

// compress deflates; the result is good until the next call.
func (d *Document) compress(body []byte) []byte {
	d.squeezed.Reset()
	if d.deflater == nil {
		d.deflater, _ = zlib.NewWriterLevel(&d.squeezed, zlib.BestSpeed) // the level is one of those there are
	} else {
		d.deflater.Reset(&d.squeezed)
	}
	d.deflater.Write(body) // a buffer takes everything
	d.deflater.Close()
	return d.squeezed.Bytes()
}

// Close writes what is left: fonts, structure, outline and the table of
// objects. It returns the first error of the whole document.
func (d *Document) Close() error {
	d.fonts()
	d.pageTree()
	d.structure()
	outline := d.outlines()
	meta := d.reserve()
	d.stream(meta, "/Type /Metadata /Subtype /XML", d.metadata(), false)
	shown := ""
	if outline != 0 {
		shown = fmt.Sprintf(" /Outlines %d 0 R /PageMode /UseOutlines", outline)
	}
	d.object(d.catalog, "<</Type /Catalog /Pages %d 0 R /StructTreeRoot %d 0 R /MarkInfo <</Marked true>> /Metadata %d 0 R /Lang %s /ViewerPreferences <</DisplayDocTitle true>>%s>>",
		d.tree, d.top, meta, literal(d.info.Lang), shown)
	info := d.reserve()
	made := literal(d.info.Made.UTC().Format("D:20060102150405Z"))
	d.object(info, "<</Title %s /Producer %s /CreationDate %s /ModDate %s>>", textString(d.info.Title), textString(producer), made, made)
	d.flush()
	d.crossReference(info)
	if err := d.out.Flush(); err != nil && d.err == nil {
		d.err = fmt.Errorf("write PDF: %w", err)
	}
	return d.err
}

// join adds a page to the tree of pages and returns the branch it is on.
func (d *Document) join(page int) (parent int) {
	list := &d.branches.back
	if d.front {
		list = &d.branches.front
	}
	if n := len(*list); n == 0 || len((*list)[n-1].kids) == perBranch {
		*list = append(*list, &branch{num: d.reserve()})
	}
	b := (*list)[len(*list)-1]
	b.kids = append(b.kids, page)
	d.pages++
	return b.num
}

func (d *Document) pageTree() {
	var nums []int
	for _, b := range d.branches.all() {
		d.object(b.num, "<</Type /Pages /Parent %d 0 R /Count %d /Kids [%s]>>", d.tree, len(b.kids), references(b.kids))
		nums = append(nums, b.num)
	}
	d.object(d.tree, "<</Type /Pages /Count %d /Kids [%s]>>", d.pages, references(nums))
}

func references(nums []int) (list []byte) {
	for _, n := range nums {
		list = strconv.AppendInt(list, int64(n), 10)
		list = append(list, " 0 R "...)
	}
	return bytes.TrimRight(list, " ")
}

// outlines writes the outline and returns its object, or 0 where it is empty.
func (d *Document) outlines() int {
	all := d.outline.all()
	if len(all) == 0 {
		return 0
	}
	root := d.reserve()
	nums := make([]int, len(all))
	for i := range all {
		nums[i] = d.reserve()
	}
	// family writes the entries of one level between two places.
	var family func(from, to, level, parent int) (first, last, count int)
	family = func(from, to, level, parent int) (first, last, count int) {
		var heads []int
		for i := from; i < to; i++ {
			if all[i].level <= level {
				heads = append(heads, i)
			}
		}
		for k, i := range heads {
			end := to
			if k+1 < len(heads) {
				end = heads[k+1]
			}
			links := ""
			if k > 0 {
				links += fmt.Sprintf(" /Prev %d 0 R", nums[heads[k-1]])
			}
			if k+1 < len(heads) {
				links += fmt.Sprintf(" /Next %d 0 R", nums[heads[k+1]])
			}
			if a, b, n := family(i+1, end, level+1, nums[i]); n > 0 {
				links += fmt.Sprintf(" /First %d 0 R /Last %d 0 R /Count %d", a, b, -n) // closed
			}
			d.object(nums[i], "<</Title %s /Parent %d 0 R /Dest [%d 0 R /Fit]%s>>", textString(all[i].title), parent, all[i].page, links)
		}
		if len(heads) == 0 {
			return 0, 0, 0
		}
		return nums[heads[0]], nums[heads[len(heads)-1]], len(heads)
	}
	first, last, n := family(0, len(all), 0, root)
	d.object(root, "<</Type /Outlines /First %d 0 R /Last %d 0 R /Count %d>>", first, last, n)
	return root
}

// crossReference writes the table of objects and the end of the file.
func (d *Document) crossReference(info int) {
	num := d.reserve()
	d.places[num] = place{at: d.at, kind: 1}
	table := make([]byte, 0, 8*len(d.places))
	for _, p := range d.places {
		at := p.at
		table = append(table, p.kind, byte(at>>32), byte(at>>24), byte(at>>16), byte(at>>8), byte(at), byte(p.index>>8), byte(p.index))
	}
	id := fmt.Sprintf("%x", d.sum.Sum(nil)[:16])
	start := d.at
	d.stream(num, fmt.Sprintf("/Type /XRef /Size %d /W [1 5 2] /Root %d 0 R /Info %d 0 R /ID [<%s> <%s>]", len(d.places), d.catalog, info, id, id), table, true)
	d.write(fmt.Appendf(nil, "startxref\n%d\n%%%%EOF\n", start))
}
