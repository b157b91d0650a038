package atlas

import (
	"context"
	"errors"
	"strconv"

	"holdfast/survey"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// lookGrid opens an elevation file and tries it: one that cannot be asked is
// not worth keeping.
func (a Atlas) lookGrid(in Intake) (*Grid, *exchange.Report, error) {
	g, err := OpenGrid(in.Path, in.CRS, in.Unit)
	if err != nil {
		return nil, nil, err
	}
	g.Name = in.name()
	covers, err := g.Covers()
	if err == nil {
		_, err = g.Surface()
	}
	if err != nil {
		return nil, nil, errors.Join(err, g.Close())
	}
	b := covers.Bound()
	cols, rows := g.Raster.Size()
	r := &exchange.Report{
		File: g.Name, CRS: g.System.String(), Accepted: 1, Records: []exchange.RecordReport{},
		BBox:  &[4]float64{b.Left(), b.Bottom(), b.Right(), b.Top()},
		Notes: []string{g.Raster.Describe() + ", " + strconv.Itoa(cols) + " × " + strconv.Itoa(rows) + " cells"},
	}
	if m, ok := g.System.Accuracy(); ok {
		accuracy := m.Metres()
		r.AccuracyM = &accuracy
	}
	return g, r, nil
}

func (a Atlas) takeGrid(ctx context.Context, in Intake, o sqlite.Origin, who sqlite.Author) (*exchange.Report, sqlite.Import, error) {
	var made sqlite.Import
	g, r, err := a.lookGrid(in)
	if err != nil {
		return r, made, err
	}
	defer g.Close() // it was only read
	covers, err := g.Covers()
	if err != nil {
		return r, made, err
	}
	if err := a.sameContent(ctx, o, r); err != nil {
		return r, made, err
	}
	in.Layer.SourceFile, in.Layer.SourceCRS = g.Name, g.Named
	if g.Unit != 0 {
		in.Layer.HeightUnitM = survey.Known(g.Unit.Metres())
	}
	o.Report = summary(r)
	_, made, err = a.Store.ImportRaster(ctx, in.Layer, covers, g.File, o, who)
	return r, made, err
}
