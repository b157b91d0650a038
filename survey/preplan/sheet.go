// Package preplan arranges what is known of a site into the sheet that is
// printed for it: what stands where, in which order, with which source. The
// arrangement is a value, made once, and written as PDF and as HTML.
//
// The first page is for a person with a minute and a head lamp; what concerns
// the whole site is on its back. Each point is one leaf: on its front what a
// crew needs to build the anchor, on its back the checks and the evidence. The
// sources stand once, at the end, and are cited by number. Whatever is unknown,
// stale or unsigned is printed as loudly as what is known.
package preplan

import (
	"time"

	"github.com/paulmach/orb"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/surround"
)

// Paper is the size of the pages, upright.
type Paper string

const (
	A4     Paper = "A4"
	Letter Paper = "Letter"
)

// Size returns the size of a page in millimetres: ISO 216 A4, or US Letter of
// 8.5 by 11 inches. Any other paper is A4.
func (p Paper) Size() drawing.Size {
	if p == Letter {
		return drawing.Size{W: 215.9, H: 279.4}
	}
	return drawing.Size{W: 210, H: 297}
}

// Input is everything a sheet depends on; it is a pure function of this.
type Input struct {
	Site          survey.Site
	SiteRevision  int64
	AtlasRevision int64
	Points        []PointInput
	Layers        []survey.LayerFeature // near the site
	Policy        survey.Policy
	PrintedAt     time.Time // also the day ages are counted to
	Paper         Paper
	// Address is where the site is found on the department's server, for the
	// code to scan; "" where that is not known.
	Address string
	// Unsettled names what two stations recorded differently and nobody has
	// settled: labels of points, "the site" for the site itself.
	Unsettled []string
	// SameCode names the other sites that have the code of this one.
	SameCode []string
	// GridRef writes a position as a USNG reference; "" where there is none.
	GridRef func(orb.Point) string
}

// PointInput is one point with its answer.
type PointInput struct {
	Point     survey.Point
	Answer    answer.Answer
	Near      surround.Around
	UpdatedAt time.Time
	Sharing   []drawing.Series  // how the parts of the best rig share the pull; nil for none
	Profile   []drawing.Station // ground line along the pull; nil for none
}

// Sheet is the arranged sheet.
type Sheet struct {
	Title     string // of the document
	Paper     Paper
	PrintedAt time.Time
	Banners   []string // printed across the top of every page
	State     string   // the banners in a word or two: "stale, not signed"; "" without any
	Running   string   // names the sheet on every page
	Foot      []string // revisions, policy and time of printing, on every page
	Front     Front
	Parts     []Part
}

// Front is the first page.
type Front struct {
	Name, Code string
	Kind       string // kind and district
	Grid       string // USNG
	LatLon     string
	Mark       string // what the position is that of
	GeoURI     string // RFC 5870; "" without a position
	Address    string // of the site on the department's server; "" if not known
	// AddressNone says why there is no code for the address.
	AddressNone string
	Heading     string // over the best anchor
	Best        *Choice
	None        string // said in place of a best anchor
	Second      *Choice
	SecondNone  string // said in place of a second choice
	Map         drawing.SiteMap
	Dangers     []Field
	Access      Excerpt
	Staging     Excerpt
	State       []Field // age, sign-off, contacts
	Cautions    []string
}

// Choice is an anchor as the first page puts it.
type Choice struct {
	Verdict answer.Verdict
	Title   string
	Pull    string // bearing, as large as the title
	Rows    []Field
}

// Field is a name and what it is.
type Field struct {
	Name, Text string
	Loud       bool // to be printed in heavy letters
	Wide       bool // takes a line of its own
}

// Excerpt is the beginning of a text that may go on in the part About.
type Excerpt struct {
	Text string
	More bool // it goes on there
}

// Part is a run of pages of its own: a point, or what concerns the whole site.
type Part struct {
	ID      string // unique in the sheet, fit for an HTML id
	Title   string
	Verdict answer.Verdict // "" for none
	Leaf    bool           // begins on the front of a leaf of its own
	Grid    string         // USNG reference of a point; "" for none
	Blocks  []Block
	Back    []Block // on the back of the leaf
}

// About is the id of the part that holds the long texts of the site, Sources
// that of the rules and the list of sources.
const (
	About   = "about"
	Sources = "sources"
)

// Block is one thing in a part. One field besides Heading is set.
type Block struct {
	Heading string
	Lead    string // the answer, in large letters
	Text    string
	Fields  []Field
	List    []string
	Table   *Table
	Figures []Figure // side by side where they fit
	Columns []Column // side by side where they fit
	WriteIn *WriteIn
}

// Column is one of several columns; shares divide the width.
type Column struct {
	Share  float64
	Blocks []Block
}

// Table has one row of headings. Widths are shares of the width.
type Table struct {
	Columns []string
	Widths  []float64
	Rows    []Row
}

// Row is a row of a table.
type Row struct {
	Cells []string
	Loud  bool
}

// Drawer is what draws a figure: the types of package drawing.
type Drawer interface {
	Draw(drawing.Size) drawing.Drawing
}

// Figure is a drawing and the size it is printed at, in millimetres.
type Figure struct {
	Drawer Drawer
	Size   drawing.Size
}

// WriteIn is a form to be filled in by hand.
type WriteIn struct {
	Fields []string
}
