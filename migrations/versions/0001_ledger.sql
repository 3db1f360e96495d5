-- The ledger: written once. What may change are the last place of each log and the head of each subject.
CREATE SCHEMA ledger;

-- One row per order domain. How many there are is data: everything loops over the rows.
CREATE TABLE ledger.log (
    log      smallint    PRIMARY KEY,
    position bigint      NOT NULL DEFAULT 0,
    recorded timestamptz NOT NULL DEFAULT '2000-01-01T00:00:00Z'
);
INSERT INTO ledger.log (log) SELECT n FROM generate_series(0, 15) AS n;

-- A number inside, (kind, key) outside. The row is the lock that makes writers of one subject wait.
CREATE TABLE ledger.subject (
    subject  integer  GENERATED ALWAYS AS IDENTITY,
    kind     text     NOT NULL,
    key      text     NOT NULL,
    log      smallint NOT NULL REFERENCES ledger.log,
    sequence bigint   NOT NULL DEFAULT 0,
    head     bytea    NOT NULL,
    PRIMARY KEY (subject),
    UNIQUE (kind, key)
) WITH (fillfactor = 80);

-- A CloudEvents source, once.
CREATE TABLE ledger.source (
    source integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name   text  NOT NULL UNIQUE,
    digest bytea NOT NULL
);

-- Facts, and readings that need thought. `data` is json: the very bytes that were hashed.
CREATE TABLE ledger.entry (
    position bigint      NOT NULL,
    sequence bigint      NOT NULL,
    occurred timestamptz NOT NULL,
    recorded timestamptz NOT NULL,
    reading  bigint,
    subject  integer     NOT NULL,
    actor    integer,
    source   integer     NOT NULL REFERENCES ledger.source,
    key      integer     NOT NULL,
    log      smallint    NOT NULL,
    form     smallint    NOT NULL,
    schema   smallint    NOT NULL,
    type     text        NOT NULL,
    id       text        NOT NULL,
    salt     bytea       NOT NULL,
    data     json        NOT NULL,
    hash     bytea       NOT NULL,
    CONSTRAINT entry_of_subject UNIQUE (log, subject, sequence),
    CONSTRAINT entry_place      UNIQUE (log, position),
    CONSTRAINT entry_identity   UNIQUE (source, id)
);
CREATE INDEX entry_in_time ON ledger.entry (subject, occurred, sequence);

-- Plain counter readings, partitioned by the week in which they were recorded.
CREATE TABLE ledger.reading (
    position bigint      NOT NULL,
    sequence bigint      NOT NULL,
    occurred timestamptz NOT NULL,
    recorded timestamptz NOT NULL,
    reading  bigint      NOT NULL,
    subject  integer     NOT NULL,
    source   integer     NOT NULL,
    key      integer     NOT NULL,
    log      smallint    NOT NULL,
    form     smallint    NOT NULL,
    hash     bytea       NOT NULL,
    CONSTRAINT reading_place UNIQUE (log, position, recorded)
) PARTITION BY RANGE (recorded);
CREATE INDEX reading_in_time ON ledger.reading (subject, occurred, sequence);
CREATE TABLE ledger.reading_default PARTITION OF ledger.reading DEFAULT;

-- Past any role: what was written stays.
CREATE FUNCTION ledger.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the ledger is written once: % on % is refused', TG_OP, TG_TABLE_NAME
        USING ERRCODE = 'restrict_violation';
END $$;

CREATE TRIGGER entry_rows_stay    BEFORE UPDATE OR DELETE ON ledger.entry
    FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER entry_stays        BEFORE TRUNCATE ON ledger.entry
    FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER reading_rows_stay  BEFORE UPDATE OR DELETE ON ledger.reading
    FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER reading_stays      BEFORE TRUNCATE ON ledger.reading
    FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER default_week_stays BEFORE TRUNCATE ON ledger.reading_default
    FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER source_rows_stay   BEFORE UPDATE OR DELETE ON ledger.source
    FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER source_stays       BEFORE TRUNCATE ON ledger.source
    FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER subject_rows_stay  BEFORE DELETE ON ledger.subject
    FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER subject_names_stay BEFORE UPDATE OF subject, kind, key, log ON ledger.subject
    FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER subject_stays      BEFORE TRUNCATE ON ledger.subject
    FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER log_rows_stay      BEFORE DELETE OR UPDATE OF log ON ledger.log
    FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER log_stays          BEFORE TRUNCATE ON ledger.log
    FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change();

