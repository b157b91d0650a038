package atlas

import (
	"slices"

	"holdfast/geo/vector"
	"holdfast/geo/vector/gpkg"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// listsOf are the properties of a collection that hold several things each.
func listsOf(collection string) []exchange.List {
	switch collection {
	case sqlite.Sites:
		return exchange.SiteLists()
	case sqlite.Points:
		return exchange.PointLists()
	}
	return nil
}

// withLists writes a GeoPackage in which the members of lists also stand in
// tables of their own, related to the records they belong to, so that a GIS
// can show them one by one. The lists stay with the records as well: it is
// those that are read back.
type withLists struct {
	*gpkg.Writer
	layer string
	lists []relatedList
}

type relatedList struct {
	exchange.List
	table string
	link  func(baseID, relatedID int64) error
	rows  int
}

// Begin begins the layer and the tables of the lists that occur in it.
func (w *withLists) Begin(l vector.Layer) error {
	if err := w.Writer.Begin(l); err != nil {
		return err
	}
	w.layer = l.Name
	for _, list := range listsOf(l.Name) {
		if !slices.ContainsFunc(l.Fields, func(f vector.Field) bool { return f.Name == list.Property }) {
			continue
		}
		table := vector.Layer{Name: list.Table(l.Name), Geometry: vector.NoGeometry, Fields: list.Fields}
		if err := w.Writer.Begin(table); err != nil {
			return err
		}
		link, err := w.Relate(l.Name, table.Name)
		if err != nil {
			return err
		}
		w.lists = append(w.lists, relatedList{List: list, table: table.Name, link: link})
	}
	return nil
}

// Write writes a record and the members of its lists.
func (w *withLists) Write(r vector.Record) error {
	w.Into(w.layer)
	if err := w.Writer.Write(r); err != nil || r.Number == 0 {
		return err
	}
	id := w.LastID()
	for i := range w.lists {
		if err := w.lists[i].write(w.Writer, id, &r); err != nil {
			return err
		}
	}
	return nil
}

func (l *relatedList) write(w *gpkg.Writer, id int64, r *vector.Record) error {
	rows, err := l.Rows(r)
	if err != nil || len(rows) == 0 {
		return err
	}
	w.Into(l.table)
	for _, row := range rows {
		l.rows++
		if err := w.Write(vector.Record{Number: l.rows, Properties: row}); err != nil {
			return err
		}
		if err := l.link(id, w.LastID()); err != nil {
			return err
		}
	}
	return nil
}
