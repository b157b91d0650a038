package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"path/filepath"
	"strings"

	"holdfast/survey/atlas"
	"holdfast/survey/preplan"
	"holdfast/survey/sqlite"
)

type sheetCmd struct {
	Of      []string `arg:"" optional:"" name:"site" help:"Sites, by code or id; for .svg and .dxf one point, by id or as SITE/LABEL."`
	All     bool     `help:"A book of every site."`
	To      string   `help:"File to write; its ending chooses PDF, HTML, SVG or DXF." required:"" placeholder:"FILE"`
	Paper   string   `help:"Paper size." enum:"letter,a4" default:"letter"`
	Address string   `help:"Where the server is reached, for the code to scan." env:"HOLDFAST_ADDRESS" placeholder:"URL"`
	JSON    bool     `help:"Say what was written as JSON."`
}

func (sheetCmd) Help() string {
	return `Examples:
  holdfast sheet QR-02 --to QR-02.pdf
  holdfast sheet QR-02 --to QR-02.html --paper a4 --address https://atlas.example
  holdfast sheet QR-01 QR-02 --to two.pdf
  holdfast sheet --all --to book.pdf
  holdfast sheet QR-02/P3 --to layout.dxf

Several sites become one PDF, a book with contents and an index by grid square.
A point's layout is written as SVG to scale, or as DXF in metres on its UTM grid.`
}

func (c *sheetCmd) Run(ctx context.Context, g *globals, s *streams) error {
	if err := c.check(); err != nil {
		return err
	}
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	write, err := c.writer(ctx, a, s)
	if err != nil {
		return err
	}
	if err := beside(c.To, "the "+c.what(), write); err != nil {
		return err
	}
	if c.JSON {
		out := map[string]any{"file": c.To, "all": c.All, "of": c.Of}
		return printJSON(s.out, out)
	}
	_, err = fmt.Fprintln(s.out, c.To)
	return err
}

func (c *sheetCmd) ending() string { return strings.ToLower(filepath.Ext(c.To)) }

// check refuses what cannot mean anything before the atlas is opened.
func (c *sheetCmd) check() error {
	if c.All == (len(c.Of) > 0) {
		return misuse("name a site, several, or give --all, not both")
	}
	if u, err := url.Parse(c.Address); err != nil || c.Address != "" && (u.Scheme != "http" && u.Scheme != "https" || u.Host == "") {
		return misuse("--address %q: give it whole, like https://atlas.example", c.Address)
	}
	switch one := !c.All && len(c.Of) == 1; c.ending() {
	case ".pdf":
	case ".html":
		if !one {
			return misuse("--to %q: several sites become one PDF; end the name in .pdf", c.To)
		}
	case ".svg", ".dxf":
		if !one {
			return misuse("--to %q: a layout is that of one point, such as QR-02/P3", c.To)
		}
	default:
		return misuse("--to %q: end the name in .pdf or .html, or .svg or .dxf for the layout of a point", c.To)
	}
	return nil
}

// what names the thing being written.
func (c *sheetCmd) what() string {
	switch {
	case c.ending() == ".svg" || c.ending() == ".dxf":
		return "layout"
	case c.All || len(c.Of) > 1:
		return "book"
	}
	return "sheet"
}

// writer makes what is asked for and returns what writes it.
func (c *sheetCmd) writer(ctx context.Context, a atlas.Atlas, s *streams) (func(io.Writer) error, error) {
	print := atlas.Print{Paper: c.paper(), Address: c.Address}
	switch c.what() {
	case "layout":
		l, err := a.Layout(ctx, c.Of[0], atlas.Ask{})
		if err != nil {
			return nil, err
		}
		if c.ending() == ".svg" {
			return l.WriteSVG, nil
		}
		return l.WriteDXF, nil
	case "book":
		return func(w io.Writer) error { return a.Book(ctx, w, c.Of, print, progressLine(s.err, "sheets written")) }, nil
	}
	sheet, err := a.Sheet(ctx, c.Of[0], print)
	if err != nil {
		return nil, err
	}
	return func(w io.Writer) error {
		if c.ending() == ".html" {
			return wholeHTML(w, sheet)
		}
		return preplan.WritePDF(w, sheet)
	}, nil
}

func (c *sheetCmd) paper() preplan.Paper {
	if c.Paper == "a4" {
		return preplan.A4
	}
	return preplan.Letter
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
