package crs

import (
	"fmt"
	"strconv"
	"strings"
)

// ByName returns the system with one of the names that standards give it:
//
//	EPSG:2264, or the safe CURIE [EPSG:2264]
//	urn:ogc:def:crs:EPSG::2264, with or without a version
//	http://www.opengis.net/def/crs/EPSG/0/2264
//	http://www.opengis.net/gml/srs/epsg.xml#2264
//	CRS84, CRS83 and CRS27 of OGC in the same forms, and CRS84h
//
// Case does not matter. It fails with ErrUnknown.
func ByName(name string) (*CRS, error) {
	authority, code := splitName(name)
	switch authority {
	case "EPSG":
		if n, err := strconv.Atoi(code); err == nil {
			return ByEPSG(webMercator(n))
		}
	case "ESRI": // of ESRI's own codes only those of web Mercator
		if n, err := strconv.Atoi(code); err == nil && webMercator(n) != n {
			return ByEPSG(webMercator(n))
		}
	case "OGC":
		if n, ok := map[string]int{"CRS84": 4326, "CRS84H": 4979, "CRS83": 4269, "CRS27": 4267}[code]; ok {
			c, err := ByEPSG(n)
			if err != nil {
				return nil, err
			}
			c.Code, c.Axes = "OGC:"+strings.Replace(code, "H", "h", 1), EastNorth
			return c, nil
		}
	}
	return nil, fmt.Errorf("look up %.80q: %w", name, ErrUnknown)
}

// webMercator maps the codes web Mercator had before it got its own.
func webMercator(code int) int {
	switch code {
	case 900913, 3785, 102100, 102113:
		return 3857
	}
	return code
}

// splitName returns the authority and the code in a name, in upper case.
func splitName(name string) (authority, code string) {
	s := strings.ToUpper(strings.TrimSpace(name))
	s = strings.TrimSuffix(strings.TrimPrefix(s, "["), "]")
	for _, scheme := range []string{"HTTP://", "HTTPS://"} {
		if rest, ok := strings.CutPrefix(s, scheme+"WWW.OPENGIS.NET/"); ok {
			if code, ok := strings.CutPrefix(rest, "GML/SRS/EPSG.XML#"); ok {
				return "EPSG", code
			}
			if part := strings.Split(rest, "/"); len(part) == 5 && part[0] == "DEF" && part[1] == "CRS" {
				return part[2], part[4]
			}
			return "", ""
		}
	}
	for _, urn := range []string{"URN:OGC:DEF:CRS:", "URN:X-OGC:DEF:CRS:"} {
		if rest, ok := strings.CutPrefix(s, urn); ok {
			part := strings.Split(rest, ":")
			if len(part) == 2 || len(part) == 3 {
				return part[0], part[len(part)-1]
			}
			return "", ""
		}
	}
	if s == "CRS84" || s == "CRS84H" || s == "CRS83" || s == "CRS27" {
		return "OGC", s
	}
	authority, code, _ = strings.Cut(s, ":")
	return authority, code
}
