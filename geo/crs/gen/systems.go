package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// supported are the conversion methods package projection has.
const supported = `9801, 9802, 9803, 1051, 9804, 9805, 1024, 9807, 9808, 9809, 9810, 9829, 9830, 9822, 9812, 9815, 9820, 9811`

// methods writes code, name and the parameters in order, as code=name.
func (g *generator) methods() error {
	rows, err := g.rows(`select distinct method_code, method_name,
		param1_code||'='||param1_name||coalesce('|'||param2_code||'='||param2_name,'')||coalesce('|'||param3_code||'='||param3_name,'')
		||coalesce('|'||param4_code||'='||param4_name,'')||coalesce('|'||param5_code||'='||param5_name,'')
		||coalesce('|'||param6_code||'='||param6_name,'')||coalesce('|'||param7_code||'='||param7_name,'')
		from conversion where auth_name = 'EPSG' and method_auth_name = 'EPSG' and deprecated = 0 and method_code in (` + supported + `) order by 1`)
	if err != nil {
		return err
	}
	for i := 1; i < len(rows); i++ {
		if rows[i][0] == rows[i-1][0] {
			return fmt.Errorf("method %s has two orders of parameters", rows[i][0])
		}
	}
	return g.write("method", rows)
}

// ellipsoids writes code, name, semi-major axis in metres and 1/f (0: sphere).
func (g *generator) ellipsoids() error {
	rows, err := g.rows(`select code, name, semi_major_axis, uom_code, inv_flattening, semi_minor_axis
		from ellipsoid where auth_name = 'EPSG' and celestial_body_code = 'EARTH' order by code`)
	if err != nil {
		return err
	}
	var out [][]string
	for _, r := range rows {
		a, err := g.value(r[2], r[3])
		if err != nil {
			return err
		}
		rf := r[4]
		if rf == "" {
			ua := parse(r[2])
			rf = "0"
			if b := parse(r[5]); b != ua {
				rf = format(ua / (ua - b))
			}
		}
		out = append(out, []string{r[0], r[1], format(a), rf})
	}
	return g.write("ellipsoid", out)
}

// datums writes code, name, ellipsoid, prime meridian in degrees east of
// Greenwich, the datum whose shift holds once longitudes count from Greenwich,
// and other names separated by "|".
func (g *generator) datums() error {
	rotations, err := g.rows(`select s.datum_code, t.datum_code, o.param1_value, o.param1_uom_code from other_transformation o
		join geodetic_crs s on s.auth_name = o.source_crs_auth_name and s.code = o.source_crs_code
		join geodetic_crs t on t.auth_name = o.target_crs_auth_name and t.code = o.target_crs_code
		where o.method_code = 9601 and o.auth_name = 'EPSG' and s.datum_code <> t.datum_code order by o.code`)
	if err != nil {
		return err
	}
	rows, err := g.rows(`select d.code, d.name, d.ellipsoid_code, p.longitude, p.uom_code,
		(select group_concat(alt_name, '|') from (select distinct alt_name from alias_name a where a.table_name = 'geodetic_datum'
			and a.auth_name = 'EPSG' and a.code = d.code and a.source in ('ESRI', 'EPSG') order by a.alt_name))
		from geodetic_datum d join prime_meridian p on p.auth_name = d.prime_meridian_auth_name and p.code = d.prime_meridian_code
		where d.auth_name = 'EPSG' and d.ellipsoid_auth_name = 'EPSG' and exists (select 1 from geodetic_crs c where c.auth_name = 'EPSG'
			and c.datum_code = d.code and c.deprecated = 0 and c.type = 'geographic 2D') order by d.code`)
	if err != nil {
		return err
	}
	var out [][]string
	for _, r := range rows {
		pm, err := g.value(r[3], r[4])
		if err != nil {
			return err
		}
		frame := r[0]
		for _, o := range rotations {
			turn, err := g.value(o[2], o[3])
			if err != nil {
				return err
			}
			// Only a turn by the meridian itself; others also change the datum.
			if o[0] == r[0] && pm != 0 && math.Abs(turn-pm) < 1e-9 {
				frame = o[1]
			}
		}
		out = append(out, []string{r[0], r[1], r[2], format(pm), frame, r[5]})
	}
	return g.write("datum", out)
}

// axes returns the unit and the axis order of every coordinate system: "en",
// "ne", or, for the grids of southern Africa, "ws".
func (g *generator) axes() (unit, order map[string]string, err error) {
	rows, err := g.rows(`select coordinate_system_code, lower(name), orientation, uom_code from axis
		where auth_name = 'EPSG' order by coordinate_system_code, coordinate_system_order`)
	if err != nil {
		return nil, nil, err
	}
	unit, order = map[string]string{}, map[string]string{}
	for i := 0; i+1 < len(rows); i++ {
		a, b := rows[i], rows[i+1]
		if a[0] != b[0] || unit[a[0]] != "" {
			continue
		}
		unit[a[0]] = a[3]
		switch {
		case a[2] == "east" && b[2] == "north", strings.HasSuffix(a[1], "easting") && strings.HasSuffix(b[1], "northing"):
			order[a[0]] = "en"
		case a[2] == "north" && b[2] == "east", strings.HasSuffix(a[1], "northing") && strings.HasSuffix(b[1], "easting"):
			order[a[0]] = "ne"
		case a[2] == "west" && b[2] == "south":
			order[a[0]] = "ws"
		}
	}
	return unit, order, nil
}

