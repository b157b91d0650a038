package shp

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"holdfast/geo/vector"
)

// shapes gives the contents of the records one after the other: where the index
// says, or as they follow one another when there is no usable index.
type shapes struct {
	r       *window
	shx     *window
	indexed bool
	at      int64 // of the next record, without an index
	notes   []string
}

const (
	recordHeader = 8
	indexEntry   = 8
	maxContent   = 40*vector.MaxPositions + 4096 // of the largest geometry that is read
)

func open(d data) *shapes {
	s := &shapes{r: newWindow(d.shp), at: headerSize}
	if d.shx == nil {
		s.notes = append(s.notes, "there is no .shx beside it: the records are taken as they follow one another")
		return s
	}
	s.shx = newWindow(d.shx)
	if s.indexed = s.agrees(); !s.indexed {
		s.notes = append(s.notes, "the .shx does not fit the .shp and is not used: the records are taken as they follow one another")
	}
	return s
}

func (s *shapes) count() int {
	return int(max(0, s.shx.r.Size()-headerSize) / indexEntry)
}

// agrees looks at some entries of the index to tell whether it belongs to the
// .shp.
func (s *shapes) agrees() bool {
	n := s.count()
	if s.shx.r.Size() < headerSize {
		return false
	}
	if n == 0 {
		return s.r.r.Size() <= headerSize
	}
	for _, i := range []int{0, 1, n / 2, n - 1} {
		if i >= n {
			continue
		}
		at, length, err := s.entry(i)
		if err != nil {
			return false
		}
		if length == 0 {
			continue // an unused entry
		}
		h, err := s.r.bytes(at, recordHeader)
		if err != nil || int(binary.BigEndian.Uint32(h[4:]))*2 != length {
			return false
		}
	}
	return true
}

// entry returns where a record begins and the length of its content, in bytes.
func (s *shapes) entry(i int) (at int64, length int, err error) {
	e, err := s.shx.bytes(headerSize+int64(i)*indexEntry, indexEntry)
	if err != nil {
		return 0, 0, err
	}
	return int64(binary.BigEndian.Uint32(e)) * 2, int(binary.BigEndian.Uint32(e[4:])) * 2, nil
}

// next returns the content of the i-th record, valid until the next call. A
// fault is of this record alone. It fails at the end with io.EOF.
func (s *shapes) next(i int) (content []byte, fault, err error) {
	at := s.at
	if s.indexed {
		if i >= s.count() {
			return nil, nil, io.EOF
		}
		var length int
		if at, length, err = s.entry(i); err != nil {
			return nil, nil, err
		}
		if length == 0 {
			return nullShape, nil, nil
		}
	} else if at+recordHeader > s.r.r.Size() {
		return nil, nil, io.EOF
	}
	h, err := s.r.bytes(at, recordHeader)
	if err != nil {
		return nil, fmt.Errorf("the index points to byte %d, beyond the end of the .shp", at), nil
	}
	length := int64(binary.BigEndian.Uint32(h[4:])) * 2
	if !s.indexed {
		if binary.BigEndian.Uint64(h) == 0 {
			return nil, nil, io.EOF // the file is padded
		}
		if s.at = at + recordHeader + length; s.at > s.r.r.Size() {
			return nil, nil, fmt.Errorf("record %d ends beyond the end of the .shp", i+1)
		}
	}
	if length > maxContent {
		return nil, vector.ErrTooManyPositions, nil
	}
	content, err = s.r.bytes(at+recordHeader, int(length))
	if err != nil {
		return nil, errors.New("the record ends beyond the end of the .shp"), nil
	}
	return content, nil, nil
}

var nullShape = make([]byte, 4)
