// Package magnetic evaluates the World Magnetic Model: the direction a
// compass needle takes at a place and date, and how far it can be trusted
// there. Declination is positive east of true north, inclination positive
// downwards.
//
// Source: Chulliat et al., "The US/UK World Magnetic Model for 2025-2030:
// Technical Report", NOAA NCEI 2024, whose notation is used in comments.
package magnetic

import (
	"bufio"
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"
)

const (
	// degree is the maximum degree and order n of the model.
	degree = 12
	terms  = (degree + 1) * (degree + 2) / 2
	// years is the period a coefficient file is made for, from its epoch on.
	years = 5
	// maxLine bounds a line of a coefficient file; the standard's lines have 48 characters.
	maxLine = 4096
	// maxCoefficient in nT is far above the largest coefficient of the field
	// (about 30 000 nT) and refuses a file in other units.
	maxCoefficient = 1e6
)

// coefficient holds the Gauss coefficients of one degree and order in nT and
// their annual change in nT per year, Schmidt semi-normalised.
type coefficient struct{ g, h, gDot, hDot float64 }

// Model is one issue of the World Magnetic Model. It is immutable and safe
// for concurrent use.
type Model struct {
	name  string
	epoch float64
	coef  [degree + 1][degree + 1]coefficient // [order m][degree n]
}

//go:embed WMM2025.COF
var wmm2025 []byte

// WMM2025 returns the model issued for 2025.0 to 2030.0.
var WMM2025 = sync.OnceValue(func() *Model {
	m, err := Parse(bytes.NewReader(wmm2025))
	if err != nil {
		panic(fmt.Sprintf("magnetic: embedded WMM2025.COF: %v", err)) // the build is broken
	}
	return m
})

// Default returns the newest model the program carries.
func Default() *Model { return WMM2025() }

// Name returns the model's name as its file gives it, such as "WMM-2025".
func (m *Model) Name() string { return m.name }

// Valid returns the decimal years the model is made for: from ≤ year < until.
func (m *Model) Valid() (from, until float64) { return m.epoch, m.epoch + years }

// Parse reads a coefficient file in the form NOAA publishes (WMM.COF): a
// header "epoch name date", then a line "n m g h ġ ḣ" for every degree 1 to
// 12 and order 0 to n, closed by lines of nines. Every term must be there
// once; a file of higher degree is refused.
func Parse(r io.Reader) (*Model, error) {
	s := bufio.NewScanner(r)
	s.Buffer(make([]byte, 0, 256), maxLine)
	m := &Model{}
	var seen [degree + 1][degree + 1]bool
	rows, line := 0, 0
	for s.Scan() {
		line++
		f := strings.Fields(s.Text())
		switch {
		case len(f) == 0:
			continue
		case m.name == "":
			if err := m.header(f); err != nil {
				return nil, fmt.Errorf("parse magnetic model: line %d: %w", line, err)
			}
			continue
		}
		if strings.HasPrefix(f[0], "9999") {
			break
		}
		n, o, c, err := row(f)
		if err != nil {
			return nil, fmt.Errorf("parse magnetic model: line %d: %w", line, err)
		}
		if seen[o][n] {
			return nil, fmt.Errorf("parse magnetic model: line %d: degree %d order %d is given twice", line, n, o)
		}
		seen[o][n] = true
		m.coef[o][n] = c
		rows++
	}
	if err := s.Err(); err != nil {
		return nil, fmt.Errorf("parse magnetic model: line %d: %w", line+1, err)
	}
	if m.name == "" {
		return nil, fmt.Errorf("parse magnetic model: the file is empty")
	}
	if rows != terms-1 {
		return nil, fmt.Errorf("parse magnetic model: %d of %d coefficient lines found; is the file cut off?", rows, terms-1)
	}
	return m, nil
}

func (m *Model) header(f []string) error {
	if len(f) < 2 {
		return fmt.Errorf("the header must read \"epoch name date\", such as \"2025.0 WMM-2025 11/13/2024\"")
	}
	epoch, err := strconv.ParseFloat(f[0], 64)
	if err != nil || !(epoch >= 1900 && epoch <= 2200) {
		return fmt.Errorf("epoch %q is not a year between 1900 and 2200", f[0])
	}
	m.epoch, m.name = epoch, f[1]
	if len(f) > 2 {
	}
	return nil
}

func row(f []string) (n, o int, c coefficient, err error) {
	if len(f) != 6 {
		return 0, 0, c, fmt.Errorf("%d columns where 6 are expected (n m g h ġ ḣ)", len(f))
	}
	n, errN := strconv.Atoi(f[0])
	o, errO := strconv.Atoi(f[1])
	if errN != nil || errO != nil || n < 1 || o < 0 || o > n {
		return 0, 0, c, fmt.Errorf("degree %q and order %q are not 0 ≤ m ≤ n, n ≥ 1", f[0], f[1])
	}
	if n > degree {
		return 0, 0, c, fmt.Errorf("degree %d: only models to degree %d are read, not the high-resolution one", n, degree)
	}
	for i, v := range []*float64{&c.g, &c.h, &c.gDot, &c.hDot} {
		*v, err = strconv.ParseFloat(f[2+i], 64)
		if err != nil || !(math.Abs(*v) <= maxCoefficient) {
			return 0, 0, c, fmt.Errorf("coefficient %q is not a number of nanotesla", f[2+i])
		}
	}
	return n, o, c, nil
}

// DecimalYear returns the calendar date of t, in t's own time zone, as a year
// and fraction: 1 January is .0, and the hour does not count (Technical
// Report: day of the year over days in the year).
func DecimalYear(t time.Time) float64 {
	days := time.Date(t.Year(), time.December, 31, 0, 0, 0, 0, time.UTC).YearDay()
	return float64(t.Year()) + float64(t.YearDay()-1)/float64(days)
}
