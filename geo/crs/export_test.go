package crs

import "github.com/paulmach/orb"

// ShiftAt returns the datum shift that is used at a WGS 84 position, and
// false when there is none.
func (c *CRS) ShiftAt(p orb.Point) (Shift, bool) {
	if c.frame.grid != nil {
		return Shift{Name: c.frame.grid.Name}, true
	}
	i := c.frame.at(p[0], p[1])
	if i < 0 {
		return Shift{}, false
	}
	return c.frame.shifts[i], true
}

// TableText returns a table as it was written by gen.
func TableText(name string) (string, error) { return tableText(name) }
