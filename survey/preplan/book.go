package preplan

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/pdf"
	"holdfast/survey/drawing/wording"
)

// BookInput is what a book is made of besides its sheets.
type BookInput struct {
	Sites         []survey.Site // in the order of the book
	Policy        survey.Policy
	AtlasRevision int64
	PrintedAt     time.Time
	Paper         Paper
}

// Book writes the sheets of many sites as one PDF: cover, contents, the sheets,
// and an index by grid square. Every sheet begins on the front of a leaf, and
// goes out as it is added, so that the book takes little memory however many
// sites it has.
type Book struct {
	BookInput
	doc     *pdf.Document
	total   pdf.Stamp // how many pages there are
	count   int       // pages before the sheets
	entries []bookEntry
	index   []indexEntry
	counts  map[answer.Verdict]int
	points  int
}

// bookEntry is a line of the contents.
type bookEntry struct {
	page     int
	at       pdf.Page
	verdicts map[answer.Verdict]int
	state    string
}

// indexEntry is a point in the index.
type indexEntry struct {
	square, within string // 1 km square; 100 m square in it
	name           string
	page           int
	at             pdf.Page
}

// NewBook begins a book. A sheet for each of its sites must be added, in their
// order.
func NewBook(w io.Writer, in BookInput) *Book {
	b := &Book{BookInput: in, counts: map[answer.Verdict]int{}}
	title, _ := lettering.Line(b.title())
	b.doc = pdf.New(w, pdf.Info{Title: title, Lang: language, Made: in.PrintedAt})
	b.total = b.doc.Stamp(in.Paper.Size())
	b.entries = make([]bookEntry, len(in.Sites))
	b.count = len(b.opening().pages) // as many as with the figures filled in
	b.entries = b.entries[:0]
	return b
}

func (b *Book) title() string {
	var names []string
	for _, s := range b.Sites {
		if d := strings.TrimSpace(s.District); d != "" && !slices.Contains(names, d) {
			names = append(names, d)
		}
	}
	const most = 4
	if len(names) > most {
		names = append(names[:most], fmt.Sprintf("%d other districts", len(names)-most))
	}
	return clip("Atlas of anchor points: "+cmp.Or(strings.Join(names, ", "), "district "+wording.NotRecorded), 240)
}

// Add writes the sheet of the next site.
func (b *Book) Add(s Sheet) {
	l := compose(s, true)
	first := b.count + b.doc.Pages() + 1
	e := bookEntry{page: first, verdicts: map[answer.Verdict]int{}, state: s.State}
	pages := make([]pdf.Page, len(l.pages))
	for i, p := range l.pages {
		pages[i] = b.doc.Page(l.size, append(p.pieces, b.number(first+i)), b.total)
	}
	e.at = pages[0]
	name, _ := lettering.Line(s.Running)
	b.doc.Outline(name, 0, e.at)
	placed := false
	for i, p := range s.Parts {
		title, _ := lettering.Line(p.Title)
		at := l.begins[i]
		b.doc.Outline(title, 1, pages[at-1])
		if !p.Leaf {
			continue
		}
		e.verdicts[p.Verdict]++
		b.counts[p.Verdict]++
		b.points++
		placed = true
		b.indexed(p.Grid, s.Front.Code+" "+strings.TrimPrefix(p.Title, "Point "), first+at-1, pages[at-1])
	}
	if !placed {
		b.indexed(s.Front.Grid, s.Front.Code+" (no point)", first, e.at)
	}
	b.entries = append(b.entries, e)
	b.doc.Finish(l.section)
}

// indexed enters a place under its 1 km square.
func (b *Book) indexed(grid, name string, page int, at pdf.Page) {
	e := indexEntry{square: "without a grid reference", name: name, page: page, at: at}
	if f := strings.Fields(grid); len(f) == 4 && len(f[2]) == 5 && len(f[3]) == 5 {
		e.square = f[0] + " " + f[1] + " " + f[2][:2] + " " + f[3][:2]
		e.within = f[2][:3] + " " + f[3][:3]
	}
	b.index = append(b.index, e)
}

// number is the page's place in the book, at its foot; how many pages there
// are follows it from the stamp.
func (b *Book) number(n int) pdf.Piece {
	size := b.Paper.Size()
	return pdf.Piece{Drawing: drawing.Drawing{Size: size, Marks: []drawing.Mark{drawing.Text{
		At: drawing.Pt{X: size.W - margin - totalWidth(), Y: numberLine(size)}, Text: fmt.Sprintf("book page %d of ", n), Size: fine, Align: drawing.End,
	}}}}
}

// numberLine is where the number of the book's page stands: on the second line
// of the foot.
func numberLine(size drawing.Size) float64 {
	return size.H - below - lineHeight(fine) + baseline(fine)
}

func totalWidth() float64 { return lettering.Width(lettering.Regular, fine, "00,000") }

// Close writes index, cover and contents. It returns the first error of the
// whole book.
func (b *Book) Close() error {
	if len(b.entries) != len(b.Sites) {
		return fmt.Errorf("write book: %d sheets for %d sites", len(b.entries), len(b.Sites))
	}
	back := b.back()
	n := b.count + b.doc.Pages()
	for i, p := range back.pages {
		at := b.doc.Page(back.size, append(p.pieces, b.number(n+i+1)), b.total)
		if i == 0 {
			b.doc.Outline("Index by grid square", 0, at)
		}
	}
	b.doc.Finish(back.section)
	all := b.count + b.doc.Pages()
	b.doc.Front()
	opening := b.opening()
	for i, p := range opening.pages {
		at := b.doc.Page(opening.size, append(p.pieces, b.number(i+1)), b.total)
		if i == 0 {
			b.doc.Outline("Cover and contents", 0, at)
		}
	}
	b.doc.Finish(opening.section)
	size := b.Paper.Size()
	b.doc.Draw(b.total, drawing.Drawing{Size: size, Marks: []drawing.Mark{drawing.Text{
		At: drawing.Pt{X: size.W - margin - totalWidth(), Y: numberLine(size)}, Text: fmt.Sprint(all), Size: fine,
	}}})
	if err := b.doc.Close(); err != nil {
		return fmt.Errorf("write book: %w", err)
	}
	return nil
}
