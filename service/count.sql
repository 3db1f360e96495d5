-- name: lock_counters
-- Subject and counter together, ascending, so that bulk calls cannot wait for each other in a circle. Both rows are
-- locked, so both are as new as the lock; nothing else is read here. Whole numbers come as one text, which costs a
-- tenth of an array.
SELECT subject.subject, subject.key, subject.log, counter.reading, counter.read_at, counter.max_per_second,
       counter.takes_readings, counter.plain_after, counter.plain_below, counter.plain_until, counter.thought_until,
       counter.pushed, counter.watched, counter.usual_pause IS NOT NULL OR counter.silent AS quiet
FROM ledger.subject
JOIN derived.counter ON counter.subject = subject.subject
WHERE subject.subject = ANY (CAST(:subjects::text AS integer[]))
ORDER BY subject.subject
FOR UPDATE OF subject, counter;

-- name: lock_free_counters
-- The same of those that nobody else holds: readings of several callers that are taken together wait for no one.
SELECT subject.subject, subject.key, subject.log, counter.reading, counter.read_at, counter.max_per_second,
       counter.takes_readings, counter.plain_after, counter.plain_below, counter.plain_until, counter.thought_until,
       counter.pushed, counter.watched, counter.usual_pause IS NOT NULL OR counter.silent AS quiet
FROM ledger.subject
JOIN derived.counter ON counter.subject = subject.subject
WHERE subject.subject = ANY (CAST(:subjects::text AS integer[]))
ORDER BY subject.subject
FOR UPDATE OF subject, counter SKIP LOCKED;

-- name: find_readings
-- Readings that have this identity (source, spindle, time) already, plain or as facts, by their place in the question.
SELECT asked.number, reading.reading
FROM unnest(:subjects::integer[], :times::timestamptz[], :sources::integer[])
     WITH ORDINALITY AS asked (subject, time, source, number)
JOIN ledger.reading ON reading.subject = asked.subject AND reading.occurred = asked.time
                   AND reading.source = asked.source
UNION ALL
SELECT asked.number, (entry.data ->> 'count')::bigint
FROM unnest(:sources::integer[], :ids::text[]) WITH ORDINALITY AS asked (source, id, number)
JOIN ledger.entry ON entry.source = asked.source AND entry.id = asked.id
WHERE entry.type = 'counter.read';

-- name: move_counters
-- The newest counted reading of each spindle whose counter moved: `origins` says, by its place, when it was read; where
-- all were read at one time it is empty.
UPDATE derived.counter
SET reading = moved.reading, count = counter.count + (moved.reading - counter.reading) * counter.cycles_per_count,
    read_at = (:times::timestamptz[])[coalesce(moved.origin, 1)], heard_at = :now::timestamptz, usual_pause = NULL
FROM unnest(
    CAST(:subjects::text AS integer[]), CAST(:readings::text AS bigint[]), CAST(:origins::text AS integer[])
) AS moved (subject, reading, origin)
WHERE counter.subject = moved.subject;

-- name: hear_counters
-- Read, and not moved: nothing is judged by this.
UPDATE derived.counter SET heard_at = :now::timestamptz WHERE subject = ANY (:subjects::integer[]);

-- name: lock_logs
-- Ascending, before they are updated: a set-based update locks them in no order of ours. As weak as that update's own
-- lock, so that nobody waits for the writer of a new subject, whose foreign key shares the log's row until it commits.
SELECT log FROM ledger.log WHERE log = ANY (:logs::smallint[]) ORDER BY log FOR NO KEY UPDATE;

