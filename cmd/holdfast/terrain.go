package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"holdfast/geo"
	"holdfast/geo/crs"
	"holdfast/geo/position"
	"holdfast/geo/terrain"
)

type terrainCmd struct {
	Elevation string   `help:"GeoTIFF or ESRI ASCII grid." required:"" type:"existingfile" placeholder:"FILE"`
	At        string   `help:"Position in any notation." required:"" placeholder:"POSITION"`
	Bearing   *float64 `help:"Bearing of the section, 0 to 360 degrees from true north; the fall line's if left out." placeholder:"DEG"`
	Length    float64  `help:"Length of the section, metres." default:"60" placeholder:"M"`
	Step      float64  `help:"Distance between its stations, metres; half a cell is fine enough." default:"1" placeholder:"M"`
	CRS       string   `help:"The grid's coordinate system, like EPSG:26915, in place of what the file says." placeholder:"NAME"`
	Unit      string   `help:"Unit of the heights, when the file does not say." enum:",m,ft,ftUS" default:""`
	Shift     string   `help:"Datum shift grid for the grid's system: an NTv2 .gsb file, or a NADCON .las with its .los beside it." type:"existingfile" placeholder:"FILE"`
	JSON      bool     `help:"The answer as JSON."`
}

func (terrainCmd) Help() string {
	return `Examples:
  holdfast terrain --elevation dem.tif --at 44.65,-91.2
  holdfast terrain --elevation dem.asc --crs EPSG:26915 --at "15T XK 42364 45775" --bearing 214 --json

An ESRI ASCII grid takes its coordinate system from a .prj file beside it.
--crs overrides what the file says.`
}

// terrainAnswer is what the ground does at a place. A field that is not there
// is not known.
type terrainAnswer struct {
	Lon         float64       `json:"lon"`
	Lat         float64       `json:"lat"`
	Raster      string        `json:"raster"`
	CRS         string        `json:"crs"`
	HeightM     *float64      `json:"height_m,omitempty"`
	SlopeDeg    *float64      `json:"slope_deg,omitempty"`  // Horn (1981), over three cells
	AspectDeg   *float64      `json:"aspect_deg,omitempty"` // true bearing of steepest descent
	FallLineDeg *float64      `json:"fall_line_deg,omitempty"`
	FallEnds    string        `json:"fall_line_ends,omitempty"`
	FallPath    []stationJSON `json:"fall_line,omitempty"`
	SectionDeg  *float64      `json:"section_deg,omitempty"`
	Section     []stationJSON `json:"section,omitempty"`
	Crest       *stationJSON  `json:"crest,omitempty"`
	Toe         *stationJSON  `json:"toe,omitempty"`
	BankM       *float64      `json:"bank_height_m,omitempty"`
}

type stationJSON struct {
	Lon       float64  `json:"lon"`
	Lat       float64  `json:"lat"`
	DistanceM float64  `json:"distance_m"`
	HeightM   *float64 `json:"height_m,omitempty"`
}

func station(s terrain.Station) stationJSON {
	j := stationJSON{Lon: s.Point.Lon(), Lat: s.Point.Lat(), DistanceM: s.Distance.Metres()}
	if s.Known {
		h := s.Height.Metres()
		j.HeightM = &h
	}
	return j
}

func (c *terrainCmd) Run(ctx context.Context, s *streams) error {
	if c.Length <= 0 || c.Length > 10000 || c.Step <= 0 || c.Length/c.Step > 10000 {
		return misuse("--length must be above 0 and at most 10000 m, --step at least a ten-thousandth of it")
	}
	if c.Bearing != nil && !(*c.Bearing >= 0 && *c.Bearing <= 360) {
		return misuse("--bearing %g is outside 0 to 360", *c.Bearing)
	}
	at, err := position.Parse(c.At)
	if err != nil {
		return usageError{err}
	}
	grid, err := openGrid(c.Elevation, c.CRS, c.Unit, c.Shift)
	if err != nil {
		return c.unplaced(err)
	}
	defer grid.Close()
	surface, err := grid.Surface()
	if err != nil {
		return err
	}
	a := terrainAnswer{Lon: at.Point.Lon(), Lat: at.Point.Lat(), Raster: grid.Raster.Describe(), CRS: grid.System.String()}
	err = c.ask(surface, at, &a)
	if err == nil && a.HeightM == nil {
		err = fmt.Errorf("%s holds no height at %.6f, %.6f: the place is outside the grid or in a gap of it", grid.Name, a.Lat, a.Lon)
	} else if err != nil && !errors.Is(err, crs.ErrOutsideArea) {
		return c.unplaced(err)
	}
	switch {
	case c.JSON:
		return errors.Join(printJSON(s.out, a), err)
	case err != nil:
		return err
	}
	return printTerrain(s.out, a)
}

