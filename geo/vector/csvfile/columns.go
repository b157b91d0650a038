package csvfile

import (
	"fmt"
	"slices"
	"strings"

	"holdfast/geo/vector"
)

// columns says what each column of a table holds. Numbers count from 0; -1 is
// no column.
type columns struct {
	names   []string // as the properties are called; "" for a column of the place
	headers []string // as in the first row
	x, y    int
	height  int
	wkt     int
	id      int
	degrees bool // x and y are called longitude and latitude
	notes   []string
}

// Names by which the columns of a place are known, in lower case. "elev",
// "height" and the like are not among those of heights: surveys use them for
// other lengths.
var (
	lonNames    = []string{"lon", "longitude", "lng", "long"}
	latNames    = []string{"lat", "latitude"}
	xNames      = []string{"x", "easting", "point_x"}
	yNames      = []string{"y", "northing", "point_y"}
	heightNames = []string{"elevation_m", "elevation", "ele", "z", "altitude_m", "altitude"}
	wktNames    = []string{"wkt", "geom", "geometry", "the_geom", "wkt_geom"}
	idNames     = []string{"feature_id"}
)

// findColumns reads the first row.
func findColumns(headers []string, o vector.Options) (*columns, error) {
	c := &columns{x: -1, y: -1, height: -1, wkt: -1, id: -1}
	fixed := false
	for i, h := range headers {
		h, was := vector.FixText(strings.TrimSpace(h))
		headers[i], fixed = h, fixed || was
	}
	if fixed {
		c.notes = append(c.notes, "column names: "+vector.FixedText)
	}
	c.headers = headers
	if err := c.findPlace(o); err != nil {
		return nil, err
	}
	c.nameRest()
	return c, nil
}

// find returns the column with one of the names, or the one that is named in
// the options.
func (c *columns) find(chosen string, names []string) (int, error) {
	if chosen != "" {
		at := slices.Index(c.headers, chosen)
		if at < 0 {
			return -1, fmt.Errorf("%w: there is no column %q", vector.ErrFormat, chosen)
		}
		return at, nil
	}
	at := -1
	for i, h := range c.headers {
		if !slices.Contains(names, strings.ToLower(h)) {
			continue
		}
		if at >= 0 {
			return -1, fmt.Errorf("%w: columns %d (%s) and %d (%s) mean the same; name the one to take", vector.ErrFormat, at+1, c.headers[at], i+1, h)
		}
		at = i
	}
	return at, nil
}

func (c *columns) findPlace(o vector.Options) (err error) {
	if c.id, err = c.find("", idNames); err != nil {
		return err
	}
	if o.X == "" && o.Y == "" {
		if c.wkt, err = c.find(o.WKT, wktNames); err != nil || c.wkt >= 0 {
			return err
		}
	}
	if err := c.findPair(o); err != nil {
		return err
	}
	if c.x < 0 || c.y < 0 {
		return fmt.Errorf("%w: of its columns (%s) none are called lon and lat, x and y, or wkt; name those that hold the place",
			vector.ErrFormat, vector.ShortText(strings.Join(c.headers, ", ")))
	}
	c.height, err = c.find(o.Height, heightNames)
	return err
}

// findPair finds the two columns of coordinates.
func (c *columns) findPair(o vector.Options) (err error) {
	for _, pair := range []struct {
		x, y    []string
		degrees bool
	}{{lonNames, latNames, true}, {xNames, yNames, false}} {
		if c.x, err = c.find(o.X, pair.x); err != nil {
			return err
		}
		if c.y, err = c.find(o.Y, pair.y); err != nil {
			return err
		}
		if c.x >= 0 && c.y >= 0 {
			c.degrees = pair.degrees && o.X == "" && o.Y == ""
			return nil
		}
	}
	return nil
}

// nameRest gives every other column a name that no other has.
func (c *columns) nameRest() {
	c.names = make([]string, len(c.headers))
	var names vector.Names
	for i, h := range c.headers {
		if i == c.x || i == c.y || i == c.height || i == c.wkt || i == c.id {
			continue
		}
		name := h
		if name == "" {
			name = fmt.Sprintf("column_%d", i+1)
		}
		name = names.Unique(name)
		if name != h && h != "" {
			c.notes = append(c.notes, fmt.Sprintf("column %d has the name %q of an earlier one and is called %q", i+1, h, name))
		}
		c.names[i] = name
	}
}

// label names a column for people.
func (c *columns) label(i int) string {
	if i >= len(c.headers) || c.headers[i] == "" {
		return fmt.Sprintf("column %d", i+1)
	}
	return fmt.Sprintf("column %d (%s)", i+1, c.headers[i])
}
