-- What changes and cannot be derived from the ledger: people's labels, keys, endpoints, notices and their deliveries.

CREATE SCHEMA kept;

-- People, by number in the ledger and by label here: erasing a label leaves the ledger as it is.
CREATE TABLE kept.actor (
    actor  integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    label  text UNIQUE,
    erased timestamptz,
    CHECK (label IS NOT NULL OR erased IS NOT NULL)
);

-- A key is known by the SHA-256 of its token; the token itself is shown once and kept nowhere.
CREATE TABLE kept.key (
    key     integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name    text NOT NULL,
    digest  bytea NOT NULL UNIQUE,
    scopes  text[] NOT NULL,
    plants  text[],  -- null: every plant
    created timestamptz NOT NULL,
    expires timestamptz,
    revoked timestamptz
);

-- A deleted endpoint keeps its row, without its secret, so that the history of its deliveries can still be read.
CREATE TABLE kept.endpoint (
    endpoint        text PRIMARY KEY DEFAULT 'whe_' || replace(gen_random_uuid()::text, '-', ''),
    url             text NOT NULL,
    types           text[],  -- null: every type of notice
    plants          text[],  -- null: every plant; else the plants its creator's key was bound to
    description     text,
    secret          bytea,
    secret_form     smallint NOT NULL DEFAULT 0,  -- how `secret` is stored; 0: the bytes themselves
    created         timestamptz NOT NULL,
    created_by      integer REFERENCES kept.key,
    disabled        timestamptz,
    disabled_reason text,
    deleted         timestamptz
);
CREATE INDEX endpoint_in_use ON kept.endpoint (created, endpoint) WHERE deleted IS NULL;

-- Written in the transaction that changes the state; the id follows from the cause, so a second writer adds nothing.
-- `body` is json, not jsonb: the very bytes that are signed and sent.
CREATE TABLE kept.notice (
    notice   bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    id       text NOT NULL UNIQUE,
    type     text NOT NULL,
    subject  text NOT NULL,
    spindle  text,
    plant    text,
    occurred timestamptz NOT NULL,
    created  timestamptz NOT NULL,
    body     json NOT NULL
);
CREATE INDEX notice_of_spindle ON kept.notice (spindle, notice) WHERE spindle IS NOT NULL;

-- state: waiting, delivered, failed (every attempt of the schedule made, or the endpoint is gone), or dropped
-- (the endpoint was deleted first). What waits for a disabled endpoint goes on waiting.
CREATE TABLE kept.delivery (
    endpoint     text NOT NULL REFERENCES kept.endpoint,
    notice       bigint NOT NULL REFERENCES kept.notice,
    state        text NOT NULL DEFAULT 'waiting',
    attempts     integer NOT NULL DEFAULT 0,
    next_attempt timestamptz,  -- null once nothing more will be tried
    lease_until  timestamptz,  -- until then one dispatcher has it in hand
    ended        timestamptz,
    PRIMARY KEY (endpoint, notice)
);
CREATE INDEX delivery_due ON kept.delivery (endpoint, next_attempt, notice) WHERE state = 'waiting';
CREATE INDEX delivery_of_notice ON kept.delivery (notice);

-- One row for each POST made. `answer` holds at most the first 4 kB; `error` says why there was no whole answer.
CREATE TABLE kept.attempt (
    endpoint    text NOT NULL,
    notice      bigint NOT NULL,
    number      integer NOT NULL,
    started     timestamptz NOT NULL,
    duration_ms integer NOT NULL,
    status      integer,
    answer      text,
    error       text,
    PRIMARY KEY (endpoint, notice, number),
    FOREIGN KEY (endpoint, notice) REFERENCES kept.delivery
);
