-- name: load
-- A spindle's state with its counter, read after its subject is locked.
SELECT spindle.folded, spindle.fold, spindle.sequence, spindle.newest_fact, spindle.settled_at, spindle.settlements,
       spindle.next_look, spindle.told_health, spindle.untold, counter.reading, counter.read_at,
       counter.usual_pause, counter.heard_at
FROM derived.spindle
JOIN derived.counter USING (subject)
WHERE spindle.subject = :subject::integer;

-- name: look_at
-- The same by the spindle's key, with the newest of its stream, its open work orders and the clock, in one statement
-- for reading.
SELECT subject.subject, subject.sequence AS newest_sequence, now() AS now, spindle.folded, spindle.fold,
       spindle.sequence, spindle.newest_fact, spindle.settled_at, spindle.settlements, spindle.next_look,
       spindle.told_health, spindle.untold, counter.reading, counter.read_at,
       counter.usual_pause, counter.heard_at,
       ARRAY(
           SELECT work_order FROM kept.work_order
           WHERE work_order.subject = subject.subject AND state IN ('released', 'held') ORDER BY change
       ) AS work_orders
FROM ledger.subject
JOIN derived.spindle ON spindle.subject = subject.subject
JOIN derived.counter ON counter.subject = subject.subject
WHERE subject.kind = 'spindles' AND subject.key = :key::text;

-- name: keys_after
SELECT subject, key FROM derived.spindle WHERE key > :key::text ORDER BY key LIMIT :limit::integer;

-- name: write_spindle
-- The state, with a number of its log: another for `changed` where something differs that a list by health shows or
-- narrows by. The log's row stays locked until the end, so this comes after whatever else is written.
WITH stamp AS (
    SELECT subject.log, (extract(epoch FROM clock_timestamp()) * 1000000)::bigint AS clock, NOT EXISTS (
               SELECT FROM derived.spindle
               WHERE spindle.subject = :subject::integer
                 AND (spindle.plant, spindle.hall, spindle.machine, spindle.position, spindle.sheet, spindle.lifecycle,
                      spindle.health, spindle.clearance, spindle.reasons)
                     IS NOT DISTINCT FROM
                     (:plant::text, :hall::text, :machine::text, :position::text, :sheet::text, :lifecycle::text,
                      :health::text, :clearance::text, :reasons::text[])
           ) AS is_changed
    FROM ledger.subject
    WHERE subject.subject = :subject::integer
), stamped AS (
    INSERT INTO derived.change (log, written, changed)
    SELECT log, clock, CASE WHEN is_changed THEN clock ELSE 0 END FROM stamp
    ON CONFLICT (log) DO UPDATE
    SET written = greatest(change.written + 1, excluded.written),
        changed = CASE WHEN excluded.changed = 0 THEN change.changed
                       ELSE greatest(change.changed + 1, excluded.changed) END
    RETURNING log, changed
)
INSERT INTO derived.spindle (
    subject, key, plant, hall, machine, position, sheet, lifecycle, health, clearance, reasons, sequence, newest_fact,
    folded, fold, settled_at, settlements, next_look, told_health, untold, log, changed, moved)
SELECT
    :subject::integer, :key::text, :plant::text, :hall::text, :machine::text, :position::text, :sheet::text,
    :lifecycle::text, :health::text, :clearance::text, :reasons::text[], :sequence::bigint, :newest_fact::timestamptz,
    :folded::json, :fold::smallint, :settled_at::timestamptz, 0, :next_look::timestamptz, :told_health::text,
    :untold::boolean, stamped.log, stamped.changed, stamped.changed
