-- Which data item of which device counts for which spindle. `number` orders the locks; `id` is shown.
-- `since` and `anchor` are the newest reading of the spindle's counter when its counting began.
CREATE TABLE kept.mtconnect_mapping (
    number         integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    id             text        NOT NULL UNIQUE DEFAULT 'mtm_' || replace(gen_random_uuid()::text, '-', ''),
    device         text        NOT NULL,
    item           text        NOT NULL,
    use            text        NOT NULL,
    states         text[]      NOT NULL,
    spindle        text,
    plant          text        NOT NULL,           -- of the spindle when it was tied, or of the place
    machine        text,
    position       text,
    description    text,
    enabled        boolean     NOT NULL,
    since          timestamptz NOT NULL,
    anchor         bigint,
    created        timestamptz NOT NULL,
    changed        timestamptz NOT NULL,
    remembered     integer     NOT NULL DEFAULT 0, -- how many observations are
    floor_reached  timestamptz,                    -- the oldest that is: what is older has been forgotten
    floor_instance text,
    floor_sequence bigint,
    CHECK ((spindle IS NULL) = (machine IS NOT NULL AND position IS NOT NULL))
);
CREATE UNIQUE INDEX mtconnect_item_is_tied ON kept.mtconnect_mapping (device, item);
CREATE UNIQUE INDEX mtconnect_spindle_is_counted ON kept.mtconnect_mapping (spindle) WHERE spindle IS NOT NULL;
CREATE UNIQUE INDEX mtconnect_place_is_counted ON kept.mtconnect_mapping (plant, machine, position)
    WHERE spindle IS NULL;

-- The runs of an agent (instanceId) with how far each had come in the earliest document known of it: their order.
CREATE TABLE kept.mtconnect_run (
    run      integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    device   text        NOT NULL,
    instance text        NOT NULL,
    reached  timestamptz NOT NULL,
    UNIQUE (device, instance)
);

-- What was observed, the newest few thousand of each mapping: that which is sent again is known by it, and that which
-- comes late finds what it lies between.
CREATE TABLE kept.mtconnect_point (
    mapping  integer     NOT NULL REFERENCES kept.mtconnect_mapping ON DELETE CASCADE,
    run      integer     NOT NULL REFERENCES kept.mtconnect_run,
    sequence bigint      NOT NULL,
    occurred timestamptz NOT NULL,
    value    text        NOT NULL,
    reset    boolean     NOT NULL,
    discrete boolean     NOT NULL,
    PRIMARY KEY (mapping, run, sequence)
);
CREATE INDEX mtconnect_point_of_run ON kept.mtconnect_point (run);

-- Counts on their way to the ledger: written with the observations that brought them, gone once the ledger has them.
-- `plan` is what is to be recorded, fixed before the first attempt, so that every further attempt is the same.
CREATE TABLE kept.mtconnect_rise (
    rise        bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    mapping     integer     NOT NULL REFERENCES kept.mtconnect_mapping ON DELETE CASCADE,
    spindle     text        NOT NULL,
    occurred    timestamptz NOT NULL,
    counts      bigint      NOT NULL,
    late        boolean     NOT NULL,
    fresh_start bigint,
    fresh_at    timestamptz,
    plan        json
);
CREATE INDEX mtconnect_rise_of_mapping ON kept.mtconnect_rise (mapping, rise);
