package preplan

import (
	"fmt"
	"io"

	"codeberg.org/go-pdf/fpdf"

	"holdfast/survey/drawing"
	"holdfast/survey/drawing/lettering"
)

// WritePDF writes the sheet as PDF with embedded fonts. The same sheet gives
// the same bytes.
func WritePDF(w io.Writer, s Sheet) error {
	pages := compose(s)
	size := s.Paper.Size()
	pdf := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: size.W, Ht: size.H}})
	// Pages left as plain text cost twice the bytes and save a third of the
	// memory: the library makes a new compressor for every page.
	pdf.SetCompression(false)
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(s.PrintedAt)
	pdf.SetModificationDate(s.PrintedAt)
	pdf.SetProducer("holdfast", true)
	title, _ := lettering.Line(s.Title)
	pdf.SetTitle(title, true)
	pdf.SetLang("en-US")
	pdf.SetAutoPageBreak(false, 0)
	used := map[rune]bool{}
	for _, p := range pages {
		for _, m := range p.Marks {
			if t, ok := m.(drawing.Text); ok {
				for _, r := range lettering.Visual(t.Text) {
					used[r] = true
				}
			}
		}
	}
	regular, bold := lettering.Fonts(used)
	pdf.AddUTF8FontFromBytes(lettering.Family, "", regular)
	pdf.AddUTF8FontFromBytes(lettering.Family, "B", bold)
	for _, p := range pages {
		pdf.AddPage()
		p.PDF(pdf, drawing.Pt{})
		for _, b := range p.bookmarks {
			text, _ := lettering.Line(b)
			pdf.Bookmark(text, 0, 0)
		}
	}
	if err := pdf.Output(w); err != nil {
		return fmt.Errorf("write sheet as PDF: %w", err)
	}
	return nil
}
