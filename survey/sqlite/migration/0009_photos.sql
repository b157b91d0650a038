-- Photos of points, as taken in: upright, without metadata. A point lists its
-- photos; one it no longer lists stays, since the point's history names it.
CREATE TABLE photos (
    n         INTEGER NOT NULL PRIMARY KEY,
    id        TEXT    NOT NULL UNIQUE CHECK (length(id) BETWEEN 1 AND 100),
    point     TEXT    NOT NULL CHECK (point <> ''),
    source    BLOB    NOT NULL CHECK (length(source) = 32), -- SHA-256 of the file it came as
    width     INTEGER NOT NULL CHECK (width > 0),
    height    INTEGER NOT NULL CHECK (height > 0),
    taken     TEXT    NOT NULL, -- as the camera wrote it, '' when it did not
    lon       REAL    CHECK (lon BETWEEN -180 AND 180), -- where it was taken; NULL: not known
    lat       REAL    CHECK (lat BETWEEN -90 AND 90),
    added_at  TEXT    NOT NULL CHECK (added_at <> ''),
    added_by  TEXT    NOT NULL CHECK (added_by <> ''),
    jpeg      BLOB    NOT NULL CHECK (length(jpeg) > 0),
    small     BLOB    NOT NULL CHECK (length(small) > 0),
    CHECK ((lon IS NULL) = (lat IS NULL))
) STRICT;

CREATE INDEX photos_point ON photos (point, id);

CREATE TRIGGER photos_keep_update BEFORE UPDATE ON photos
BEGIN SELECT RAISE(ABORT, 'a photo is never altered'); END;

CREATE TRIGGER photos_keep_delete BEFORE DELETE ON photos
BEGIN SELECT RAISE(ABORT, 'a photo is never deleted'); END;

CREATE TRIGGER photos_keep_replace BEFORE INSERT ON photos
WHEN EXISTS (SELECT 1 FROM photos WHERE id = new.id)
BEGIN SELECT RAISE(ABORT, 'a photo is never replaced'); END;
