package exchange

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// table is a CSV file being read.
type table struct {
	comma   rune
	schema  *schema // nil for a layer, whose columns are free
	headers []string
	columns []column // of the properties; name "" where the column is none
	lon     int      // column numbers from 0, -1 when absent
	lat     int
	height  int
	wkt     int
	id      int

	blanks     int // rows of empty cells passed over
	firstBlank int // and the line of the first
}

// csvRecords reads CSV whose first row is header.
func csvRecords(r io.Reader, header string, s *schema, report *Report) iter.Seq[record] {
	return func(yield func(record) bool) {
		t := &table{comma: separator(header), schema: s}
		limit := &guard{r: &lineEnds{r: r}}
		in := csv.NewReader(limit)
		in.Comma, in.FieldsPerRecord, in.ReuseRecord = t.comma, -1, true
		first, err := in.Read()
		if err == nil {
			err = t.readHeader(slices.Clone(first))
		} else {
			err = neither()
		}
		if err != nil {
			yield(record{fatal: err})
			return
		}
		report.Format, report.CRS = CSV, "OGC:CRS84"
		for n := 1; ; n++ {
			limit.reset()
			cells, err := in.Read()
			if errors.Is(err, io.EOF) {
				t.noteBlank(report)
				return
			}
			rec := record{number: n, column: t.place}
			var syntax *csv.ParseError
			switch {
			case errors.As(err, &syntax):
				rec.line = syntax.StartLine
				rec.err = survey.Invalid("", "line %d, character %d: a quotation mark is out of place", syntax.Line, syntax.Column)
			case errors.Is(err, errTooLong):
				rec.fatal = survey.Invalid("", "the file breaks after record %d: %s; a closing quotation mark may be missing", n-1, errTooLong)
			case err != nil:
				rec.fatal = fmt.Errorf("read file: %w", err)
			default:
				rec.line, _ = in.FieldPos(0)
				if blank(cells) {
					if t.blanks++; t.blanks == 1 {
						t.firstBlank = rec.line
					}
					n--
					continue
				}
				t.fill(&rec, cells)
			}
			if !yield(rec) || rec.fatal != nil {
				return
			}
		}
	}
}

func (t *table) noteBlank(report *Report) {
	switch t.blanks {
	case 0:
	case 1:
		report.Notes = append(report.Notes, fmt.Sprintf("line %d is a row of empty cells and was passed over", t.firstBlank))
	default:
		report.Notes = append(report.Notes, fmt.Sprintf("%d rows of empty cells were passed over, the first on line %d", t.blanks, t.firstBlank))
	}
}

func blank(cells []string) bool {
	return !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" })
}

// separator is the one of comma, semicolon and tab that parts the header into
// the most cells.
func separator(header string) rune {
	best, most := ',', 0
	for _, c := range []rune{',', ';', '\t'} {
		in := csv.NewReader(strings.NewReader(header))
		in.Comma, in.LazyQuotes = c, true
		if cells, err := in.Read(); err == nil && len(cells) > most {
			best, most = c, len(cells)
		}
	}
	return best
}

// readHeader finds the place columns and what every other column is.
func (t *table) readHeader(headers []string) error {
	seen := map[string]int{}
	for i, h := range headers {
		if !utf8.ValidString(h) {
			return survey.Invalid("", "the name of column %d is not UTF-8 text", i+1)
		}
		h = strings.TrimSpace(h)
		headers[i] = h
		if first, has := seen[h]; has && h != "" {
			return survey.Invalid("", "columns %d and %d are both called %q", first+1, i+1, h)
		}
		seen[h] = i
	}
	t.headers = headers
	taken, err := t.findPlaces()
	if err != nil {
		return err
	}
	t.columns = make([]column, len(headers))
	var unknown []string
	for i, h := range headers {
		if !taken[i] && !t.property(i, h) {
			unknown = append(unknown, t.schema.unknown(i, h))
		}
	}
	if len(unknown) > 0 {
		return survey.Invalid("", "%s", strings.Join(unknown, "; "))
	}
	return nil
}