-- Makes the partitions of this week and of the weeks ahead. Weeks begin on Monday, 00:00 UTC. Each partition
-- has a TRUNCATE trigger of its own, because the parent's does not fire for it. A week whose readings lie in the
-- default partition cannot be made and is passed over: nobody's readings are refused for it. Runs with its owner's
-- rights, so that the service's role needs none to create tables.
CREATE FUNCTION ledger.make_weeks(ahead integer) RETURNS integer
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    monday timestamp;
    name   text;
    made   integer := 0;
BEGIN
    FOR n IN 0..ahead LOOP
        monday := date_trunc('week', now() AT TIME ZONE 'UTC') + n * interval '7 days';
        name := 'reading_' || to_char(monday, 'IYYY"w"IW');
        CONTINUE WHEN EXISTS (SELECT FROM pg_class WHERE relnamespace = 'ledger'::regnamespace AND relname = name);
        PERFORM pg_advisory_xact_lock(7470116855);     -- and look again: who held it may have made this week
        CONTINUE WHEN EXISTS (SELECT FROM pg_class WHERE relnamespace = 'ledger'::regnamespace AND relname = name);
        BEGIN
            EXECUTE format(
                'CREATE TABLE ledger.%I PARTITION OF ledger.reading FOR VALUES FROM (%L) TO (%L)',
                name, monday AT TIME ZONE 'UTC', (monday + interval '7 days') AT TIME ZONE 'UTC');
        EXCEPTION WHEN check_violation THEN
            RAISE WARNING 'readings of % lie in the default partition already; /readyz says so', name;
            CONTINUE;
        END;
        EXECUTE format(
            'CREATE TRIGGER week_stays BEFORE TRUNCATE ON ledger.%I
                 FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change()', name);
        made := made + 1;
    END LOOP;
    RETURN made;
END $$;
REVOKE ALL ON FUNCTION ledger.make_weeks(integer) FROM PUBLIC;

-- The chain, as domain/chain.py verifies it. timestamptz_send gives microseconds since 2000-01-01T00:00Z.
CREATE FUNCTION ledger.fact_hash(
    previous bytea, form smallint, log smallint, position_ bigint, sequence bigint, occurred timestamptz,
    recorded timestamptz, reading bigint, actor integer, key integer, schema smallint, source_digest bytea,
    type text, id text, salt bytea, data text
) RETURNS bytea LANGUAGE sql IMMUTABLE AS $$
    SELECT sha256(
        previous || int2send(form) || int2send(log) || int8send(position_) || int8send(sequence)
        || timestamptz_send(occurred) || timestamptz_send(recorded)
        || int8send(coalesce(reading, -1)) || int8send(coalesce(actor, -1)::bigint)
        || int4send(key) || int2send(schema) || source_digest
        || sha256(convert_to(type, 'UTF8')) || sha256(convert_to(id, 'UTF8'))
        || sha256(salt || convert_to(data, 'UTF8')))
$$;

CREATE FUNCTION ledger.reading_hash(
    previous bytea, form smallint, log smallint, position_ bigint, sequence bigint, occurred timestamptz,
    recorded timestamptz, reading bigint, key integer, source_digest bytea
) RETURNS bytea LANGUAGE sql IMMUTABLE AS $$
    SELECT sha256(
        previous || int2send(form) || int2send(log) || int8send(position_) || int8send(sequence)
        || timestamptz_send(occurred) || timestamptz_send(recorded)
        || int8send(reading) || int4send(key) || source_digest)
$$;