// unplaced adds the way out to an error of the file's own coordinate system.
func (c *terrainCmd) unplaced(err error) error {
	for _, of := range []error{crs.ErrUnknown, crs.ErrUnsupported, crs.ErrNoShift} {
		if c.CRS == "" && errors.Is(err, of) {
			return fmt.Errorf("%w; correct the coordinate system in the file, or name it with --crs", err)
		}
	}
	return err
}

func (c *terrainCmd) ask(surface *terrain.Surface, at position.Position, a *terrainAnswer) error {
	if h, ok, err := surface.Height(at.Point); err != nil {
		return err
	} else if ok {
		a.HeightM = number(h.Metres())
	}
	if sl, ok, err := surface.SlopeNear(at.Point); err != nil {
		return err
	} else if ok {
		a.SlopeDeg = number(sl.Angle.Degrees())
		if sl.HasAspect {
			a.AspectDeg = number(sl.Aspect.Degrees())
		}
	}
	fall, ok, err := surface.FallLine(at.Point, terrain.FallRule{})
	if err != nil {
		return err
	}
	if ok {
		a.FallEnds = fall.End.String()
		for _, s := range fall.Path {
			a.FallPath = append(a.FallPath, station(s))
		}
		if fall.HasBearing {
			a.FallLineDeg = number(fall.Bearing.Degrees())
		}
	}
	switch {
	case c.Bearing != nil:
		a.SectionDeg = c.Bearing
	case a.FallLineDeg != nil:
		a.SectionDeg = a.FallLineDeg
	case a.AspectDeg != nil:
		a.SectionDeg = a.AspectDeg
	default:
		return nil // level ground: no section runs down it
	}
	section, err := surface.Section(at.Point, geo.NewBearing(*a.SectionDeg), geo.Length(c.Length), geo.Length(c.Step))
	if err != nil {
		return err
	}
	for _, s := range section {
		a.Section = append(a.Section, station(s))
	}
	if bank, ok := terrain.CrestToe(section, terrain.BankRule{}); ok {
		if bank.CrestKnown {
			j := station(bank.Crest)
			a.Crest = &j
		}
		if bank.ToeKnown {
			j := station(bank.Toe)
			a.Toe = &j
		}
		if bank.CrestKnown && bank.ToeKnown {
			a.BankM = number(bank.Height().Metres())
		}
	}
	return nil
}

func number(v float64) *float64 { return &v }

// notKnown stands for a value without its unit and remarks.
const notKnown = "not known"

func printTerrain(w io.Writer, a terrainAnswer) error {
	val := func(v *float64, format string, more ...any) string {
		if v == nil {
			return notKnown
		}
		return fmt.Sprintf(format, append([]any{*v}, more...)...)
	}
	along := func(s *stationJSON) string {
		switch {
		case a.SectionDeg == nil:
			return notKnown
		case s == nil:
			return "not found along the section"
		}
		return val(&s.DistanceM, "%.1f m away, height %s", val(s.HeightM, "%.1f m"))
	}
	_, err := fmt.Fprintf(w, `%.6f, %.6f in %s (%s)
  height      %s
  slope       %s
  aspect      %s
  fall line   %s
  section     %s
  crest       %s
  toe         %s
  bank        %s
`, a.Lat, a.Lon, a.Raster, a.CRS, val(a.HeightM, "%.2f m"), val(a.SlopeDeg, "%.1f° (Horn, over three cells)"), val(a.AspectDeg, "%05.1f° true"),
		val(a.FallLineDeg, "%05.1f° true, ends: %s", a.FallEnds), val(a.SectionDeg, "%05.1f° true, %d stations", len(a.Section)), along(a.Crest), along(a.Toe), val(a.BankM, "%.1f m high"))
	return err
}
