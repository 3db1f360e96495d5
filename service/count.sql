-- name: resolve_spindles
-- Numbers of spindles by their keys.
SELECT key AS named, subject, key
FROM ledger.subject
WHERE kind = 'spindles' AND key = ANY (:keys::text[]);

-- name: resolve_places
-- What was installed at machine/position at a time. Two plants may have a machine of the same name.
SELECT place.machine || '/' || place.position AS named, place.subject, subject.key
FROM derived.place
JOIN ledger.subject USING (subject)
WHERE (place.machine, place.position) IN (SELECT * FROM unnest(:machines::text[], :positions::text[]))
  AND place.installed <= :at::timestamptz
  AND (place.removed IS NULL OR place.removed > :at::timestamptz);

-- name: plants_of
SELECT subject, plant FROM derived.spindle WHERE subject = ANY (:subjects::integer[]);

-- name: lock_counters
-- Subject and counter together, ascending, so that bulk calls cannot wait for each other in a circle. Both rows are
-- locked, so both are as new as the lock; nothing else is read here.
SELECT subject.subject, subject.log, subject.sequence, subject.head, counter.reading, counter.read_at, counter.count,
       counter.cycles_per_count, counter.max_per_second, counter.takes_readings, counter.plain_after,
       counter.plain_below, counter.plain_until, counter.thought_until, counter.pushed, counter.watched
FROM ledger.subject
JOIN derived.counter ON counter.subject = subject.subject
WHERE subject.subject = ANY (:subjects::integer[])
ORDER BY subject.subject
FOR UPDATE OF subject, counter;

-- name: find_readings
-- Readings that have this identity (source, spindle, time) already, plain or as facts.
SELECT reading.subject, reading.reading
FROM ledger.reading
WHERE reading.subject = ANY (:subjects::integer[]) AND reading.occurred = :at::timestamptz
  AND reading.source = :source::integer
UNION ALL
SELECT entry.subject, (entry.data ->> 'count')::bigint
FROM ledger.entry
WHERE entry.source = :source::integer AND entry.id = ANY (:ids::text[]) AND entry.type = 'counter.read';

-- name: move_counters
-- The newest counted reading of each spindle whose counter moved.
UPDATE derived.counter
SET reading = moved.reading, count = moved.count, read_at = :at::timestamptz, heard_at = :now::timestamptz
FROM unnest(:subjects::integer[], :readings::bigint[], :counts::bigint[]) AS moved (subject, reading, count)
WHERE counter.subject = moved.subject;

-- name: hear_counters
-- Read, and not moved: nothing is judged by this.
UPDATE derived.counter SET heard_at = :now::timestamptz WHERE subject = ANY (:subjects::integer[]);

-- name: lock_logs
-- Ascending, before they are updated: a set-based update locks them in no order of ours. As weak as that update's own
-- lock, so that nobody waits for the writer of a new subject, whose foreign key shares the log's row until it commits.
SELECT log FROM ledger.log WHERE log = ANY (:logs::smallint[]) ORDER BY log FOR NO KEY UPDATE;

-- name: append_readings
-- The last statement: places in each log, the hash of each reading over its subject's head, rows, new heads.
WITH incoming AS (
    SELECT *
    FROM unnest(:subjects::integer[], :logs::smallint[], :sequences::bigint[], :readings::bigint[], :heads::bytea[])
         WITH ORDINALITY AS incoming (subject, log, sequence, reading, head, place)
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
           given.before + row_number() OVER (PARTITION BY incoming.log ORDER BY incoming.place) AS position
    FROM incoming
    JOIN given ON given.log = incoming.log
), appended AS (
    INSERT INTO ledger.reading (
        position, sequence, occurred, recorded, reading, subject, source, key, log, form, hash)
    SELECT position, sequence, :at::timestamptz, recorded, reading, subject, :source::integer, :key::integer, log, 2,
           ledger.reading_hash(
               head, 2::smallint, log, position, sequence, :at::timestamptz, recorded, reading, :key::integer,
               :digest::bytea)
    FROM placed
    RETURNING subject, sequence, hash
), headed AS (
    UPDATE ledger.subject
    SET sequence = appended.sequence, head = appended.hash
    FROM appended
    WHERE subject.subject = appended.subject
)
SELECT count(*) FROM appended;