FROM stamped
ON CONFLICT (subject) DO UPDATE
SET key = excluded.key, plant = excluded.plant, hall = excluded.hall, machine = excluded.machine,
    position = excluded.position,
    sheet = excluded.sheet, lifecycle = excluded.lifecycle, health = excluded.health, clearance = excluded.clearance,
    reasons = excluded.reasons,
    sequence = excluded.sequence, newest_fact = excluded.newest_fact, folded = excluded.folded, fold = excluded.fold,
    settled_at = excluded.settled_at, settlements = spindle.settlements + 1, next_look = excluded.next_look,
    told_health = excluded.told_health, untold = excluded.untold,
    changed = CASE WHEN (spindle.plant, spindle.hall, spindle.machine, spindle.position, spindle.sheet,
                         spindle.lifecycle, spindle.health, spindle.clearance, spindle.reasons)
                        IS NOT DISTINCT FROM
                        (excluded.plant, excluded.hall, excluded.machine, excluded.position, excluded.sheet,
                         excluded.lifecycle, excluded.health, excluded.clearance, excluded.reasons)
                   THEN spindle.changed ELSE excluded.changed END,
    moved = CASE WHEN spindle.plant = excluded.plant THEN spindle.moved ELSE excluded.moved END;

-- name: look_later
UPDATE derived.spindle SET next_look = :at::timestamptz WHERE subject = :subject::integer;

-- name: keep_usual_pause
UPDATE derived.counter
SET usual_pause = :usual::interval
WHERE subject = :subject::integer AND usual_pause IS DISTINCT FROM :usual::interval;

-- name: write_counter
-- Everything that decides whether the next reading is plain. `heard_at` moves where a newer reading has come.
INSERT INTO derived.counter (
    subject, reading, read_at, count, cycles_per_count, max_per_second, takes_readings, plain_after, plain_below,
    plain_until, thought_until, pushed, watched, usual_pause, silent, heard_at)
VALUES (
    :subject::integer, :reading::bigint, :read_at::timestamptz, :count::bigint, :cycles_per_count::integer,
    :max_per_second::integer, :takes_readings::boolean, :plain_after::timestamptz, :plain_below::bigint,
    :plain_until::timestamptz, :thought_until::timestamptz, :pushed::boolean,
    :watched::boolean, :usual_pause::interval, :silent::boolean, :read_at::timestamptz)
ON CONFLICT (subject) DO UPDATE
SET reading = excluded.reading, read_at = excluded.read_at, count = excluded.count,
    cycles_per_count = excluded.cycles_per_count, max_per_second = excluded.max_per_second,
    takes_readings = excluded.takes_readings, plain_after = excluded.plain_after, plain_below = excluded.plain_below,
    plain_until = excluded.plain_until, thought_until = excluded.thought_until, pushed = excluded.pushed,
    watched = excluded.watched, usual_pause = excluded.usual_pause, silent = excluded.silent,
    heard_at = CASE WHEN excluded.read_at > counter.read_at THEN :now::timestamptz ELSE counter.heard_at END;

-- name: lock_places
-- Where it is now and where it comes to, locked one after another in one order: two spindles that change places wait in
-- turn. What the lock lets through is read by the next statement.
SELECT pg_advisory_xact_lock(1, places.number)
FROM (
    SELECT DISTINCT hashtext(concat_ws('/', plant, machine, position)) AS number
    FROM (
        SELECT plant, machine, position FROM derived.place WHERE subject = :subject::integer AND removed IS NULL
        UNION ALL
        SELECT * FROM unnest(:plants::text[], :machines::text[], :positions::text[])
    ) AS held
    ORDER BY number
) AS places;

-- name: clear_places
DELETE FROM derived.place WHERE subject = :subject::integer;

-- name: write_place
INSERT INTO derived.place (subject, sequence, plant, hall, machine, position, installed, removed)
VALUES (
    :subject::integer, :sequence::bigint, :plant::text, :hall::text, :machine::text, :position::text,
    :installed::timestamptz, :removed::timestamptz);

-- name: write_recheck
INSERT INTO derived.recheck (episode, subject, code, state, due_at, due_count, anchor, body)
VALUES (
    :episode::text, :subject::integer, :code::text, :state::text, :due_at::timestamptz, :due_count::bigint,
    :anchor::bigint, :body::json)