// findPlaces finds the columns of the place and the id; taken are those found.
func (t *table) findPlaces() (taken map[int]bool, err error) {
	t.lon, t.lat, t.height, t.wkt, t.id = -1, -1, -1, -1, -1
	taken = map[int]bool{}
	find := func(at *int, names ...string) {
		for i, h := range t.headers {
			if !slices.Contains(names, strings.ToLower(h)) {
				continue
			}
			if *at >= 0 && err == nil {
				err = survey.Invalid("", "columns %d and %d (%s and %s) mean the same", *at+1, i+1, t.headers[*at], h)
			}
			*at, taken[i] = i, true
		}
	}
	find(&t.wkt, "wkt")
	if t.schema == nil { // id is a property like any other; the Feature's own goes by feature_id
		find(&t.id, "feature_id")
	} else {
		find(&t.id, "id")
	}
	if t.wkt >= 0 && t.schema == nil {
		return taken, err // x, y and the like are properties beside a wkt
	}
	find(&t.lon, "lon", "longitude", "lng", "x")
	find(&t.lat, "lat", "latitude", "y")
	find(&t.height, "elevation_m")
	switch {
	case err != nil:
		return nil, err
	case t.wkt < 0 && (t.lon < 0 || t.lat < 0):
		return nil, neither()
	case t.wkt >= 0 && (t.lon >= 0 || t.lat >= 0 || t.height >= 0):
		return nil, survey.Invalid("", "the place is given twice: keep either wkt (with the elevation as in POINT Z) or lon, lat and elevation_m")
	}
	return taken, nil
}

// property finds what a column holds; false when it is no known property.
func (t *table) property(i int, header string) bool {
	if t.schema == nil {
		t.columns[i] = column{name: header}
		return true
	}
	if header == "" {
		return true // its cells must be empty
	}
	c, ok := t.schema.find(strings.ReplaceAll(header, "/", "."))
	t.columns[i] = c
	return ok
}

// place names a cell for people: by column number and name.
func (t *table) place(pointer string) string {
	i := -1
	switch {
	case pointer == "/id":
		i = t.id
	case pointer == "/geometry/coordinates/2" && t.height >= 0:
		i = t.height
	case strings.HasPrefix(pointer, "/geometry") && t.wkt >= 0:
		i = t.wkt
	case strings.HasPrefix(pointer, "/geometry"):
		return fmt.Sprintf("columns %d and %d (%s, %s)", t.lon+1, t.lat+1, t.headers[t.lon], t.headers[t.lat])
	default:
		name := strings.ReplaceAll(strings.TrimPrefix(pointer, "/properties/"), "/", ".")
		for name != "" && i < 0 { // a problem inside a cell of JSON is the cell's
			i = slices.IndexFunc(t.columns, func(c column) bool { return c.name == name })
			name = name[:max(0, strings.LastIndexByte(name, '.'))]
		}
	}
	if i < 0 {
		return pointer
	}
	return t.column(i)
}

func (t *table) column(i int) string {
	if i >= len(t.headers) || t.headers[i] == "" {
		return fmt.Sprintf("column %d", i+1)
	}
	return fmt.Sprintf("column %d (%s)", i+1, t.headers[i])
}

