-- What was brought in, noted in the transaction that wrote it.
CREATE TABLE imports (
    number    INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT CHECK (number > 0),
    at        TEXT    NOT NULL CHECK (at <> ''),
    who       TEXT    NOT NULL CHECK (who <> ''),
    device    TEXT    NOT NULL, -- '' when not stated
    file      TEXT    NOT NULL, -- its name
    size      INTEGER NOT NULL CHECK (size >= 0), -- bytes
    sha256    TEXT    NOT NULL CHECK (length(sha256) = 64), -- of its content
    target    TEXT    NOT NULL CHECK (target <> ''), -- 'sites', 'points' or the id of a layer
    mapping   TEXT    CHECK (mapping IS NULL OR json_valid(mapping)), -- NULL: none was used
    report    TEXT    NOT NULL CHECK (json_valid(report)), -- what became of the file as a whole
    first     INTEGER NOT NULL, -- of the revisions that it wrote; 0: none
    last      INTEGER NOT NULL CHECK (first BETWEEN 0 AND last),
    undone_at TEXT,
    undone_by TEXT,
    CHECK ((undone_at IS NULL) = (undone_by IS NULL))
) STRICT;

CREATE INDEX imports_content ON imports (sha256);

-- Which columns and values of foreign tables are which of ours, to be used again.
CREATE TABLE mappings (
    name       TEXT NOT NULL PRIMARY KEY COLLATE NOCASE CHECK (length(name) BETWEEN 1 AND 100),
    collection TEXT NOT NULL CHECK (collection IN ('sites', 'points')),
    body       TEXT NOT NULL CHECK (json_valid(body)),
    revision   INTEGER NOT NULL REFERENCES revisions (number)
) STRICT;

-- The edition before the one in force is kept until the next import of its
-- layer. Its row gives up the layer's id and is called '/' and its n instead.
ALTER TABLE layers ADD COLUMN former_of TEXT CHECK (former_of IS NULL OR former_of <> '');
ALTER TABLE layers ADD COLUMN import INTEGER REFERENCES imports (number); -- NULL: not by an import that is on file

CREATE UNIQUE INDEX layers_former ON layers (former_of) WHERE former_of IS NOT NULL;
