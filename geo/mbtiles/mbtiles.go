// Package mbtiles reads raster map tiles from a file of the MBTiles format,
// version 1.3 (https://github.com/mapbox/mbtiles-spec, public domain): one
// SQLite file of tiles in the tiling of web maps, rows counted from the south.
package mbtiles

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"

	"github.com/mattn/go-sqlite3"
	"github.com/paulmach/orb"
)

// MaxZoom is the deepest level of tiles that is read.
const MaxZoom = 24

// mostBytes bounds one tile, and every other value of the file.
const mostBytes = 4 << 20

// Tiles is an open file. It is safe for use by several goroutines.
type Tiles struct {
	Name        string
	Attribution string // plain text; markup is taken out
	Version     string // of the tiles, as their maker counts
	MediaType   string // image/png, image/jpeg or image/webp
	MinZoom     int
	MaxZoom     int
	Bound       orb.Bound // longitude, latitude

	db *sql.DB
}

var mediaTypes = map[string]string{"png": "image/png", "jpg": "image/jpeg", "jpeg": "image/jpeg", "webp": "image/webp"}

// Open opens a file for reading only. Files of vector tiles are refused.
func Open(ctx context.Context, path string) (*Tiles, error) {
	if info, err := os.Stat(path); err != nil || info.IsDir() {
		return nil, fmt.Errorf("open map tiles %q: there is no such file", path)
	}
	db, err := open(path)
	if err != nil {
		return nil, fmt.Errorf("open map tiles %q: %w", path, err)
	}
	t := &Tiles{db: db}
	if err := t.describe(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("open map tiles %q: %w", path, err), db.Close())
	}
	return t, nil
}

// Close closes the file.
func (t *Tiles) Close() error { return t.db.Close() }

// connector opens connections without a driver that is registered for all.
type connector struct{ dsn string }

func (c connector) Connect(context.Context) (driver.Conn, error) { return c.Driver().Open(c.dsn) }

// Driver makes connections wary of a file that may be hostile
// (https://www.sqlite.org/security.html).
func (c connector) Driver() driver.Driver {
	return &sqlite3.SQLiteDriver{ConnectHook: func(conn *sqlite3.SQLiteConn) error {
		conn.SetLimit(sqlite3.SQLITE_LIMIT_LENGTH, mostBytes)
		conn.SetLimit(sqlite3.SQLITE_LIMIT_SQL_LENGTH, 1_000_000)
		conn.SetLimit(sqlite3.SQLITE_LIMIT_EXPR_DEPTH, 100)
		conn.SetLimit(sqlite3.SQLITE_LIMIT_ATTACHED, 0)
		return nil
	}}
}

func open(path string) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	slashed := filepath.ToSlash(abs)
	if !strings.HasPrefix(slashed, "/") { // a drive letter
		slashed = "/" + slashed
	}
	db := sql.OpenDB(connector{"file:" + (&url.URL{Path: slashed}).EscapedPath() + "?mode=ro&immutable=1&_query_only=1"})
	db.SetMaxOpenConns(4)
	return db, nil
}

func (t *Tiles) describe(ctx context.Context) error {
	about, err := t.metadata(ctx)
	if err != nil {
		return fmt.Errorf("read what it says of itself: %w", err)
	}
	t.Name, t.Attribution, t.Version = plain(about["name"]), plain(about["attribution"]), plain(about["version"])
	format := strings.ToLower(about["format"])
	if format == "pbf" {
		return errors.New("it holds vector tiles, which need a style to be drawn; give one of images (png, jpg or webp)")
	}
	if t.MediaType = mediaTypes[format]; t.MediaType == "" {
		return fmt.Errorf("its tiles are of format %q; png, jpg and webp can be shown", format)
	}
	if err := t.levels(ctx, about); err != nil {
		return err
	}
	t.Bound = bound(about["bounds"])
	return nil
}

func (t *Tiles) metadata(ctx context.Context) (map[string]string, error) {
	rows, err := t.db.QueryContext(ctx, `SELECT name, value FROM metadata LIMIT 1000`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	about := map[string]string{}
	for rows.Next() {
		var name, value sql.NullString
		if err := rows.Scan(&name, &value); err != nil {
			return nil, err
		}
		about[name.String] = value.String
	}
	return about, rows.Err()
}

// levels reads the zooms from the description or, where it leaves them out,
// from the tiles.
func (t *Tiles) levels(ctx context.Context, about map[string]string) error {
	lo, errLo := strconv.Atoi(about["minzoom"])
	hi, errHi := strconv.Atoi(about["maxzoom"])
	if errLo != nil || errHi != nil {
		var a, b sql.NullInt64
		if err := t.db.QueryRowContext(ctx, `SELECT min(zoom_level), max(zoom_level) FROM tiles`).Scan(&a, &b); err != nil {
			return fmt.Errorf("look for its tiles: %w", err)
		}
		if !a.Valid {
			return errors.New("it holds no tile")
		}
		lo, hi = int(a.Int64), int(b.Int64)
	}
	if lo < 0 || hi < lo || hi > MaxZoom {
		return fmt.Errorf("its zooms are %d to %d; 0 to %d can be shown", lo, hi, MaxZoom)
	}
	t.MinZoom, t.MaxZoom = lo, hi
	return nil
}

// world is what web maps show.
var world = orb.Bound{Min: orb.Point{-180, -85.0511}, Max: orb.Point{180, 85.0511}}

// bound reads west,south,east,north; anything else is the whole world.
func bound(text string) orb.Bound {
	parts := strings.Split(text, ",")
	if len(parts) != 4 {
		return world
	}
	var v [4]float64
	for i, p := range parts {
		f, err := strconv.ParseFloat(strings.TrimSpace(p), 64)
		if err != nil || math.IsNaN(f) {
			return world
		}
		v[i] = f
	}
	b := orb.Bound{Min: orb.Point{max(v[0], -180), max(v[1], -85.0511)}, Max: orb.Point{min(v[2], 180), min(v[3], 85.0511)}}
	if b.Left() >= b.Right() || b.Bottom() >= b.Top() {
		return world
	}
	return b
}

var markup = regexp.MustCompile(`<[^>]*>`)

// plain takes the markup out of a text, which the format allows in an
// attribution.
func plain(s string) string {
	s = markup.ReplaceAllString(s, "")
	s = strings.NewReplacer("&copy;", "©", "&amp;", "&", "&lt;", "<", "&gt;", ">", "&quot;", `"`, "&#39;", "'", "&nbsp;", " ").Replace(s)
	return strings.Join(strings.Fields(s), " ")
}

// Tile returns a tile by zoom, column from the west and row from the north; ok
// is false where the file has none.
func (t *Tiles) Tile(ctx context.Context, z, x, y int) (image []byte, ok bool, err error) {
	if z < 0 || z > MaxZoom || x < 0 || y < 0 || x >= 1<<z || y >= 1<<z {
		return nil, false, nil
	}
	fromSouth := 1<<z - 1 - y
	err = t.db.QueryRowContext(ctx, `SELECT tile_data FROM tiles WHERE zoom_level = ? AND tile_column = ? AND tile_row = ?`, z, x, fromSouth).Scan(&image)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("read map tile %d/%d/%d: %w", z, x, y, err)
	}
	return image, len(image) > 0, nil
}
