package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"slices"
	"strings"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
)

// Type is the type that all values of a property share. A property that has no
// value anywhere, or values of several types, is Text; objects are of no type.
type Type string

const (
	Text      Type = "text"
	Integer   Type = "integer"
	Real      Type = "real"
	Boolean   Type = "boolean"
	Date      Type = "date"      // text, all of it like 2006-01-02
	Timestamp Type = "timestamp" // text, all of it RFC 3339, perhaps without a zone
	List      Type = "list"
)

// Property is a property that features of a layer have.
type Property struct {
	Name string `json:"name"`
	Type Type   `json:"type"`
}

// mostProperties bounds what is noted of a layer that has a new property on
// every feature; those beyond are stored all the same.
const mostProperties = 1000

// contents notes what a layer holds while its features pass.
type contents struct {
	bound orb.Bound
	seen  map[string]kinds
	sum   hash.Hash // of the features, as digestLayer does
}

// kinds are the kinds of values that a property was seen with.
type kinds uint8

const (
	someText kinds = 1 << iota
	someDate
	someTimestamp
	someInteger
	someReal
	someBoolean
	someList
	someObject
)

func newContents() *contents {
	return &contents{bound: orb.Bound{Min: orb.Point{180, 90}, Max: orb.Point{-180, -90}}, seen: map[string]kinds{}, sum: sha256.New()}
}

func (c *contents) add(b orb.Bound, properties *geojson.Members) {
	c.bound = c.bound.Union(b)
	for _, p := range properties.List {
		was, known := c.seen[p.Name]
		if !known && len(c.seen) >= mostProperties {
			continue
		}
		if now := was | kindsOf(p.Value, was); now != was || !known {
			c.seen[p.Name] = now
		}
	}
}

// kindsOf tells what kind a JSON value is. Text is only looked at closely
// while all text before was of the same kind.
func kindsOf(value json.RawMessage, was kinds) kinds {
	switch value[0] {
	case 't', 'f':
		return someBoolean
	case '[':
		return someList
	case '{':
		return someObject
	case 'n':
		return 0
	case '"':
		text := value[1 : len(value)-1]
		switch {
		case was&someText != 0 || len(text) < 10 || text[4] != '-':
			return someText
		case isTime(string(text), time.DateOnly):
			return someDate
		case isTime(string(text), time.RFC3339, "2006-01-02T15:04:05"):
			return someTimestamp
		}
		return someText
	}
	if slices.ContainsFunc(value, func(b byte) bool { return b == '.' || b == 'e' || b == 'E' }) {
		return someReal
	}
	return someInteger
}

func isTime(text string, layouts ...string) bool {
	return slices.ContainsFunc(layouts, func(l string) bool {
		_, err := time.Parse(l, text)
		return err == nil
	})
}

func (k kinds) typ() (Type, bool) {
	switch k {
	case someObject:
		return "", false
	case someDate:
		return Date, true
	case someTimestamp:
		return Timestamp, true
	case someInteger:
		return Integer, true
	case someReal, someReal | someInteger:
		return Real, true
	case someBoolean:
		return Boolean, true
	case someList:
		return List, true
	}
	return Text, true
}

func (c *contents) properties() []Property {
	out := []Property{}
	for name, k := range c.seen {
		if t, ok := k.typ(); ok {
			out = append(out, Property{Name: name, Type: t})
		}
	}
	slices.SortFunc(out, func(a, b Property) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// saveContents replaces what is noted of a layer; a layer without features
// has no bounds and gets no row.
func (t *tx) saveContents(ctx context.Context, layer int64, c *contents) error {
	if c.bound.IsEmpty() {
		return nil
	}
	list, err := json.Marshal(c.properties())
	if err != nil {
		return fmt.Errorf("write properties: %w", err)
	}
	b := c.bound
	_, err = t.ExecContext(ctx, `
		INSERT INTO layer_contents (
			layer,
			west,
			south,
			east,
			north,
			properties
		) VALUES (?, ?, ?, ?, ?, ?)`, layer, b.Left(), b.Bottom(), b.Right(), b.Top(), string(list))
	return err
}

// LayerContents returns the bounds of a layer and its properties sorted by
// name; false when it has no features.
func (s *Store) LayerContents(ctx context.Context, id string) (orb.Bound, []Property, bool, error) {
	l, err := s.Layer(ctx, id)
	if err != nil || l.Features == 0 {
		return orb.Bound{}, nil, false, err
	}
	var b orb.Bound
	var list []byte
	err = s.read.QueryRowContext(ctx, `
		SELECT
			c.west,
			c.south,
			c.east,
			c.north,
			c.properties
		FROM layer_contents AS c
		JOIN layers ON layers.n = c.layer
		WHERE layers.id = ?`, id).Scan(&b.Min[0], &b.Min[1], &b.Max[0], &b.Max[1], &list)
	if errors.Is(err, sql.ErrNoRows) {
		c, err := s.readContents(ctx, id)
		return c.bound, c.properties(), err == nil, explain("read layer "+id, err)
	}
	if err != nil {
		return b, nil, false, explain("read layer "+id, err)
	}
	var out []Property
	if err := json.Unmarshal(list, &out); err != nil {
		return b, nil, false, refuse(ErrDamaged, err, "what layer %s holds cannot be read: %s", id, err)
	}
	return b, out, true, nil
}

// readContents looks through a layer that was stored before its contents were
// noted.
func (s *Store) readContents(ctx context.Context, id string) (*contents, error) {
	c := newContents()
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			f.west,
			f.south,
			f.east,
			f.north,
			f.properties
		FROM layer_features AS f
		JOIN layers ON layers.n = f.layer
		WHERE layers.id = ?`, id)
	if err != nil {
		return c, err
	}
	defer rows.Close()
	members := geojson.NewMembers()
	for rows.Next() {
		var b orb.Bound
		var props sql.RawBytes
		if err := rows.Scan(&b.Min[0], &b.Min[1], &b.Max[0], &b.Max[1], &props); err != nil {
			return c, err
		}
		if err := members.Read(props); err != nil {
			return c, err
		}
		c.add(b, members)
	}
	return c, rows.Err()
}
