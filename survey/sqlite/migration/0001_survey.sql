-- Sites and points as they are, and every change that led there.
-- Times are RFC 3339 in UTC with microseconds, so that text order is time order.

CREATE TABLE meta (
    one        INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
    atlas      TEXT    NOT NULL CHECK (atlas <> ''), -- UUID of this atlas
    created_at TEXT    NOT NULL
) STRICT;

CREATE TABLE revisions (
    number     INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT CHECK (number > 0), -- of the whole atlas, never reused
    collection TEXT    NOT NULL CHECK (collection <> ''),
    id         TEXT    NOT NULL CHECK (id <> ''),
    at         TEXT    NOT NULL CHECK (at <> ''),
    who        TEXT    NOT NULL CHECK (who <> ''),
    device     TEXT    NOT NULL, -- '' when not stated
    verb       TEXT    NOT NULL CHECK (verb IN ('create', 'replace', 'delete', 'restore')),
    before     TEXT    CHECK (before IS NULL OR json_valid(before)), -- NULL: there was none
    after      TEXT    CHECK (after IS NULL OR json_valid(after)),   -- NULL: there is none any more
    CHECK ((before IS NULL) = (verb IN ('create', 'restore'))),
    CHECK ((after IS NULL) = (verb = 'delete'))
) STRICT;

CREATE INDEX revisions_item ON revisions (collection, id, number);

CREATE TRIGGER revisions_keep_update BEFORE UPDATE ON revisions
BEGIN SELECT RAISE(ABORT, 'a revision is never altered'); END;

CREATE TRIGGER revisions_keep_delete BEFORE DELETE ON revisions
BEGIN SELECT RAISE(ABORT, 'a revision is never deleted'); END;

-- INSERT OR REPLACE deletes without asking the trigger above.
CREATE TRIGGER revisions_keep_replace BEFORE INSERT ON revisions
WHEN EXISTS (SELECT 1 FROM revisions WHERE number = new.number)
BEGIN SELECT RAISE(ABORT, 'a revision is never replaced'); END;

CREATE TABLE sites (
    n          INTEGER NOT NULL PRIMARY KEY, -- ties the row to its box
    id         TEXT    NOT NULL UNIQUE CHECK (length(id) BETWEEN 1 AND 100),
    code       TEXT    NOT NULL CHECK (code <> ''), -- case-folded
    words      TEXT    NOT NULL,                    -- name and code, case-folded, for search
    west       REAL    NOT NULL CHECK (west BETWEEN -180 AND 180),
    south      REAL    NOT NULL CHECK (south BETWEEN -90 AND 90),
    east       REAL    NOT NULL CHECK (east BETWEEN west AND 180),
    north      REAL    NOT NULL CHECK (north BETWEEN south AND 90),
    body       TEXT    NOT NULL CHECK (json_valid(body)), -- the GeoJSON Feature
    revision   INTEGER NOT NULL REFERENCES revisions (number),
    updated_at TEXT    NOT NULL,
    updated_by TEXT    NOT NULL CHECK (updated_by <> ''),
    deleted    INTEGER NOT NULL CHECK (deleted IN (0, 1)) -- 1: a tombstone
) STRICT;

CREATE UNIQUE INDEX sites_code ON sites (code) WHERE deleted = 0;

CREATE VIRTUAL TABLE sites_box USING rtree (n, west, east, south, north);

CREATE TABLE points (
    n          INTEGER NOT NULL PRIMARY KEY,
    id         TEXT    NOT NULL UNIQUE CHECK (length(id) BETWEEN 1 AND 100),
    site       TEXT    NOT NULL REFERENCES sites (id),
    words      TEXT    NOT NULL, -- label, case-folded
    west       REAL    NOT NULL CHECK (west BETWEEN -180 AND 180),
    south      REAL    NOT NULL CHECK (south BETWEEN -90 AND 90),
    east       REAL    NOT NULL CHECK (east = west),
    north      REAL    NOT NULL CHECK (north = south),
    body       TEXT    NOT NULL CHECK (json_valid(body)),
    revision   INTEGER NOT NULL REFERENCES revisions (number),
    updated_at TEXT    NOT NULL,
    updated_by TEXT    NOT NULL CHECK (updated_by <> ''),
    deleted    INTEGER NOT NULL CHECK (deleted IN (0, 1))
) STRICT;

CREATE INDEX points_site ON points (site, id);

CREATE VIRTUAL TABLE points_box USING rtree (n, west, east, south, north);

-- Policies are documents of their own: an answer names the version it used,
-- so every version ever in force stays readable.
CREATE TABLE policies (
    revision INTEGER NOT NULL PRIMARY KEY REFERENCES revisions (number),
    version  TEXT    NOT NULL UNIQUE CHECK (version <> ''),
    body     TEXT    NOT NULL CHECK (json_valid(body)),
    set_at   TEXT    NOT NULL,
    set_by   TEXT    NOT NULL CHECK (set_by <> '')
) STRICT;

CREATE TRIGGER policies_keep_update BEFORE UPDATE ON policies
BEGIN SELECT RAISE(ABORT, 'a policy is never altered'); END;

CREATE TRIGGER policies_keep_delete BEFORE DELETE ON policies
BEGIN SELECT RAISE(ABORT, 'a policy is never deleted'); END;

CREATE TRIGGER policies_keep_replace BEFORE INSERT ON policies
WHEN EXISTS (SELECT 1 FROM policies WHERE revision = new.revision OR version = new.version)
BEGIN SELECT RAISE(ABORT, 'a policy is never replaced'); END;
