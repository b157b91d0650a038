-- Atlases that are written apart from each other and brought together again.

-- A revision that settles what versions made apart did not agree on.
ALTER TABLE chain ADD COLUMN settles INTEGER NOT NULL DEFAULT 0 CHECK (settles IN (0, 1));

-- The newest revisions of an item that has more than one.
CREATE TABLE forks (
    collection TEXT    NOT NULL,
    id         TEXT    NOT NULL,
    number     INTEGER NOT NULL REFERENCES revisions (number),
    PRIMARY KEY (collection, id, number)
) STRICT, WITHOUT ROWID;

-- The fields on which versions of an item do not agree, as worked out from its
-- history, until a person settles them.
CREATE TABLE conflicts (
    collection TEXT NOT NULL,
    id         TEXT NOT NULL,
    path       TEXT NOT NULL, -- '': the item as a whole
    sides      TEXT NOT NULL CHECK (json_array_length(sides) > 1), -- [{"of": hash of the revision, "value": …}], what is in force first
    PRIMARY KEY (collection, id, path)
) STRICT, WITHOUT ROWID;

-- How far the history of another atlas was taken in.
CREATE TABLE peers (
    atlas  TEXT    NOT NULL PRIMARY KEY CHECK (atlas <> ''),
    number INTEGER NOT NULL CHECK (number > 0),          -- there
    link   BLOB    NOT NULL CHECK (length(link) = 32),   -- there, by which it is known again
    at     TEXT    NOT NULL CHECK (at <> '')
) STRICT, WITHOUT ROWID;

-- Two stations may have given the same code to two sites, or the same version
-- to two policies. Here it cannot be given twice; see putSite and setPolicy.
DROP INDEX sites_code;
CREATE INDEX sites_code ON sites (code) WHERE deleted = 0;

CREATE TABLE policies_anew (
    revision INTEGER NOT NULL PRIMARY KEY REFERENCES revisions (number),
    version  TEXT    NOT NULL CHECK (version <> ''),
    body     TEXT    NOT NULL CHECK (json_valid(body)),
    set_at   TEXT    NOT NULL,
    set_by   TEXT    NOT NULL CHECK (set_by <> '')
) STRICT;

INSERT INTO policies_anew (revision, version, body, set_at, set_by)
SELECT revision, version, body, set_at, set_by FROM policies ORDER BY revision;

DROP TABLE policies;
ALTER TABLE policies_anew RENAME TO policies;
CREATE INDEX policies_version ON policies (version);

CREATE TRIGGER policies_keep_update BEFORE UPDATE ON policies
BEGIN SELECT RAISE(ABORT, 'a policy is never altered'); END;

CREATE TRIGGER policies_keep_delete BEFORE DELETE ON policies
BEGIN SELECT RAISE(ABORT, 'a policy is never deleted'); END;

CREATE TRIGGER policies_keep_replace BEFORE INSERT ON policies
WHEN EXISTS (SELECT 1 FROM policies WHERE revision = new.revision)
BEGIN SELECT RAISE(ABORT, 'a policy is never replaced'); END;

-- Which of the policies on record holds: of two that were set apart, the same
-- one in every atlas.
CREATE TABLE policy_in_force (
    one      INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
    revision INTEGER NOT NULL REFERENCES policies (revision)
) STRICT;

INSERT INTO policy_in_force (one, revision)
SELECT 1, max(revision) FROM policies HAVING count(*) > 0;
