-- What a policy need not keep any more may go; that it was there, its digest,
-- and who removed it stay in the log.

CREATE TABLE pruned_photos (
    id    TEXT NOT NULL PRIMARY KEY CHECK (length(id) BETWEEN 1 AND 100),
    point TEXT NOT NULL CHECK (point <> ''),
    kept  BLOB NOT NULL CHECK (length(kept) = 32), -- the digest of the photo as it was, see photoDigest
    at    TEXT NOT NULL CHECK (at <> ''),
    who   TEXT NOT NULL CHECK (who <> '')
) STRICT;

DROP TRIGGER photos_keep_delete;
CREATE TRIGGER photos_keep_delete BEFORE DELETE ON photos
WHEN NOT EXISTS (SELECT 1 FROM pruned_photos WHERE id = old.id)
BEGIN SELECT RAISE(ABORT, 'a photo is never deleted, unless the policy says how long it is kept'); END;

-- Of a sign-in from where and with what, in the transaction of the entry that
-- says so; its hash stays, and every entry after it is still held to it.
DROP TRIGGER audit_keep_update;
CREATE TRIGGER audit_keep_update BEFORE UPDATE ON audit
WHEN old.event NOT IN ('sign in', 'sign-in refused', 'end key')
    OR new.device <> ''
    OR new.detail <> '{"pruned":' || (SELECT max(number) + 1 FROM audit) || '}'
    OR (new.number, new.at, new.who, new.event, new.revision, new.hash) IS NOT (old.number, old.at, old.who, old.event, old.revision, old.hash)
BEGIN SELECT RAISE(ABORT, 'an entry of the log is never altered'); END;
