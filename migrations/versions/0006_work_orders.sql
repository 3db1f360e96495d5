-- Orders as they follow from the facts, history included.
CREATE TABLE derived.work_order (
    work_order text    PRIMARY KEY,                    -- a digest of its cause
    subject    integer NOT NULL,
    state      text    NOT NULL,                       -- released, held, completed or cancelled
    body       json    NOT NULL
);
CREATE INDEX work_order_of_subject ON derived.work_order (subject);

-- Orders that were told, as they were last told, with what a maintenance system plans. One that no longer follows from
-- the facts stays here, withdrawn.
CREATE TABLE kept.work_order (
    work_order    text        PRIMARY KEY,
    subject       integer     NOT NULL,
    change        bigint      NOT NULL,                -- its newest change, in the order of kept.work_order_change
    told          timestamptz NOT NULL,
    changed       timestamptz NOT NULL,
    state         text        NOT NULL,                -- the ledger's: released, held, completed or cancelled
    withdrawn     boolean     NOT NULL DEFAULT false,
    ended         timestamptz,                         -- when it was told as completed or cancelled
    cause         text        NOT NULL,
    priority      smallint    NOT NULL,
    due_by        timestamptz,
    spindle       text        NOT NULL,
    plant         text        NOT NULL,
    hall          text,
    machine       text,
    body          json        NOT NULL,
    planned_state text,                                -- the maintenance system's word, null where it has none
    planned_start timestamptz,
    planned_end   timestamptz,
    assignee      integer     REFERENCES kept.actor,
    number        text,                                -- its own number of the order
    note          text,
    planned       timestamptz,                         -- when it last planned, and with which key
    planned_by    integer     REFERENCES kept.key,
    closed        timestamptz                          -- when it closed the order
);
CREATE UNIQUE INDEX work_order_by_change ON kept.work_order (change);
CREATE INDEX work_order_told_of_subject ON kept.work_order (subject);
CREATE INDEX work_order_open ON kept.work_order (priority, due_by) WHERE state IN ('released', 'held');

-- The last number given to a change of an order. Its row is locked from the moment a number is taken until that is
-- committed: whoever reads up to it has every change up to it.
CREATE TABLE kept.work_order_change (
    only_row boolean PRIMARY KEY DEFAULT true CHECK (only_row),
    change   bigint  NOT NULL
);
INSERT INTO kept.work_order_change (change) VALUES (0);
