-- Keys that seal secrets where the environment names none: better than nothing, and /readyz says so.
CREATE TABLE kept.sealing (
    sole    boolean     PRIMARY KEY DEFAULT true CHECK (sole),
    key     text        NOT NULL,
    created timestamptz NOT NULL
);

-- What an endpoint's notices are signed with. While one runs out and the next is there, both sign.
CREATE TABLE kept.signing (
    endpoint  text        NOT NULL REFERENCES kept.endpoint,
    number    integer     NOT NULL,
    scheme    text        NOT NULL,  -- v1: a shared secret; v1a: an ed25519 key
    secret    bytea       NOT NULL,  -- sealed; the bytes themselves where `sealed_by` is null
    sealed_by text,                  -- which key sealed it
    public    bytea,                 -- v1a: what receivers verify with
    created   timestamptz NOT NULL,
    expires   timestamptz,           -- null: until it is rotated
    PRIMARY KEY (endpoint, number)
);
INSERT INTO kept.signing (endpoint, number, scheme, secret, created)
SELECT endpoint, 1, 'v1', secret, created FROM kept.endpoint WHERE secret IS NOT NULL;

ALTER TABLE kept.endpoint
    DROP COLUMN secret,
    DROP COLUMN secret_form,
    ADD COLUMN scheme           text    NOT NULL DEFAULT 'v1',
    ADD COLUMN spindle_prefix   text,                             -- null: every spindle, and what is about none
    ADD COLUMN minimum_health   text,                             -- null: every health
    ADD COLUMN order_wait       integer,                          -- seconds that a spindle's notice waits for the one before it
    ADD COLUMN concurrency      integer NOT NULL DEFAULT 8,       -- POSTs on their way at once
    ADD COLUMN per_second       integer,                          -- null: as many as come
    ADD COLUMN paced            timestamptz NOT NULL DEFAULT 'epoch',  -- from when on its pace is counted
    ADD COLUMN certificate      text,                             -- PEM: what it is shown as the client's
    ADD COLUMN certificate_key  bytea,                            -- sealed PEM
    ADD COLUMN certificate_key_sealed_by text,
    ADD COLUMN authority        text,                             -- PEM: the only authorities its server is believed by
    ADD COLUMN failures         integer NOT NULL DEFAULT 0,       -- attempts in a row that failed
    ADD COLUMN failing          timestamptz,                      -- when the first of them was made
    ADD COLUMN told_failing     timestamptz,                      -- when this run of failures was announced
    ADD COLUMN rests_until      timestamptz;                      -- nothing is sent before

-- `spindle` and `put` serve the order of one spindle's notices; `tried` counts from the last replay.
ALTER TABLE kept.delivery
    ADD COLUMN spindle  text,
    ADD COLUMN put      timestamptz,
    ADD COLUMN tried    integer NOT NULL DEFAULT 0,
    ADD COLUMN replayed timestamptz;
UPDATE kept.delivery d SET spindle = n.spindle, put = n.created, tried = d.attempts
  FROM kept.notice n WHERE n.notice = d.notice;
ALTER TABLE kept.delivery ALTER COLUMN put SET NOT NULL;
CREATE INDEX delivery_of_spindle ON kept.delivery (endpoint, spindle, notice) WHERE state = 'waiting';
CREATE INDEX delivery_by_state ON kept.delivery (endpoint, state, notice);

-- A claim and its end are updates of one row: no index holds the lease, so that the first stays on its page.
ALTER TABLE kept.delivery SET (fillfactor = 70);

-- An attempt is written only with its delivery locked.
ALTER TABLE kept.attempt DROP CONSTRAINT attempt_endpoint_notice_fkey;

-- The whole of a notice whose body would have been too large to send; what is sent then names where it is.
ALTER TABLE kept.notice ADD COLUMN whole json;

ALTER TABLE kept.attempt ADD COLUMN headers json;  -- some of the answer's
