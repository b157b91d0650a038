package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// wgs84 is the EPSG code of the datum every shift ends at.
const wgs84 = "6326"

// shift is a datum shift to WGS 84 as seven position-vector parameters.
type shift struct {
	datum, op, name, accuracy, area string
	sea                             bool // its extent speaks of the sea and not of land
	p                               [7]float64
}

// variant returns the n of an operation named "NAD27 to WGS 84 (n)"; later
// ones have higher numbers.
func (s shift) variant() int {
	i, j := strings.LastIndex(s.name, "("), strings.LastIndex(s.name, ")")
	if i < 0 || j < i {
		return 0
	}
	n, err := strconv.Atoi(s.name[i+1 : j])
	if err != nil {
		return 0
	}
	return n
}

func (s shift) null() bool { return s.p == [7]float64{} }

// shifts writes datum, operation code and name, accuracy in metres ("" when
// not stated), area and the seven parameters ("" when all are zero).
//
// What is carried is a choice:
//   - One NAD 83: every realisation of NAD 83 is taken as WGS 84, a null
//     shift, so that layers on different realisations stay together.
//   - Members of the WGS 84 and ETRS89 ensembles are null with their ensemble,
//     and the other global frames (ITRF, IGS, SIRGAS, CGCS2000) are null with WGS 84's.
//   - Operations to another datum that itself is null to WGS 84 are carried
//     when there is none to WGS 84, the accuracies added.
//   - MGI 1901 to WGS 84 (14), EPSG:9143, is left out: it puts Kosovo 1.6 km
//     from where all seven other operations on the datum put it.
//   - Operations for the sea alone are left out where there is one for land:
//     their bounding boxes would catch the coast.
func (g *generator) shifts() error {
	ops, err := g.helmerts()
	if err != nil {
		return err
	}
	direct := map[string][]shift{}
	null := map[string]shift{} // datums that are WGS 84 to their accuracy
	for _, o := range ops {
		if o.target == wgs84 {
			direct[o.datum] = append(direct[o.datum], o.shift)
			if o.null() {
				null[o.datum] = o.shift
			}
		}
	}
	if err := g.families(direct, null); err != nil {
		return err
	}
	via := map[string][]shift{}
	for _, o := range ops {
		hub, ok := null[o.target]
		if !ok || len(direct[o.datum]) > 0 {
			continue
		}
		o.name += " + " + hub.name
		o.accuracy = add(o.accuracy, hub.accuracy)
		via[o.datum] = append(via[o.datum], o.shift)
	}
	var all []shift
	for _, m := range []map[string][]shift{direct, via} {
		for _, s := range m {
			all = append(all, ashore(s)...)
		}
	}
	// Of operations alike in accuracy and area, package crs takes the first:
	// the null shift or else the latest.
	slices.SortStableFunc(all, func(a, b shift) int {
		if a.datum == b.datum && a.null() != b.null() {
			if a.null() {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(code(a.datum), code(b.datum)), cmp.Compare(b.variant(), a.variant()), cmp.Compare(b.op, a.op))
	})
	var out [][]string
	for _, s := range all {
		params := ""
		if !s.null() {
			cells := make([]string, 7)
			for i, v := range s.p {
				cells[i] = format(v)
			}
			params = strings.Join(cells, ",")
		}
		if s.area != "" {
			g.used[code(s.area)] = true
		}
		out = append(out, []string{s.datum, s.op, s.name, s.accuracy, s.area, params})
	}
	return g.write("shift", out)
}

// ashore leaves out the operations for the sea unless there are no others.
func ashore(ops []shift) []shift {
	land := slices.DeleteFunc(slices.Clone(ops), func(s shift) bool { return s.sea })
	if len(land) == 0 {
		return ops
	}
	return land
}

// families replaces the shifts of the NAD 83 realisations by null shifts and
// adds the members of the ensembles.
func (g *generator) families(direct map[string][]shift, null map[string]shift) error {
	rows, err := g.rows(`select distinct d.code, d.name, c.code from geodetic_datum d
		join geodetic_crs c on c.auth_name = 'EPSG' and c.datum_code = d.code and c.type = 'geographic 2D' and c.deprecated = 0
		where d.auth_name = 'EPSG' and (d.name like 'NAD83%' or d.name like 'North American Datum %1983%')`)
	if err != nil {
		return err
	}
	for _, r := range rows {
		s, ok := null[r[0]]
		if !ok {
			s = shift{datum: r[0], op: "1188", name: "NAD83 to WGS 84 (1), taken for " + r[1], accuracy: "4"}
		}
		// Whatever the operation's own area: one null shift for the datum.
		if s.area, err = g.extent("geodetic_crs", r[2]); err != nil {
			return err
		}
		direct[r[0]], null[r[0]] = []shift{s}, s
	}
	rows, err = g.rows(`select m.member_code, m.ensemble_code, e.ensemble_accuracy, d.name, c.code from geodetic_datum_ensemble_member m
		join geodetic_datum e on e.auth_name = 'EPSG' and e.code = m.ensemble_code join geodetic_datum d on d.auth_name = 'EPSG' and d.code = m.member_code
		join geodetic_crs c on c.auth_name = 'EPSG' and c.datum_code = d.code and c.type = 'geographic 2D' and c.deprecated = 0
		union select d.code, 6326, (select ensemble_accuracy from geodetic_datum where auth_name = 'EPSG' and code = 6326), d.name, c.code
		from geodetic_datum d join geodetic_crs c on c.auth_name = 'EPSG' and c.datum_code = d.code and c.type = 'geographic 2D' and c.deprecated = 0
		where d.auth_name = 'EPSG' and (d.name like 'International Terrestrial Reference Frame%' or d.name like 'IG_%' and c.name glob 'IG[Sb][0-9]*'
			or c.name like 'SIRGAS%' or c.name in ('CR-SIRGAS', 'China Geodetic Coordinate System 2000'))`)
	if err != nil {
		return err
	}
	for _, r := range rows {
		if len(direct[r[0]]) > 0 && r[1] == wgs84 {
			continue
		}
		s := shift{datum: r[0], name: r[3] + " taken as its ensemble", accuracy: r[2]}
		if hub, ok := null[r[1]]; ok {
			s.accuracy = add(s.accuracy, hub.accuracy)
		} else if r[1] != wgs84 {
			continue
		}
		if s.area, err = g.extent("geodetic_crs", r[4]); err != nil {
			return err
		}
		direct[r[0]], null[r[0]] = []shift{s}, s
	}
	s := shift{datum: wgs84, name: "WGS 84", accuracy: "0"}
	if s.area, err = g.extent("geodetic_crs", "4326"); err != nil {
		return err
	}
	direct[wgs84] = []shift{s}
	return nil
}

type operation struct {
	shift
	target string // datum
}

// helmerts returns the current Helmert operations of the EPSG dataset that do
// not depend on time, as position vector.
func (g *generator) helmerts() ([]operation, error) {
	rows, err := g.rows(`select s.datum_code, t.datum_code, h.code, h.name, h.accuracy, h.method_name, e.code,
		h.tx, h.ty, h.tz, h.rx, h.ry, h.rz, h.scale_difference, h.px, h.py, h.pz,
		h.translation_uom_code, h.rotation_uom_code, h.scale_difference_uom_code, e.name
		from helmert_transformation h
		join geodetic_crs s on s.auth_name = h.source_crs_auth_name and s.code = h.source_crs_code
		join geodetic_crs t on t.auth_name = h.target_crs_auth_name and t.code = h.target_crs_code
		join usage u on u.object_table_name = 'helmert_transformation' and u.object_auth_name = 'EPSG' and u.object_code = h.code
		join extent e on e.auth_name = u.extent_auth_name and e.code = u.extent_code
		where h.auth_name = 'EPSG' and h.deprecated = 0 and h.code <> 9143 and h.rate_tx is null and h.method_name not like 'Time%'
		and not exists (select 1 from supersession x where x.superseded_table_name = 'helmert_transformation' and x.superseded_auth_name = 'EPSG'
			and x.superseded_code = h.code and x.replacement_table_name = 'helmert_transformation' and x.same_source_target_crs = 1)
		order by h.code`)
	if err != nil {
		return nil, err
	}
	var ops []operation
	for _, r := range rows {
		o := operation{shift: shift{datum: r[0], op: r[2], name: r[3], accuracy: r[4], area: r[6], sea: seaOnly(r[20])}, target: r[1]}
		if o.accuracy == "999" { // EPSG's mark for unknown
			o.accuracy = ""
		}
		for i := range 3 {
			if o.p[i], err = g.value(r[7+i], r[17]); err != nil {
				return nil, err
			}
			if r[10+i] != "" {
				deg, err := g.value(r[10+i], r[18])
				if err != nil {
					return nil, err
				}
				o.p[3+i] = round(deg * 3600)
			}
		}
		if r[13] != "" {
			unity, err := g.value(r[13], r[19])
			if err != nil {
				return nil, err
			}
			o.p[6] = round(unity * 1e6)
		}
		if strings.Contains(r[5], "(CF") || strings.Contains(r[5], "Coordinate Frame") {
			o.p[3], o.p[4], o.p[5] = 0-o.p[3], 0-o.p[4], 0-o.p[5]
		}
		if r[14] != "" {
			o.unpivot(parse(r[14]), parse(r[15]), parse(r[16]))
		}
		ops = append(ops, o)
	}
	if len(ops) == 0 {
		return nil, fmt.Errorf("no Helmert operations found")
	}
	return ops, nil
}

// unpivot turns a Molodensky-Badekas rotation about a point into one about
// the geocentre: X' = M(X-P) + P + T.
func (s *shift) unpivot(x, y, z float64) {
	const sec = math.Pi / 180 / 3600
	rx, ry, rz, m := s.p[3]*sec, s.p[4]*sec, s.p[5]*sec, 1+s.p[6]*1e-6
	s.p[0] += x - m*(x-rz*y+ry*z)
	s.p[1] += y - m*(rz*x+y-rx*z)
	s.p[2] += z - m*(-ry*x+rx*y+z)
}

// seaOnly reports whether an extent's name speaks of the sea and not of land.
func seaOnly(name string) bool {
	n := strings.ToLower(name)
	return (strings.Contains(n, "offshore") && !strings.Contains(n, "onshore")) ||
		strings.HasPrefix(n, "usa - gom") || strings.Contains(n, "north sea") || strings.Contains(n, "cone shelf")
}

// round takes off the noise that unit factors of 15 digits leave.
func round(v float64) float64 { return math.Round(v*1e12) / 1e12 }

// add sums two accuracies; unknown when either is.
func add(a, b string) string {
	if a == "" || b == "" {
		return ""
	}
	return format(parse(a) + parse(b))
}
