package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"holdfast/geo/crs"
	"holdfast/survey/atlas"
)

// openGrid opens an elevation file, with a datum shift grid when one is named.
func openGrid(name, system, unit, shift string) (*atlas.Grid, error) {
	g, err := atlas.OpenGrid(name, system, atlas.HeightUnits[unit])
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, fs.ErrPermission):
		return nil, plainOpen(name, err)
	case errors.Is(err, atlas.ErrGridCRS):
		return nil, fmt.Errorf("%w: name it with --crs", err)
	case err != nil || shift == "":
		return g, err
	}
	nodes, err := readShift(shift)
	if err != nil {
		return nil, errors.Join(err, g.Close())
	}
	g.System = g.System.WithGrid(nodes)
	return g, nil
}

// readShift reads a datum shift grid: an NTv2 .gsb file, or a NADCON .las file
// with its .los beside it.
func readShift(name string) (*crs.Grid, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, plainOpen(name, err)
	}
	defer f.Close()
	stem, isNADCON := strings.CutSuffix(name, ".las")
	if !isNADCON {
		return crs.ReadNTv2(f, filepath.Base(name))
	}
	los, err := os.Open(stem + ".los")
	if err != nil {
		return nil, plainOpen(stem+".los", err)
	}
	defer los.Close()
	return crs.ReadNADCON(f, los, filepath.Base(name))
}
