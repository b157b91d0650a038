package atlas

import (
	"errors"

	"holdfast/survey"
	"holdfast/survey/exchange"
)

// Examined is what a file shows before it is brought in: tables, or a grid of
// heights.
type Examined struct {
	exchange.Examined
	Grid *ExaminedGrid
}

// ExaminedGrid is what an elevation file shows.
type ExaminedGrid struct {
	What       string
	Cols, Rows int
	CRS        string // "" when the file names none
}

// Examine looks at the beginning of a file, which tells by its content what it
// is. It wraps survey.ErrInvalid when it is nothing that is read.
func Examine(path string) (Examined, error) {
	g, err := OpenGrid(path, "", 0)
	switch {
	case err == nil:
		cols, rows := g.Raster.Size()
		return Examined{Grid: &ExaminedGrid{What: g.Raster.Describe(), Cols: cols, Rows: rows, CRS: g.System.String()}}, g.Close()
	case errors.Is(err, ErrGridCRS):
		return Examined{Grid: &ExaminedGrid{What: "a grid of heights"}}, nil
	}
	tables, err := exchange.Examine(path)
	if err == nil && len(tables.Tables) == 0 {
		err = survey.Invalid("", "the file holds no table with places")
	}
	return Examined{Examined: tables}, err
}