// extent returns the code of an object's area of use, the widest where it has
// several, and marks it used.
func (g *generator) extent(table, object string) (string, error) {
	rows, err := g.rows(`select e.code from usage u join extent e on e.auth_name = u.extent_auth_name and e.code = u.extent_code
		where u.object_table_name = ? and u.object_auth_name = 'EPSG' and u.object_code = ? and e.auth_name = 'EPSG' and e.north_lat is not null
		order by (e.north_lat - e.south_lat) * (e.east_lon - e.west_lon + case when e.east_lon < e.west_lon then 360 else 0 end) desc, e.code`, table, object)
	if err != nil {
		return "", err
	}
	if len(rows) == 0 {
		return "", nil
	}
	g.used[code(rows[0][0])] = true
	return rows[0][0], nil
}

// geographic writes code, name, datum, unit in degrees, axis order, area and,
// for systems that have heights too, "3".
func (g *generator) geographic() error {
	unit, order, err := g.axes()
	if err != nil {
		return err
	}
	rows, err := g.rows(`select code, name, datum_code, coordinate_system_code, case type when 'geographic 3D' then '3' else '' end from geodetic_crs
		where auth_name = 'EPSG' and deprecated = 0 and type in ('geographic 2D', 'geographic 3D') and datum_auth_name = 'EPSG' order by code`)
	if err != nil {
		return err
	}
	var out [][]string
	for _, r := range rows {
		area, err := g.extent("geodetic_crs", r[0])
		if err != nil {
			return err
		}
		if order[r[3]] == "" {
			return fmt.Errorf("geographic %s: axes not understood", r[0])
		}
		u, err := g.value("1", unit[r[3]])
		if err != nil {
			return err
		}
		out = append(out, []string{r[0], r[1], r[2], format(u), order[r[3]], area, r[4]})
	}
	return g.write("geographic", out)
}

// projected writes code, name, base system, method, parameters in the
// method's order, unit in metres, axis order, area and, for systems that share
// all of base, method, parameters and unit with another, ESRI's name.
func (g *generator) projected() error {
	unit, order, err := g.axes()
	if err != nil {
		return err
	}
	rows, err := g.rows(`select p.code, p.name, p.geodetic_crs_code, c.method_code, p.coordinate_system_code,
		param1_value, param1_uom_code, param2_value, param2_uom_code, param3_value, param3_uom_code, param4_value, param4_uom_code,
		param5_value, param5_uom_code, param6_value, param6_uom_code, param7_value, param7_uom_code,
		(select alt_name from alias_name a where a.table_name = 'projected_crs' and a.auth_name = 'EPSG' and a.code = p.code and a.source = 'ESRI' limit 1)
		from projected_crs p join conversion c on c.auth_name = p.conversion_auth_name and c.code = p.conversion_code
		join geodetic_crs b on b.auth_name = p.geodetic_crs_auth_name and b.code = p.geodetic_crs_code and b.deprecated = 0 and b.type = 'geographic 2D'
		where p.auth_name = 'EPSG' and p.deprecated = 0 and c.method_auth_name = 'EPSG' and c.method_code in (` + supported + `) order by p.code`)
	if err != nil {
		return err
	}
	var out [][]string
	alike := map[string]int{}
	for _, r := range rows {
		area, err := g.extent("projected_crs", r[0])
		if err != nil {
			return err
		}
		if order[r[4]] == "" || (order[r[4]] == "ws") != (r[3] == "9808") {
			continue // axes that are not carried
		}
		var params []string
		for i := 5; i < 19 && r[i] != ""; i += 2 {
			v, err := g.value(r[i], r[i+1])
			if err != nil {
				return fmt.Errorf("projected %s: %w", r[0], err)
			}
			params = append(params, format(v))
		}
		u, err := g.value("1", unit[r[4]])
		if err != nil {
			return err
		}
		row := []string{r[0], r[1], r[2], r[3], strings.Join(params, ","), format(u), order[r[4]], area, r[19]}
		alike[strings.Join(row[2:6], " ")]++
		out = append(out, row)
	}
	for _, row := range out {
		if alike[strings.Join(row[2:6], " ")] == 1 {
			row[8] = ""
		}
	}
	return g.write("projected", out)
}

// areas writes code, west, south, east, north and name of the extents in use.
func (g *generator) areas() error {
	rows, err := g.rows(`select code, west_lon, south_lat, east_lon, north_lat, name from extent where auth_name = 'EPSG' order by code`)
	if err != nil {
		return err
	}
	rows = slices.DeleteFunc(rows, func(r []string) bool { return !g.used[code(r[0])] })
	return g.write("area", rows)
}
