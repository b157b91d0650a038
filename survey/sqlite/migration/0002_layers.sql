-- Imported GIS layers. Their description is revised like a site; the features
-- are those of the edition in force, since the older file can be read again.

CREATE TABLE layers (
    n        INTEGER NOT NULL PRIMARY KEY,
    id       TEXT    NOT NULL UNIQUE CHECK (length(id) BETWEEN 1 AND 64),
    role     TEXT    NOT NULL CHECK (role <> ''),
    body     TEXT    NOT NULL CHECK (json_valid(body)),
    revision INTEGER NOT NULL REFERENCES revisions (number)
) STRICT;

CREATE TABLE layer_features (
    n          INTEGER NOT NULL PRIMARY KEY,
    layer      INTEGER NOT NULL REFERENCES layers (n) DEFERRABLE INITIALLY DEFERRED, -- the row is written last, with the count
    number     INTEGER NOT NULL CHECK (number > 0), -- within the layer, in file order from 1
    west       REAL    NOT NULL CHECK (west BETWEEN -180 AND 180),
    south      REAL    NOT NULL CHECK (south BETWEEN -90 AND 90),
    east       REAL    NOT NULL CHECK (east BETWEEN west AND 180),
    north      REAL    NOT NULL CHECK (north BETWEEN south AND 90),
    geometry   BLOB    NOT NULL, -- two-dimensional WKB, which decodes fast
    heights    BLOB,             -- float64 little-endian metres, one per position, NaN where there is none; NULL: none at all
    properties TEXT    CHECK (properties IS NULL OR json_valid(properties)),
    UNIQUE (layer, number)
) STRICT;

CREATE VIRTUAL TABLE layer_features_box USING rtree (n, west, east, south, north);
