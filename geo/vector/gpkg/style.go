package gpkg

import (
	"encoding/xml"
	"fmt"
	"strings"

	"holdfast/geo/vector"
)

// stylesTable is where GIS programs look for how a layer is to be drawn, as a
// StyledLayerDescriptor (OGC 02-070).
const stylesTable = `
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  f_table_catalog TEXT(256),
  f_table_schema TEXT(256),
  f_table_name TEXT(256),
  f_geometry_column TEXT(256),
  styleName TEXT(30),
  styleQML TEXT,
  styleSLD TEXT,
  useAsDefault BOOLEAN,
  description TEXT,
  owner TEXT(30),
  ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now'))
);
INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES ('layer_styles', 'attributes', 'layer_styles');`

// writeStyles gives every layer of features its plain style.
func (w *Writer) writeStyles() error {
	made := false
	for _, t := range w.tables {
		if t.geometry == "" {
			continue
		}
		if !made {
			if err := w.exec(stylesTable); err != nil {
				return err
			}
			made = true
		}
		if err := w.exec(`INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner)
			VALUES ('', '', ?, ?, ?, '', ?, 1, 'plain', '')`, t.name, t.geometry, t.name, plainSLD(t.name, t.layer.Geometry)); err != nil {
			return err
		}
	}
	return nil
}

// plainSLD is a style for a layer: points as dots, lines and areas with an
// outline, in the blue and orange of Okabe and Ito (2002), which people with
// any colour vision tell apart.
func plainSLD(name, geometry string) string {
	const (
		stroke = `<Stroke><CssParameter name="stroke">#0072B2</CssParameter><CssParameter name="stroke-width">1.5</CssParameter></Stroke>`
		dot    = `<PointSymbolizer><Graphic><Mark><WellKnownName>circle</WellKnownName><Fill><CssParameter name="fill">#E69F00</CssParameter></Fill>` + stroke + `</Mark><Size>8</Size></Graphic></PointSymbolizer>`
		line   = `<LineSymbolizer>` + stroke + `</LineSymbolizer>`
		area   = `<PolygonSymbolizer><Fill><CssParameter name="fill">#0072B2</CssParameter><CssParameter name="fill-opacity">0.2</CssParameter></Fill>` + stroke + `</PolygonSymbolizer>`
	)
	symbols := dot + line + area
	switch geometry {
	case "Point", "MultiPoint":
		symbols = dot
	case "LineString", "MultiLineString":
		symbols = line
	case "Polygon", "MultiPolygon":
		symbols = area
	}
	var escaped strings.Builder
	_ = xml.EscapeText(&escaped, []byte(name)) // a strings.Builder takes all
	return fmt.Sprintf(`<?xml version="1.0" encoding="UTF-8"?>`+
		`<StyledLayerDescriptor version="1.0.0" xmlns="http://www.opengis.net/sld"><NamedLayer><Name>%s</Name>`+
		`<UserStyle><FeatureTypeStyle><Rule>%s</Rule></FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>`, escaped.String(), symbols)
}

var _ vector.Writer = (*Writer)(nil)
