-- Several readings of one spindle, appended by one statement: the chain as an aggregate, the next hash over the last.
CREATE FUNCTION ledger.reading_tail(
    form smallint, log smallint, position_ bigint, sequence bigint, occurred timestamptz, recorded timestamptz,
    reading bigint, key integer, source_digest bytea
) RETURNS bytea LANGUAGE sql IMMUTABLE AS $$
    SELECT int2send(form) || int2send(log) || int8send(position_) || int8send(sequence)
        || timestamptz_send(occurred) || timestamptz_send(recorded)
        || int8send(reading) || int4send(key) || source_digest
$$;

CREATE FUNCTION ledger.next_hash(last bytea, head bytea, tail bytea) RETURNS bytea LANGUAGE plpgsql IMMUTABLE AS $$
BEGIN
    RETURN sha256(coalesce(last, head) || tail);
END $$;

CREATE AGGREGATE ledger.chained(head bytea, tail bytea) (SFUNC = ledger.next_hash, STYPE = bytea);

-- How long the counter is usually quiet, looked up once it has been quiet for some hours and forgotten with its next
-- reading; and whether it is silent as the spindle was last settled.
ALTER TABLE derived.counter ADD COLUMN usual_pause interval, ADD COLUMN silent boolean NOT NULL DEFAULT false;
