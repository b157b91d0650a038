-- The history chained by SHA-256, so that what was cannot be altered unseen,
-- and the log of everything that was done with the atlas. How both are hashed
-- is written in chain.go, which also fills them in for what is there already.

CREATE TABLE chain (
    number  INTEGER NOT NULL PRIMARY KEY REFERENCES revisions (number),
    hash    BLOB    NOT NULL UNIQUE CHECK (length(hash) = 32), -- of the revision: the same in every atlas that has it
    parents BLOB    NOT NULL CHECK (length(parents) % 32 = 0), -- hashes of the revisions of the item that it was made on, sorted; empty: none
    link    BLOB    NOT NULL CHECK (length(link) = 32)         -- over this hash and the link before
) STRICT;

CREATE TRIGGER chain_keep_update BEFORE UPDATE ON chain
BEGIN SELECT RAISE(ABORT, 'a link of the chain is never altered'); END;

CREATE TRIGGER chain_keep_delete BEFORE DELETE ON chain
BEGIN SELECT RAISE(ABORT, 'a link of the chain is never deleted'); END;

CREATE TRIGGER chain_keep_replace BEFORE INSERT ON chain
WHEN EXISTS (SELECT 1 FROM chain WHERE number = new.number OR hash = new.hash)
BEGIN SELECT RAISE(ABORT, 'a link of the chain is never replaced'); END;

CREATE TABLE audit (
    number   INTEGER NOT NULL PRIMARY KEY CHECK (number > 0), -- from 1 without a gap
    at       TEXT    NOT NULL CHECK (at <> ''),
    who      TEXT    NOT NULL CHECK (who <> ''),
    device   TEXT    NOT NULL,
    event    TEXT    NOT NULL CHECK (event <> ''),
    detail   TEXT    NOT NULL CHECK (json_valid(detail)),
    revision INTEGER NOT NULL CHECK (revision >= 0), -- the last there was; those since the entry before are what this one wrote
    hash     BLOB    NOT NULL CHECK (length(hash) = 32) -- over this entry and the hash before
) STRICT;

CREATE TRIGGER audit_keep_update BEFORE UPDATE ON audit
BEGIN SELECT RAISE(ABORT, 'an entry of the log is never altered'); END;

CREATE TRIGGER audit_keep_delete BEFORE DELETE ON audit
BEGIN SELECT RAISE(ABORT, 'an entry of the log is never deleted'); END;

CREATE TRIGGER audit_keep_replace BEFORE INSERT ON audit
WHEN EXISTS (SELECT 1 FROM audit WHERE number = new.number)
BEGIN SELECT RAISE(ABORT, 'an entry of the log is never replaced'); END;
