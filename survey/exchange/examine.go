package exchange

import (
	"errors"
	"slices"
	"strings"

	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
	"holdfast/survey"
)

// Examined is what a file shows before it is read.
type Examined struct {
	Format Format
	Tables []Table
}

// Table is one table of a file, with what its first records hold.
type Table struct {
	Name     string
	Geometry string // "Point", "MultiPolygon" …; "" when mixed or not known
	Count    int    // -1 when only reading them tells
	// CRS names the coordinate system, "" when the file declares none.
	CRS string
	// AccuracyM is the stated accuracy of the datum shift to WGS 84 in metres;
	// nil when there is none or it is not stated.
	AccuracyM *float64
	Unusable  string // why the declared system cannot be used
	Columns   []Column
}

// Column is one column of a table.
type Column struct {
	Name    string
	Type    vector.Type
	Samples []string // the first few different values
}

// How much of a table is looked at.
const (
	examined    = 500
	mostSamples = 4
)

// Examine looks at the beginning of a file. It wraps survey.ErrInvalid when
// the file is of no format that is read.
func Examine(path string) (Examined, error) {
	source, err := file.Open(path, vector.Options{})
	if errors.Is(err, vector.ErrFormat) {
		return Examined{}, survey.Invalid("", "%s", err)
	}
	if err != nil {
		return Examined{}, err
	}
	defer source.Close() // it was only read
	out := Examined{Format: source.Format()}
	for i, l := range source.Layers() {
		if l.Geometry != vector.NoGeometry {
			out.Tables = append(out.Tables, examine(source, i, l))
		}
	}
	return out, nil
}

func examine(source vector.Source, at int, l vector.Layer) Table {
	t := Table{Name: l.Name, Geometry: l.Geometry, Count: l.Count}
	t.system(l.CRS, source.Format())
	var some []vector.Record
	for r := range source.Read(at) {
		if r.Number != 0 && r.Err == nil {
			some = append(some, r)
		}
		if len(some) == examined || r.Number > 2*examined {
			break
		}
	}
	d := vector.Describe(slices.Values(some))
	fields := l.Fields
	if fields == nil {
		fields = d.Fields
	}
	if t.Geometry == vector.AnyGeometry {
		t.Geometry = d.Geometry
	}
	for _, f := range fields {
		c := Column{Name: f.Name, Type: f.Type}
		for _, r := range some {
			v, has := r.Properties.Get(f.Name)
			if !has || v == nil || len(c.Samples) == mostSamples {
				continue
			}
			if text := clip(vector.AsText(v)); text != "" && !slices.Contains(c.Samples, text) {
				c.Samples = append(c.Samples, text)
			}
		}
		t.Columns = append(t.Columns, c)
	}
	return t
}

// system fills in what is known of the coordinate system.
func (t *Table) system(declared string, format Format) {
	if declared == "" && format == vector.CSV {
		declared = vector.WGS84
	}
	if declared == "" {
		return
	}
	t.CRS = vector.ShortText(declared)
	system, err := vector.ParseCRS(declared)
	if err != nil {
		t.Unusable = err.Error()
		return
	}
	t.CRS = system.String()
	if a, ok := system.Accuracy(); ok && !vector.IsWGS84(declared) {
		m := a.Metres()
		t.AccuracyM = &m
	}
}

// SiteProperties lists the properties of sites that a column may become.
func SiteProperties() []string { return properties(siteSchema) }

// PointProperties is SiteProperties for points.
func PointProperties() []string { return properties(pointSchema) }

func properties(s *schema) []string {
	out := []string{"id"}
	for _, c := range s.columns {
		out = append(out, c.name)
	}
	return append(out, placeNames...)
}

// ProposeSite proposes which property of a site a column may be; "" when none
// suggests itself.
func ProposeSite(column string) string { return siteSchema.propose(column) }

// ProposePoint is ProposeSite for points.
func ProposePoint(column string) string { return pointSchema.propose(column) }

// propose goes by the name alone: the property of that name, or the only one
// that ends in it, with or without a unit.
func (s *schema) propose(column string) string {
	name := strings.ToLower(strings.NewReplacer("/", ".", " ", "_", "-", "_").Replace(strings.TrimSpace(column)))
	if _, ok := s.find(name); ok || name == "id" || slices.Contains(placeNames, name) {
		return name
	}
	if name == "" {
		return ""
	}
	var found []string
	for _, c := range s.columns {
		flat := strings.ReplaceAll(c.name, ".", "_")
		last := c.name[strings.LastIndexByte(c.name, '.')+1:]
		switch {
		case flat == name:
			return c.name
		case last == name, strings.HasPrefix(last, name+"_"), strings.HasPrefix(flat, name+"_"):
			found = append(found, c.name)
		}
	}
	if len(found) == 1 {
		return found[0]
	}
	return ""
}
