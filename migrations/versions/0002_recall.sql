-- Which torque tool torqued which nose: a tool that is found out reaches the torques it set.
CREATE TABLE derived.torque (
    subject  integer     NOT NULL,
    sequence bigint      NOT NULL,
    occurred timestamptz NOT NULL,
    tool     text        NOT NULL,
    PRIMARY KEY (subject, sequence)
);
CREATE INDEX torque_by_tool ON derived.torque (tool, occurred);

-- When the kit went in, which a correction may move. The fold of this release writes every row again.
ALTER TABLE derived.fitted_lot ADD COLUMN occurred timestamptz NOT NULL DEFAULT 'epoch';

-- Spindles are assigned to a sheet by few of their entries; the sheet's next revision looks for them all.
CREATE INDEX entry_of_sheet ON ledger.entry (coalesce(data ->> 'sheet', data #>> '{data,sheet}'))
    WHERE type IN ('spindle.commissioned', 'spindle.sheet_assigned', 'lot.received', 'entry.corrected');

-- Few entries speak of others; a history is shown with what they say.
CREATE INDEX entry_that_speaks ON ledger.entry (subject) WHERE type IN ('entry.corrected', 'entry.voided');

-- Gauges that were found out and lots that were withdrawn: told once, when all that they reached has been settled.
CREATE TABLE kept.recall (
    cause     text        PRIMARY KEY,                 -- the entry of the gauge or lot, as the tickets name it
    kind      text        NOT NULL,                    -- gauges or lots
    key       text        NOT NULL,
    found     timestamptz NOT NULL,                    -- when it happened
    body      json        NOT NULL,                    -- what the entry says of the gauge or lot
    reached   integer     NOT NULL,                    -- spindles that were judged again
    announced timestamptz
);
CREATE INDEX recall_to_announce ON kept.recall (cause) WHERE announced IS NULL;

-- The spindles whose verdicts a recall changed.
CREATE TABLE kept.recalled (
    cause   text    NOT NULL REFERENCES kept.recall,
    subject integer NOT NULL,
    plant   text    NOT NULL,
    body    json    NOT NULL,
    PRIMARY KEY (cause, subject)
);
