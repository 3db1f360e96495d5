-- How far each log has been read for use by the hour. Emptied, it is read again from its beginning.
CREATE TABLE derived.use_tail (
    log      smallint    PRIMARY KEY,
    position bigint      NOT NULL,
    recorded timestamptz NOT NULL                      -- of that position: spares the weeks of readings before it
);

-- The last believed reading of a spindle's counter in each hour (whole hours since 1970-01-01T00:00Z) that has one.
CREATE TABLE derived.use_hour (
    subject integer     NOT NULL,
    hour    integer     NOT NULL,
    at      timestamptz NOT NULL,
    reading bigint      NOT NULL,
    PRIMARY KEY (subject, hour)
);

-- Spindles of which something has come since they were last foreseen.
CREATE TABLE derived.use_stale (
    subject integer PRIMARY KEY,
    changed boolean NOT NULL,                          -- another counter or place: the fit is made again
    amended boolean NOT NULL                           -- an entry was corrected or voided: so are the hours
);

-- What is fitted to a spindle's use, and the zones that it was asked about.
CREATE TABLE derived.use_fit (
    subject integer     PRIMARY KEY,
    through timestamptz NOT NULL,                      -- the last reading in it
    zones   text        NOT NULL,
    body    json        NOT NULL
);

-- When an episode of a recheck that is not due yet is expected to fall due.
CREATE TABLE derived.expected (
    episode  text        PRIMARY KEY,
    subject  integer     NOT NULL,
    median   timestamptz NOT NULL,
    p80_from timestamptz NOT NULL,
    p80_to   timestamptz NOT NULL,
    p95_from timestamptz NOT NULL,
    p95_to   timestamptz NOT NULL
);
CREATE INDEX expected_of_subject ON derived.expected (subject);
CREATE INDEX expected_in_time ON derived.expected (median);

-- Rebuilds of a time, for the kits that a plan needs.
CREATE INDEX entry_of_rebuild ON ledger.entry (occurred) WHERE type = 'clamping_set.replaced';