-- name: append_readings
-- The last statement where no spindle comes twice: places in each log, the hash of each reading over its subject's
-- head, rows, new heads. The subjects are locked since the first statement, so they are as that one left them.
WITH incoming AS MATERIALIZED (
    SELECT subject.subject, subject.log, subject.sequence + 1 AS sequence, subject.head, sent.reading, sent.place,
           coalesce(sent.origin, 1) AS origin
    FROM unnest(
        CAST(:subjects::text AS integer[]), CAST(:readings::text AS bigint[]), CAST(:origins::text AS integer[])
    ) WITH ORDINALITY AS sent (subject, reading, origin, place)
    JOIN ledger.subject ON subject.subject = sent.subject
), needed AS (
    SELECT log, count(*) AS places FROM incoming GROUP BY log
), given AS (
    UPDATE ledger.log
    SET position = log.position + needed.places, recorded = greatest(log.recorded, clock_timestamp())
    FROM needed
    WHERE log.log = needed.log
    RETURNING log.log, log.position - needed.places AS before, log.recorded
), placed AS (
    SELECT incoming.subject, incoming.log, incoming.sequence, incoming.reading, incoming.head, given.recorded,
           given.before + row_number() OVER (PARTITION BY incoming.log ORDER BY incoming.place) AS position,
           (:times::timestamptz[])[origin] AS time, (:sources::integer[])[origin] AS source,
           (:keys::integer[])[origin] AS key, (:digests::bytea[])[origin] AS digest
    FROM incoming
    JOIN given ON given.log = incoming.log
), appended AS (
    INSERT INTO ledger.reading (
        position, sequence, occurred, recorded, reading, subject, source, key, log, form, hash)
    SELECT position, sequence, time, recorded, reading, subject, source, key, log, 2,
           ledger.reading_hash(
               head, 2::smallint, log, position, sequence, time, recorded, reading, key, digest)
    FROM placed
    RETURNING subject, sequence, hash
), headed AS (
    UPDATE ledger.subject
    SET sequence = appended.sequence, head = appended.hash
    FROM appended
    WHERE subject.subject = appended.subject
)
SELECT count(*) FROM appended;

-- name: append_runs_of_readings
-- The same where a spindle comes more than once: each of its readings follows the one before it.
WITH incoming AS MATERIALIZED (
    SELECT subject.subject, subject.log,
           subject.sequence + row_number() OVER (PARTITION BY subject.subject ORDER BY sent.place) AS sequence,
           subject.head, sent.reading, sent.place,
           coalesce(sent.origin, 1) AS origin
    FROM unnest(
        CAST(:subjects::text AS integer[]), CAST(:readings::text AS bigint[]), CAST(:origins::text AS integer[])
    ) WITH ORDINALITY AS sent (subject, reading, origin, place)
    JOIN ledger.subject ON subject.subject = sent.subject
), needed AS (
    SELECT log, count(*) AS places FROM incoming GROUP BY log
), given AS (
    UPDATE ledger.log
    SET position = log.position + needed.places, recorded = greatest(log.recorded, clock_timestamp())
    FROM needed
    WHERE log.log = needed.log
    RETURNING log.log, log.position - needed.places AS before, log.recorded
), placed AS (
    SELECT incoming.subject, incoming.log, incoming.sequence, incoming.reading, incoming.head, given.recorded,
           given.before + row_number() OVER (PARTITION BY incoming.log ORDER BY incoming.place) AS position,
           (:times::timestamptz[])[origin] AS time, (:sources::integer[])[origin] AS source,
           (:keys::integer[])[origin] AS key, (:digests::bytea[])[origin] AS digest
    FROM incoming
    JOIN given ON given.log = incoming.log
), appended AS (
    INSERT INTO ledger.reading (
        position, sequence, occurred, recorded, reading, subject, source, key, log, form, hash)
    SELECT position, sequence, time, recorded, reading, subject, source, key, log, 2,
           ledger.chained(head, ledger.reading_tail(
               2::smallint, log, position, sequence, time, recorded, reading, key, digest))
               OVER (PARTITION BY subject ORDER BY sequence)
    FROM placed
    RETURNING subject, sequence, hash
), headed AS (
    UPDATE ledger.subject
    SET sequence = appended.sequence, head = appended.hash
    FROM (SELECT DISTINCT ON (subject) subject, sequence, hash FROM appended ORDER BY subject, sequence DESC) AS appended
    WHERE subject.subject = appended.subject
)
SELECT count(*) FROM appended;
