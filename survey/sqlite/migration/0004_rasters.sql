-- The file of an elevation layer, byte for byte, in pieces: windows of it are
-- read without loading the whole. Its feature is the ground it covers.
CREATE TABLE layer_files (
    n      INTEGER NOT NULL PRIMARY KEY,
    layer  INTEGER NOT NULL REFERENCES layers (n) DEFERRABLE INITIALLY DEFERRED,
    number INTEGER NOT NULL CHECK (number >= 0), -- of the piece, in order from 0
    bytes  BLOB    NOT NULL CHECK (length(bytes) BETWEEN 1 AND 262144),
    UNIQUE (layer, number)
) STRICT;