// fill turns a row into a Feature.
func (t *table) fill(rec *record, cells []string) {
	var problems []survey.Problem
	wrong := func(i int, format string, args ...any) {
		problems = append(problems, survey.Problem{Message: t.column(i) + ": " + fmt.Sprintf(format, args...)})
	}
	for i, c := range cells {
		if !utf8.ValidString(c) {
			wrong(i, "is not UTF-8 text; save the file as UTF-8")
		} else if i >= len(t.headers) && strings.TrimSpace(c) != "" || i < len(t.headers) && t.headers[i] == "" && strings.TrimSpace(c) != "" {
			wrong(i, "has no name in the first row but holds %q", clip(c))
		}
	}
	if len(cells) < len(t.headers) {
		rec.notes = append(rec.notes, fmt.Sprintf("the row has %d of %d cells; the others are taken as empty", len(cells), len(t.headers)))
	}
	cell := func(i int) string {
		if i < 0 || i >= len(cells) {
			return ""
		}
		return strings.TrimSpace(cells[i])
	}
	rec.feature.ID = cell(t.id)
	rec.feature.Geometry = t.geometry(rec, cell, wrong)
	if props := t.properties(cell, wrong); len(problems) == 0 {
		raw, err := json.Marshal(props)
		if err != nil {
			problems = append(problems, survey.Problem{Message: err.Error()})
		}
		rec.feature.Properties = raw
	}
	if len(problems) > 0 {
		rec.err = &survey.InvalidError{Problems: problems}
	}
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// geometry reads the place of a row.
func (t *table) geometry(rec *record, cell func(int) string, wrong func(int, string, ...any)) geojson.Geometry {
	if t.wkt >= 0 {
		if cell(t.wkt) == "" {
			wrong(t.wkt, "is empty: the record has no place")
			return geojson.Geometry{}
		}
		g, notes, err := parseWKT(cell(t.wkt))
		var invalid *survey.InvalidError
		if errors.As(err, &invalid) {
			wrong(t.wkt, "%s", invalid.Problems[0].Message)
		}
		rec.notes = append(rec.notes, notes...)
		return g
	}
	read := func(i int) float64 {
		if cell(i) == "" {
			wrong(i, "is empty: the record has no place")
			return 0
		}
		v, ok := number(cell(i), t.comma == ';')
		if !ok {
			wrong(i, "%s", notNumber(cell(i), t.comma == ';'))
		}
		return v
	}
	g := geojson.Geometry{Geometry: orb.Point{read(t.lon), read(t.lat)}}
	if c := cell(t.height); c != "" {
		g.Z = []float64{read(t.height)}
	}
	return g
}

// properties reads the other cells of a row into the tree they flatten.
func (t *table) properties(cell func(int) string, wrong func(int, string, ...any)) any {
	tree := map[string]any{}
	for i, c := range t.columns {
		if c.name == "" || cell(i) == "" {
			continue
		}
		if t.schema == nil {
			tree[c.name] = freeValue(cell(i), t.comma == ';')
			continue
		}
		v, why := c.kind.value(cell(i), t.comma == ';')
		if why != "" {
			wrong(i, "%s", why)
			continue
		}
		if !plant(tree, strings.Split(c.name, "."), v) {
			wrong(i, "repeats what another column holds")
		}
	}
	if t.schema == nil {
		return tree // its columns may be called 1, 2 and 3
	}
	return lists(tree)
}

// jsonNumber is how JSON writes a number (RFC 8259 §6): 007 and +1 are none.
var jsonNumber = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?$`)

// freeValue is a number, with all its digits, where a cell is one as JSON
// writes it, and text otherwise.
func freeValue(cell string, decimalComma bool) any {
	digits := cell
	if decimalComma {
		digits = strings.Replace(cell, ",", ".", 1)
	}
	if _, ok := number(digits, false); ok && len(digits) <= 32 && jsonNumber.MatchString(digits) {
		return json.RawMessage(digits)
	}
	return cell
}

// plant sets the value at a path of the tree; false when something is there.
func plant(tree map[string]any, path []string, v any) bool {
	key := path[0]
	old, has := tree[key]
	if len(path) == 1 {
		tree[key] = v
		return !has
	}
	if !has {
		old = map[string]any{}
		tree[key] = old
	}
	branch, ok := old.(map[string]any)
	return ok && plant(branch, path[1:], v)
}

// lists turns the branches whose keys are numbers into lists, in that order.
func lists(v any) any {
	tree, ok := v.(map[string]any)
	if !ok {
		return v
	}
	var order []int
	for k := range tree {
		tree[k] = lists(tree[k])
		if n, err := strconv.Atoi(k); err == nil {
			order = append(order, n)
		}
	}
	if len(order) == 0 || len(order) < len(tree) {
		return tree
	}
	slices.Sort(order)
	out := make([]any, len(order))
	for i, n := range order {
		out[i] = tree[strconv.Itoa(n)]
	}
	return out
}
