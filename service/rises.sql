-- name: add_rises
INSERT INTO kept.mtconnect_rise (mapping, spindle, occurred, counts, late, fresh_start, fresh_at)
SELECT :mapping::integer, *
FROM unnest(
    :spindles::text[], :occurred::timestamptz[], :counts::bigint[], :lates::boolean[], :fresh_starts::bigint[],
    :fresh_at::timestamptz[]);

-- name: mappings_with_rises
SELECT DISTINCT mapping FROM kept.mtconnect_rise WHERE mapping = ANY (:mappings::integer[]) ORDER BY mapping;

-- name: first_rise
-- The next of a mapping, whose row is locked: who plans it is alone.
SELECT rise.rise, rise.spindle, rise.occurred, rise.counts, rise.late, rise.fresh_start, rise.fresh_at,
       rise.plan, mapping.id, mapping.use
FROM kept.mtconnect_rise AS rise
JOIN kept.mtconnect_mapping AS mapping ON mapping.number = rise.mapping
WHERE rise.mapping = :mapping::integer
ORDER BY rise.rise
LIMIT 1
FOR UPDATE OF mapping, rise;

-- name: shown_now
-- What a spindle's counter shows, seen while its rise is planned.
SELECT counter.reading, counter.read_at, counter.max_per_second,
       (spindle.folded #>> '{counter,modulus}')::bigint AS modulus
FROM derived.spindle
JOIN derived.counter USING (subject)
WHERE spindle.key = :spindle::text;

-- name: plan_rise
UPDATE kept.mtconnect_rise SET plan = :plan::json WHERE rise = :rise::bigint;

-- name: end_rise
DELETE FROM kept.mtconnect_rise WHERE rise = :rise::bigint;
