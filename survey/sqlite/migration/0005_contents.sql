-- Lists in another order than that of their ids, and values found by it.
CREATE INDEX sites_name     ON sites  (json_extract(body, '$.properties.name'), id)  WHERE deleted = 0;
CREATE INDEX sites_updated  ON sites  (updated_at, id)                               WHERE deleted = 0;
CREATE INDEX points_label   ON points (json_extract(body, '$.properties.label'), id) WHERE deleted = 0;
CREATE INDEX points_updated ON points (updated_at, id)                               WHERE deleted = 0;

-- What a layer holds, noted while it is loaded: its bounds and the properties
-- of its features with their types. Layers from before have no row.
CREATE TABLE layer_contents (
    layer      INTEGER NOT NULL PRIMARY KEY REFERENCES layers (n) DEFERRABLE INITIALLY DEFERRED,
    west       REAL    NOT NULL CHECK (west BETWEEN -180 AND 180),
    south      REAL    NOT NULL CHECK (south BETWEEN -90 AND 90),
    east       REAL    NOT NULL CHECK (east BETWEEN west AND 180),
    north      REAL    NOT NULL CHECK (north BETWEEN south AND 90),
    properties TEXT    NOT NULL CHECK (json_valid(properties)) -- [{"name": …, "type": …}], sorted by name
) STRICT;
