package csvfile

import (
	"bufio"
	"errors"
	"fmt"
	"io"

	"holdfast/geo/vector"
)

// splitter parts text into rows and cells. Lines end with a line feed, a
// carriage return or both. A quotation mark inside a cell that does not begin
// with one stands for itself, as in 79°59'45.2"W.
type splitter struct {
	in    *bufio.Reader
	sep   byte
	line  int    // number of the line to be read next, from 1
	text  []byte // of the row
	ends  []int  // of its cells in text
	fault string // what is wrong with the row
}

// row is one row; line is where it begins.
type row struct {
	cells []string
	line  int
	err   error // of the row alone
}

var errRowTooLong = fmt.Errorf("a row is longer than %d MB; a closing quotation mark may be missing", vector.MaxValue>>20)

// next reads a row. It fails at the end with io.EOF.
func (s *splitter) next() (row, error) {
	r := row{line: s.line}
	s.text, s.ends, s.fault = s.text[:0], s.ends[:0], ""
	for {
		last, err := s.cell()
		if err != nil {
			if errors.Is(err, io.EOF) && len(s.ends) == 0 && len(s.text) == 0 && s.fault == "" {
				return r, io.EOF
			}
			if !errors.Is(err, io.EOF) {
				return r, err
			}
		}
		s.ends = append(s.ends, len(s.text))
		if len(s.ends) > vector.MaxFields {
			return r, fmt.Errorf("line %d has more than %d cells", r.line, vector.MaxFields)
		}
		if last || err != nil {
			break
		}
	}
	all, from := string(s.text), 0
	r.cells = make([]string, len(s.ends))
	for i, end := range s.ends {
		r.cells[i], from = all[from:end], end
	}
	if s.fault != "" {
		r.err = errors.New(s.fault)
		if end := s.line - 1; end > r.line {
			r.err = fmt.Errorf("%w; lines %d to %d were taken as one row", r.err, r.line, end)
		}
	}
	return r, nil
}

// cell reads one cell and tells whether it is the last of its row.
func (s *splitter) cell() (last bool, err error) {
	c, err := s.in.ReadByte()
	if err != nil {
		return true, err
	}
	if c == '"' {
		return s.quoted()
	}
	for ; err == nil; c, err = s.in.ReadByte() {
		switch c {
		case s.sep:
			return false, nil
		case '\n', '\r':
			s.endLine(c)
			return true, nil
		}
		if s.text = append(s.text, c); len(s.text) > vector.MaxValue {
			return true, errRowTooLong
		}
	}
	return true, err
}

// quoted reads on behind an opening quotation mark.
func (s *splitter) quoted() (last bool, err error) {
	opened := s.line
	for {
		c, err := s.in.ReadByte()
		if err != nil {
			if errors.Is(err, io.EOF) {
				s.fault = fmt.Sprintf("the quotation mark opened on line %d is not closed", opened)
				s.line++
			}
			return true, err
		}
		if c == '"' {
			c, err = s.in.ReadByte()
			spaced := err == nil && c == ' '
			for err == nil && c == ' ' {
				c, err = s.in.ReadByte()
			}
			switch {
			case err != nil:
				return true, err
			case c == s.sep:
				return false, nil
			case c == '\n' || c == '\r':
				s.endLine(c)
				return true, nil
			case c != '"' || spaced:
				s.fault = fmt.Sprintf("line %d: a quotation mark is out of place", s.line)
				return s.restOfCell(c)
			}
		} else if c == '\n' {
			s.line++
		}
		if s.text = append(s.text, c); len(s.text) > vector.MaxValue {
			return true, errRowTooLong
		}
	}
}

// restOfCell reads what stands between a misplaced quotation mark and the end
// of the cell.
func (s *splitter) restOfCell(c byte) (last bool, err error) {
	for ; err == nil; c, err = s.in.ReadByte() {
		switch c {
		case s.sep:
			return false, nil
		case '\n', '\r':
			s.endLine(c)
			return true, nil
		}
		if s.text = append(s.text, c); len(s.text) > vector.MaxValue {
			return true, errRowTooLong
		}
	}
	return true, err
}

// endLine counts the line and passes over the second byte of CR LF.
func (s *splitter) endLine(c byte) {
	s.line++
	if c != '\r' {
		return
	}
	if b, err := s.in.Peek(1); err == nil && b[0] == '\n' {
		_, _ = s.in.Discard(1)
	}
}
