package preplan

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"holdfast/survey/answer"
	"holdfast/survey/drawing"
)

// Stylesheet is the style sheet that the HTML is written for. The caller
// serves it and gives WriteHTML its address.
//
//go:embed sheet.css
var Stylesheet string

//go:embed sheet.gohtml
var sheetTemplate string

// WriteHTML writes the sheet as one HTML page that prints by itself, without
// script and without inline style. The stylesheet is the address at which
// Stylesheet is served. The same sheet gives the same bytes.
func WriteHTML(w io.Writer, s Sheet, stylesheet string) error {
	figures := 0 // numbers the drawings of this page
	svg := func(d drawing.Drawing) (template.HTML, error) {
		figures++
		var b bytes.Buffer
		if err := d.SVG(&b, fmt.Sprintf("figure-%d", figures)); err != nil {
			return "", err
		}
		return template.HTML(b.String()), nil // escaped by SVG
	}
	figure := func(d drawing.Drawing) (template.HTML, error) {
		h, err := svg(d)
		if text := roomless(d.Left); text != "" {
			h += template.HTML("<figcaption>" + template.HTMLEscapeString(text) + "</figcaption>")
		}
		return "<figure>" + h + "</figure>", err
	}
	t, err := template.New("sheet").Funcs(template.FuncMap{
		"sentence": sentence,
		"shares":   shares,
		"geo":      func(uri string) template.URL { return template.URL(uri) }, // made by geoURI
		"figure":   func(f Figure) (template.HTML, error) { return figure(f.Drawer.Draw(f.Size)) },
		"siteMap":  func(m drawing.SiteMap) (template.HTML, error) { return figure(m.Draw(drawing.Size{W: 108, H: 58})) },
		"qr": func(text string) (template.HTML, error) {
			box := drawing.Box{X1: 28, Y1: 28}
			return svg(drawing.Drawing{Size: drawing.Size{W: 28, H: 28}, Title: "Code to scan", Desc: text, Marks: drawing.CodeMarks(text, box)})
		},
		"verdict": func(v answer.Verdict) (template.HTML, error) {
			const r = 5.0
			word := drawing.VerdictWord(v)
			h, err := svg(drawing.Drawing{Size: drawing.Size{W: 12, H: 12}, Title: word, Desc: "mark of the verdict", Marks: drawing.VerdictMark(v, drawing.Pt{X: 6, Y: 6}, r)})
			return template.HTML(`<span class="verdict">`) + h + template.HTML(" "+word+"</span> "), err
		},
	}).Parse(sheetTemplate)
	if err != nil {
		return fmt.Errorf("read the template of the sheet: %w", err)
	}
	page := struct {
		Sheet
		Stylesheet, PaperName string
	}{s, stylesheet, string(cmp.Or(s.Paper, A4))}
	if err := t.Execute(w, page); err != nil {
		return fmt.Errorf("write sheet as HTML: %w", err)
	}
	return nil
}

// shares turns the widths of columns into percentages.
func shares(widths []float64) (out []string) {
	total := 0.0
	for _, w := range widths {
		total += w
	}
	for _, w := range widths {
		out = append(out, fmt.Sprintf("%.0f%%", 100*w/total))
	}
	return out
}
