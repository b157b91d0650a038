package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"holdfast/survey/atlas"
	"holdfast/survey/preplan"
	"holdfast/survey/sqlite"
)

type sheetCmd struct {
	Site  string `arg:"" help:"Site, by code or id."`
	To    string `help:"File to write; its ending chooses PDF or HTML." required:"" placeholder:"FILE"`
	Paper string `help:"Paper size." enum:"letter,a4" default:"letter"`
	JSON  bool   `help:"Say what was written as JSON."`
}

func (sheetCmd) Help() string {
	return `Examples:
  holdfast sheet QR-02 --to QR-02.pdf
  holdfast sheet QR-02 --to QR-02.html --paper a4`
}

func (c *sheetCmd) Run(ctx context.Context, g *globals, s *streams) error {
	write, err := c.writer()
	if err != nil {
		return err
	}
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	if err := writeSheet(ctx, a, c.Site, c.paper(), c.To, write); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, map[string]string{"site": c.Site, "file": c.To})
	}
	_, err = fmt.Fprintln(s.out, c.To)
	return err
}

func (c *sheetCmd) paper() preplan.Paper {
	if c.Paper == "a4" {
		return preplan.A4
	}
	return preplan.Letter
}

func (c *sheetCmd) writer() (func(io.Writer, preplan.Sheet) error, error) {
	switch strings.ToLower(filepath.Ext(c.To)) {
	case ".pdf":
		return preplan.WritePDF, nil
	case ".html":
		return wholeHTML, nil
	}
	return nil, misuse("--to %q: end the name in .pdf or .html", c.To)
}

// wholeHTML writes the sheet as one file that needs no other: the server sends
// its style sheet apart, a file on a stick cannot.
func wholeHTML(w io.Writer, s preplan.Sheet) error {
	const address = "sheet.css"
	var page bytes.Buffer
	if err := preplan.WriteHTML(&page, s, address); err != nil {
		return err
	}
	link := `<link rel="stylesheet" href="` + address + `">`
	if !bytes.Contains(page.Bytes(), []byte(link)) {
		return errors.New("the sheet has no place for its style")
	}
	_, err := w.Write(bytes.Replace(page.Bytes(), []byte(link), []byte("<style>"+preplan.Stylesheet+"</style>"), 1))
	return err
}

// writeSheet writes the sheet of a site beside its final name first, so that
// a failure leaves no half sheet and an older one stays whole.
func writeSheet(ctx context.Context, a atlas.Atlas, site string, paper preplan.Paper, to string, write func(io.Writer, preplan.Sheet) error) error {
	sheet, err := a.Sheet(ctx, site, paper)
	if err != nil {
		return err
	}
	return beside(to, "the sheet", func(w io.Writer) error {
		if err := write(w, sheet); err != nil {
			return fmt.Errorf("write the sheet: %w", err)
		}
		return nil
	})
}
