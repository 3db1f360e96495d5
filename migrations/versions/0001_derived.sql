-- What is derived from the ledger: may be emptied and made again from it (`spindle-ledger rebuild --write`).
CREATE SCHEMA derived;

-- Narrow, and rewritten by every reading: what decides whether a reading is plain stands in this one row.
CREATE TABLE derived.counter (
    subject          integer     PRIMARY KEY,
    reading          bigint      NOT NULL,             -- newest counted reading, as the counter showed it
    read_at          timestamptz NOT NULL,             -- when that was
    count            bigint      NOT NULL,             -- cycles: never falling, across roll-over and replacement
    cycles_per_count integer     NOT NULL,
    max_per_second   integer     NOT NULL,
    takes_readings   boolean     NOT NULL,             -- false in store, in repair and retired
    plain_after      timestamptz NOT NULL,             -- the spindle's newest fact
    plain_below      bigint,                           -- a reading at or above it crosses a limit
    plain_until      timestamptz,                      -- a reading from then on may cross a limit of days
    thought_until    timestamptz,                      -- after a torque that no measurement has followed
    pushed           boolean     NOT NULL,             -- a reading has been recorded as a fact: its silence means something
    watched          boolean     NOT NULL,             -- withheld, and not yet seen to run on
    heard_at         timestamptz NOT NULL              -- operational: nothing is judged by it
) WITH (fillfactor = 60);

-- What is installed where, and when. Outside time, one spindle a place.
CREATE TABLE derived.place (
    subject   integer     NOT NULL,
    sequence  bigint      NOT NULL,                    -- of the entry that put it there
    plant     text        NOT NULL,
    hall      text        NOT NULL,
    machine   text        NOT NULL,
    position  text        NOT NULL,
    installed timestamptz NOT NULL,
    removed   timestamptz,
    PRIMARY KEY (subject, sequence)
);
CREATE UNIQUE INDEX place_is_taken ON derived.place (plant, machine, position) WHERE removed IS NULL;
CREATE INDEX place_in_time ON derived.place (machine, position, installed);

-- Wide and quiet: the folded state, and beside it the columns that SQL needs.
CREATE TABLE derived.spindle (
    subject     integer     PRIMARY KEY,
    key         text        NOT NULL UNIQUE,
    plant       text        NOT NULL,
    hall        text,
    machine     text,
    position    text,
    sheet       text        NOT NULL,
    lifecycle   text        NOT NULL,
    health      text,
    clearance   text        NOT NULL,
    sequence    bigint      NOT NULL,                  -- newest fact folded in
    newest_fact timestamptz NOT NULL,                  -- when that fact's newest in time happened
    folded      json        NOT NULL,                  -- the state after the newest fact
    fold        smallint    NOT NULL,                  -- version of the fold that made it
    settled_at  timestamptz NOT NULL,                  -- the time for which health, clearance, rechecks hold
    settlements bigint      NOT NULL DEFAULT 0,        -- how often that changed: dues change without an entry
    next_look   timestamptz,                           -- when time alone changes something
    told_health text,                                  -- what was last announced
    untold      boolean     NOT NULL DEFAULT false     -- history is arriving: announce once it is quiet
);
CREATE INDEX spindle_to_look_at ON derived.spindle (next_look) WHERE next_look IS NOT NULL;
CREATE INDEX spindle_of_sheet ON derived.spindle (sheet);

-- One row per episode of a recheck.
CREATE TABLE derived.recheck (
    episode   text        PRIMARY KEY,
    subject   integer     NOT NULL,
    code      text        NOT NULL,
    state     text        NOT NULL,
    due_at    timestamptz,                             -- by days, where it has days
    due_count bigint,                                  -- by cycles, where it has cycles
    anchor    bigint      NOT NULL,
    body      json        NOT NULL
);
CREATE INDEX recheck_of_subject ON derived.recheck (subject, anchor);
CREATE INDEX recheck_by_state ON derived.recheck (state, due_at);

-- The verdict that now holds on each measurement, and what it was judged by.
CREATE TABLE derived.measurement (
    subject  integer     NOT NULL,
    sequence bigint      NOT NULL,
    occurred timestamptz NOT NULL,
    kind     text        NOT NULL,
    gauge    text,
    outcome  text        NOT NULL,
    verdict  json        NOT NULL,
    PRIMARY KEY (subject, sequence)
);
CREATE INDEX measurement_by_gauge ON derived.measurement (gauge, occurred) WHERE gauge IS NOT NULL;

-- Which lots of kits went into which spindle.
CREATE TABLE derived.fitted_lot (
    subject  integer NOT NULL,
    sequence bigint  NOT NULL,
    lot      text    NOT NULL,
    PRIMARY KEY (subject, sequence)
);
CREATE INDEX fitted_lot_by_lot ON derived.fitted_lot (lot);

-- Spindles that a sheet, gauge or lot entry may reach. Rows are inserted with that entry and taken one spindle
-- a transaction afterwards; the entry itself locks no spindle.
CREATE TABLE derived.to_settle (
    ticket  bigint  GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    subject integer NOT NULL,
    cause   text    NOT NULL
);
