package preplan

import (
	"fmt"
	"io"

	"holdfast/survey/drawing/lettering"
	"holdfast/survey/drawing/pdf"
)

// language is that of the words the program writes.
const language = "en-US"

// WritePDF writes the sheet as tagged PDF with embedded fonts. The same sheet
// gives the same bytes.
func WritePDF(w io.Writer, s Sheet) error {
	title, _ := lettering.Line(s.Title)
	doc := pdf.New(w, pdf.Info{Title: title, Lang: language, Made: s.PrintedAt})
	l := compose(s, false)
	for _, p := range l.pages {
		at := doc.Page(l.size, p.pieces)
		for _, b := range p.bookmarks {
			text, _ := lettering.Line(b)
			doc.Outline(text, 0, at)
		}
	}
	doc.Finish(l.section)
	if err := doc.Close(); err != nil {
		return fmt.Errorf("write sheet as PDF: %w", err)
	}
	return nil
}
