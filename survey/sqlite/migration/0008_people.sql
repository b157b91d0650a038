-- People with an account, and the keys that let their browsers, devices and
-- programs in. Nothing here proves anything to whoever reads the file: of a
-- password there is a slow hash, of a key a digest.

CREATE TABLE people (
    id        TEXT    NOT NULL PRIMARY KEY CHECK (length(id) BETWEEN 1 AND 100),
    name      TEXT    NOT NULL CHECK (name <> ''),
    folded    TEXT    NOT NULL UNIQUE CHECK (folded <> ''), -- case-folded, to sign in by
    roles     TEXT    NOT NULL CHECK (json_valid(roles) AND json_array_length(roles) > 0),
    contacts  INTEGER NOT NULL CHECK (contacts IN (0, 1)),
    password  TEXT    CHECK (password LIKE '$argon2id$%'), -- NULL: signs in by device links only
    closed_at TEXT,                                        -- NULL: open
    made_at   TEXT    NOT NULL
) STRICT;

CREATE TRIGGER people_keep_delete BEFORE DELETE ON people
BEGIN SELECT RAISE(ABORT, 'a person is never deleted, since the history names them'); END;

-- Who came first. There is one row, so that two cannot both be first.
CREATE TABLE first_person (
    one    INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
    person TEXT    NOT NULL UNIQUE REFERENCES people (id)
) STRICT;

CREATE TABLE keys (
    id         TEXT    NOT NULL PRIMARY KEY CHECK (length(id) BETWEEN 1 AND 100),
    digest     BLOB    NOT NULL UNIQUE CHECK (length(digest) = 32), -- SHA-256 of what it is proved with
    kind       TEXT    NOT NULL CHECK (kind IN ('session', 'device', 'station', 'token', 'link')),
    person     TEXT    NOT NULL REFERENCES people (id),
    name       TEXT    NOT NULL CHECK (name <> ''),
    role       TEXT    NOT NULL, -- '' : all of the person's
    read_only  INTEGER NOT NULL CHECK (read_only IN (0, 1)),
    days       INTEGER NOT NULL CHECK (days >= 0), -- of a link: how long the device it makes stays signed in
    made_at    TEXT    NOT NULL,
    used_at    TEXT,
    expires_at TEXT    NOT NULL,
    CHECK (role <> '' OR kind = 'session'),
    CHECK (kind <> 'station' OR read_only = 1)
) STRICT;

CREATE INDEX keys_person ON keys (person, made_at);
CREATE INDEX keys_expiry ON keys (expires_at);
