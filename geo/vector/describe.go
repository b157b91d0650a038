package vector

import (
	"iter"

	"github.com/paulmach/orb"
)

// Describe passes over records and says what a layer of them must hold: the
// fields in the order in which they first appear with their type and greatest
// width, the type of geometry, whether there are heights, the count and the
// extent. Refused records do not count. Formats that need to know before they
// write (Shapefile, CSV) are given its result.
func Describe(records iter.Seq[Record]) Layer {
	d := describer{at: map[string]int{}}
	for r := range records {
		if r.Number != 0 && r.Err == nil {
			d.add(&r)
		}
	}
	l := d.layer
	switch {
	case d.places == 0 && l.Count > 0:
		l.Geometry = NoGeometry
	case !d.mixed:
		l.Geometry = d.kind
	}
	for i := range l.Fields {
		if l.Fields[i].Type == Unknown { // only nil, or types that do not go together
			l.Fields[i].Type = Text
		}
	}
	return l
}

type describer struct {
	layer  Layer
	at     map[string]int
	clash  map[string]bool // fields whose values have types that do not go together
	kind   string
	mixed  bool
	places int
}

func (d *describer) add(r *Record) {
	d.layer.Count++
	for _, p := range r.Properties {
		i, has := d.at[p.Name]
		if !has {
			i = len(d.layer.Fields)
			d.at[p.Name] = i
			d.layer.Fields = append(d.layer.Fields, Field{Name: p.Name})
		}
		d.value(&d.layer.Fields[i], p.Value)
	}
	if !r.HasGeometry() {
		return
	}
	kind := r.Geometry.GeoJSONType()
	if d.places++; d.places == 1 {
		d.kind = kind
	} else if d.kind != kind {
		d.mixed = true
	}
	d.layer.Z = d.layer.Z || r.Geometry.Z != nil
	if b, ok := Extent(r.Geometry.Geometry); ok {
		d.layer.Extent = join(d.layer.Extent, b)
	}
}

func join(a *orb.Bound, b orb.Bound) *orb.Bound {
	if a == nil {
		return &b
	}
	u := a.Union(b)
	return &u
}

func (d *describer) value(f *Field, v any) {
	if v == nil {
		return
	}
	f.Width = max(f.Width, width(v))
	t := TypeOf(v)
	switch {
	case f.Type == t || d.clash[f.Name]:
	case f.Type == Unknown:
		f.Type = t
	case f.Type == Integer && t == Real, f.Type == Real && t == Integer:
		f.Type = Real
	case f.Type == Day && t == DateTime, f.Type == DateTime && t == Day:
		f.Type = DateTime
	default:
		if d.clash == nil {
			d.clash = map[string]bool{}
		}
		f.Type, d.clash[f.Name] = Text, true
	}
}

func width(v any) int {
	if s, ok := v.(string); ok {
		return len(s)
	}
	return len(AsText(v))
}