ON CONFLICT (episode) DO UPDATE
SET state = excluded.state, due_at = excluded.due_at, due_count = excluded.due_count, body = excluded.body;

-- name: clear_rechecks
-- Episodes that the history, folded again, no longer has.
DELETE FROM derived.recheck WHERE subject = :subject::integer AND episode <> ALL (:kept::text[]);

-- name: clear_measurements
-- Measurements that no longer stand.
DELETE FROM derived.measurement WHERE subject = :subject::integer AND sequence <> ALL (:kept::bigint[]);

-- name: clear_fitted_lots
DELETE FROM derived.fitted_lot WHERE subject = :subject::integer AND sequence <> ALL (:kept::bigint[]);

-- name: write_measurement
INSERT INTO derived.measurement (subject, sequence, occurred, kind, gauge, outcome, verdict)
VALUES (
    :subject::integer, :sequence::bigint, :occurred::timestamptz, :kind::text, :gauge::text, :outcome::text,
    :verdict::json)
ON CONFLICT (subject, sequence) DO UPDATE
SET occurred = excluded.occurred, gauge = excluded.gauge, outcome = excluded.outcome, verdict = excluded.verdict;

-- name: write_fitted_lot
INSERT INTO derived.fitted_lot (subject, sequence, occurred, lot)
VALUES (:subject::integer, :sequence::bigint, :occurred::timestamptz, :lot::text)
ON CONFLICT (subject, sequence) DO UPDATE SET occurred = excluded.occurred, lot = excluded.lot;

-- name: to_look_at
-- Spindles whose state changes by time alone, or whose history has gone quiet.
SELECT subject
FROM derived.spindle
WHERE next_look <= :now::timestamptz AND subject <> ALL (:done::integer[])
ORDER BY next_look
LIMIT :limit::integer;

-- name: folded_before
-- Spindles whose state an older release folded.
SELECT subject
FROM derived.spindle
WHERE fold < :fold::smallint AND subject > :after::integer
ORDER BY subject
LIMIT :limit::integer;

-- name: clear_torques
DELETE FROM derived.torque WHERE subject = :subject::integer AND sequence <> ALL (:kept::bigint[]);

-- name: write_torque
INSERT INTO derived.torque (subject, sequence, occurred, tool)
VALUES (:subject::integer, :sequence::bigint, :occurred::timestamptz, :tool::text)
ON CONFLICT (subject, sequence) DO UPDATE SET occurred = excluded.occurred, tool = excluded.tool;

-- name: waiting_to_settle
-- Spindles that an entry of a sheet, gauge or lot reached.
SELECT DISTINCT subject
FROM derived.to_settle
WHERE subject <> ALL (:done::integer[])
ORDER BY subject
LIMIT :limit::integer;

-- name: take_tickets
-- Read after the subject is locked; what is queued later stays queued.
DELETE FROM derived.to_settle WHERE subject = :subject::integer RETURNING cause;

-- name: key_of
SELECT key FROM derived.spindle WHERE subject = :subject::integer;

-- name: clear_sets
DELETE FROM derived.set_mark WHERE subject = :subject::integer AND sequence <> ALL (:kept::bigint[]);

-- name: write_set
INSERT INTO derived.set_mark (subject, sequence, occurred, kind, sheet, reason, count, fitted_count, fitted_at)
VALUES (
    :subject::integer, :sequence::bigint, :occurred::timestamptz, :kind::text, :sheet::text, :reason::text,
    :count::bigint, :fitted_count::bigint, :fitted_at::timestamptz)
ON CONFLICT (subject, sequence) DO UPDATE
SET occurred = excluded.occurred, kind = excluded.kind, sheet = excluded.sheet, reason = excluded.reason,
    count = excluded.count, fitted_count = excluded.fitted_count, fitted_at = excluded.fitted_at;
