// Command gen writes the tables that package crs embeds, from the EPSG part
// of PROJ's database (proj.db, Debian package proj-data). It is run by hand:
//
//	go generate ./geo/crs
//
// Angles are written in degrees, lengths in metres, Helmert parameters as
// position vector in metres, seconds of arc and parts per million.
package main

import (
	"bytes"
	"compress/gzip"
	"database/sql"
	"flag"
	"fmt"
	"log"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	_ "github.com/mattn/go-sqlite3"
)

func main() {
	log.SetFlags(0)
	db := flag.String("db", "/usr/share/proj/proj.db", "PROJ's database")
	out := flag.String("out", "table", "folder to write the tables to")
	flag.Parse()
	if err := run(*db, *out); err != nil {
		log.Fatal(err)
	}
}

func run(path, out string) error {
	db, err := sql.Open("sqlite3", "file:"+path+"?mode=ro")
	if err != nil {
		return err
	}
	defer db.Close()
	g := &generator{db: db, out: out, used: map[int]bool{}}
	for _, step := range []func() error{g.units, g.methods, g.ellipsoids, g.datums, g.geographic, g.projected, g.shifts, g.areas} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

type generator struct {
	db   *sql.DB
	out  string
	unit map[int]float64 // metres, degrees or unity
	used map[int]bool    // extents in use
}

// rows runs a query and returns every row as text, NULL as "".
func (g *generator) rows(query string, args ...any) ([][]string, error) {
	rs, err := g.db.Query(query, args...)
	if err != nil {
		return nil, fmt.Errorf("query %.60q: %w", query, err)
	}
	defer rs.Close()
	cols, err := rs.Columns()
	if err != nil {
		return nil, err
	}
	var all [][]string
	for rs.Next() {
		cells := make([]sql.NullString, len(cols))
		ptrs := make([]any, len(cols))
		for i := range cells {
			ptrs[i] = &cells[i]
		}
		if err := rs.Scan(ptrs...); err != nil {
			return nil, err
		}
		row := make([]string, len(cols))
		for i, c := range cells {
			row[i] = strings.TrimSuffix(c.String, ".0")
		}
		all = append(all, row)
	}
	return all, rs.Err()
}

// packFrom is the size in bytes from which on a table is packed.
const packFrom = 100_000

// write writes a table, one row a line, cells separated by tabs. Great ones are
// packed.
func (g *generator) write(name string, rows [][]string) error {
	var b strings.Builder
	for _, r := range rows {
		for _, c := range r {
			if strings.ContainsAny(c, "\t\n") {
				return fmt.Errorf("table %s: a cell holds a tab or a line break: %q", name, c)
			}
		}
		b.WriteString(strings.Join(r, "\t") + "\n")
	}
	log.Printf("%s: %d rows, %d bytes", name, len(rows), b.Len())
	if b.Len() < packFrom {
		return os.WriteFile(filepath.Join(g.out, name+".tsv"), []byte(b.String()), 0o644)
	}
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
	if err != nil {
		return err
	}
	if _, err := z.Write([]byte(b.String())); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(g.out, name+".tsv.gz"), packed.Bytes(), 0o644)
}

func (g *generator) units() error {
	rows, err := g.rows(`select code, conv_factor, type from unit_of_measure where auth_name = 'EPSG' and conv_factor is not null`)
	if err != nil {
		return err
	}
	g.unit = map[int]float64{}
	for _, r := range rows {
		f := parse(r[1])
		if r[2] == "angle" {
			f *= 180 / math.Pi
			// The database rounds π/180 and π/200 to 15 digits.
			if n := math.Round(f * 1e4); n > 0 && math.Abs(f*1e4-n) < 1e-9*n {
				f = n / 1e4
			}
		}
		g.unit[code(r[0])] = f
	}
	g.unit[9003] = 1200.0 / 3937 // US survey foot, exact
	g.unit[9104] = 1.0 / 3600    // second of arc
	return nil
}

// value turns a value in a unit of the database into metres, degrees or unity.
func (g *generator) value(v, unit string) (float64, error) {
	switch code(unit) {
	case 9110: // sexagesimal DMS: D.MMSSsss
		sign, text := 1.0, v
		if strings.HasPrefix(text, "-") {
			sign, text = -1, text[1:]
		}
		deg, frac, _ := strings.Cut(text, ".")
		frac += "0000"
		return sign * (parse(deg) + parse(frac[:2])/60 + parse(frac[2:4]+"."+frac[4:]+"0")/3600), nil
	case 9111: // sexagesimal DM: D.MMmmm
		return 0, fmt.Errorf("unit 9111 not expected")
	}
	f, ok := g.unit[code(unit)]
	if !ok {
		return 0, fmt.Errorf("unknown unit %s", unit)
	}
	return parse(v) * f, nil
}

func code(s string) int {
	n, err := strconv.Atoi(s)
	if err != nil {
		log.Fatalf("read code %q: %v", s, err)
	}
	return n
}

func parse(s string) float64 {
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		log.Fatalf("read number %q: %v", s, err)
	}
	return f
}

func format(f float64) string { return strconv.FormatFloat(f, 'g', -1, 64) }
