-- name: spindles
-- Spindles that have entries, in the order of their numbers.
SELECT subject, key
FROM ledger.subject
WHERE kind = 'spindles' AND sequence > 0 AND subject > :after::integer
ORDER BY subject
LIMIT :limit::integer;

-- name: waits
-- Whether an entry of a sheet, gauge or lot has reached the spindle and it has not been settled since.
SELECT EXISTS (SELECT FROM derived.to_settle WHERE subject = :subject::integer) AS waits;

-- name: spindle
SELECT key, plant, hall, machine, position, sheet, lifecycle, health, clearance, reasons, sequence, newest_fact,
       folded, fold, settled_at, next_look
FROM derived.spindle
WHERE subject = :subject::integer;

-- name: counter
SELECT reading, read_at, count, cycles_per_count, max_per_second, takes_readings, plain_after, plain_below, plain_until,
       thought_until, pushed, watched, usual_pause, silent
FROM derived.counter
WHERE subject = :subject::integer;

-- name: place
SELECT sequence, plant, hall, machine, position, installed, removed
FROM derived.place
WHERE subject = :subject::integer
ORDER BY sequence;

-- name: recheck
SELECT episode, code, state, due_at, due_count, anchor, body
FROM derived.recheck
WHERE subject = :subject::integer
ORDER BY anchor, episode;

-- name: measurement
SELECT sequence, occurred, kind, gauge, outcome, verdict
FROM derived.measurement
WHERE subject = :subject::integer
ORDER BY sequence;

-- name: fitted_lot
SELECT sequence, occurred, lot FROM derived.fitted_lot WHERE subject = :subject::integer ORDER BY sequence;

-- name: torque
SELECT sequence, occurred, tool FROM derived.torque WHERE subject = :subject::integer ORDER BY sequence;

-- name: set_mark
SELECT sequence, occurred, kind, sheet, reason, count, fitted_count, fitted_at
FROM derived.set_mark
WHERE subject = :subject::integer
ORDER BY sequence;

-- name: use_hour
SELECT hour, at, reading FROM derived.use_hour WHERE subject = :subject::integer ORDER BY hour;

-- name: work_order
SELECT work_order, state, body FROM derived.work_order WHERE subject = :subject::integer ORDER BY work_order;

-- name: clear_rechecks
-- Those of the spindle, and its own where they were put down for another.
DELETE FROM derived.recheck WHERE subject = :subject::integer OR episode = ANY (:episodes::text[]);

-- name: clear_measurements
DELETE FROM derived.measurement WHERE subject = :subject::integer;

-- name: clear_fitted_lots
DELETE FROM derived.fitted_lot WHERE subject = :subject::integer;

-- name: strays
-- Rows that belong to no spindle of the ledger.
SELECT told.derived, told.subject, count(*) AS rows
FROM (
    SELECT 'spindle' AS derived, subject FROM derived.spindle
    UNION ALL SELECT 'counter', subject FROM derived.counter
    UNION ALL SELECT 'place', subject FROM derived.place
    UNION ALL SELECT 'recheck', subject FROM derived.recheck
    UNION ALL SELECT 'measurement', subject FROM derived.measurement
    UNION ALL SELECT 'fitted_lot', subject FROM derived.fitted_lot
    UNION ALL SELECT 'torque', subject FROM derived.torque
    UNION ALL SELECT 'set_mark', subject FROM derived.set_mark
    UNION ALL SELECT 'use_hour', subject FROM derived.use_hour
    UNION ALL SELECT 'use_fit', subject FROM derived.use_fit
    UNION ALL SELECT 'expected', subject FROM derived.expected
    UNION ALL SELECT 'work_order', subject FROM derived.work_order
) AS told
LEFT JOIN ledger.subject ON subject.subject = told.subject AND subject.kind = 'spindles' AND subject.sequence > 0
WHERE subject.subject IS NULL
GROUP BY told.derived, told.subject
ORDER BY told.derived, told.subject;

-- name: clear_stray
-- Everything derived that stands under a number which is no spindle's. Lists have changed by it.
WITH stamped AS (
         UPDATE derived.change SET written = change.written + 1, changed = change.changed + 1
         FROM derived.spindle WHERE spindle.subject = :subject::integer AND change.log = spindle.log),
     spindles AS (DELETE FROM derived.spindle WHERE subject = :subject::integer),
     counters AS (DELETE FROM derived.counter WHERE subject = :subject::integer),
     places AS (DELETE FROM derived.place WHERE subject = :subject::integer),
     rechecks AS (DELETE FROM derived.recheck WHERE subject = :subject::integer),
     measurements AS (DELETE FROM derived.measurement WHERE subject = :subject::integer),
     torques AS (DELETE FROM derived.torque WHERE subject = :subject::integer),
     sets AS (DELETE FROM derived.set_mark WHERE subject = :subject::integer),
     hours AS (DELETE FROM derived.use_hour WHERE subject = :subject::integer),
     fits AS (DELETE FROM derived.use_fit WHERE subject = :subject::integer),
     expected AS (DELETE FROM derived.expected WHERE subject = :subject::integer),
     orders AS (DELETE FROM derived.work_order WHERE subject = :subject::integer)
DELETE FROM derived.fitted_lot WHERE subject = :subject::integer;
