-- name: lock_mappings
-- The mappings of some data items, ascending, so that documents with the same items wait in turn and in no circle.
-- Nothing else is read here.
SELECT mapping.*
FROM kept.mtconnect_mapping AS mapping
WHERE (device, item) IN (SELECT * FROM unnest(:devices::text[], :items::text[]))
ORDER BY number
FOR UPDATE;

-- name: meet_run
-- A run of an agent, met by a document: how far it had come in the earliest of those that are known.
INSERT INTO kept.mtconnect_run (device, instance, reached)
VALUES (:device::text, :instance::text, :reached::timestamptz)
ON CONFLICT (device, instance) DO UPDATE SET reached = least(mtconnect_run.reached, excluded.reached)
RETURNING run, reached;

-- name: floor_of
-- The oldest observation that a mapping remembers, where it has forgotten any; its run as it is known now.
SELECT coalesce(run.reached, mapping.floor_reached) AS reached, mapping.floor_instance, mapping.floor_sequence
FROM kept.mtconnect_mapping AS mapping
LEFT JOIN kept.mtconnect_run AS run ON run.device = mapping.device AND run.instance = mapping.floor_instance
WHERE mapping.number = :mapping::integer AND mapping.floor_reached IS NOT NULL;

-- name: points_seen
-- Of observations that came, those that are known.
SELECT point.mapping, point.sequence, point.occurred, point.value
FROM kept.mtconnect_point AS point
WHERE point.mapping = :mapping::integer AND point.run = :run::integer AND point.sequence = ANY (:sequences::bigint[]);

-- name: newest_points
-- The newest observation of each run of the agent: what comes in order needs no other.
SELECT run.instance, run.reached, point.sequence, point.occurred, point.value, point.reset, point.discrete
FROM kept.mtconnect_run AS run
CROSS JOIN LATERAL (
    SELECT *
    FROM kept.mtconnect_point AS point
    WHERE point.mapping = :mapping::integer AND point.run = run.run
    ORDER BY point.sequence DESC
    LIMIT 1
) AS point
WHERE run.device = :device::text;

-- name: all_points
SELECT run.instance, run.reached, point.sequence, point.occurred, point.value, point.reset, point.discrete
FROM kept.mtconnect_point AS point
JOIN kept.mtconnect_run AS run USING (run)
WHERE point.mapping = :mapping::integer;

-- name: add_points
INSERT INTO kept.mtconnect_point (mapping, run, sequence, occurred, value, reset, discrete)
SELECT :mapping::integer, :run::integer, *
FROM unnest(:sequences::bigint[], :occurred::timestamptz[], :values::text[], :resets::boolean[], :discretes::boolean[]);

-- name: remember
UPDATE kept.mtconnect_mapping SET remembered = remembered + :more::integer WHERE number = :mapping::integer
RETURNING remembered;

-- name: forget_before
-- All of a run, or what is older than a sequence of it.
DELETE FROM kept.mtconnect_point AS point
USING kept.mtconnect_run AS run
WHERE point.run = run.run AND point.mapping = :mapping::integer AND run.device = :device::text
  AND run.instance = :instance::text AND (:before::bigint IS NULL OR point.sequence < :before::bigint);

-- name: raise_floor
UPDATE kept.mtconnect_mapping
SET remembered = :remembered::integer, floor_reached = :reached::timestamptz, floor_instance = :instance::text,
    floor_sequence = :sequence::bigint
WHERE number = :mapping::integer;

-- name: forget_runs
-- Runs of which nothing is remembered, from before what a mapping still remembers.
DELETE FROM kept.mtconnect_run AS run
WHERE run.device = :device::text AND run.reached < :before::timestamptz
  AND NOT EXISTS (SELECT FROM kept.mtconnect_point AS point WHERE point.run = run.run);

-- name: counting_of
-- How the counters of some spindles count.
SELECT spindle.key, counter.max_per_second, (spindle.folded #>> '{counter,modulus}')::bigint AS modulus
FROM derived.spindle
JOIN derived.counter USING (subject)
WHERE spindle.key = ANY (:spindles::text[]);

-- name: stays_in_place
-- Who was installed in a place, and when; a spindle with a mapping of its own is counted by that one alone.
SELECT subject.key, place.installed, place.removed
FROM derived.place
JOIN ledger.subject USING (subject)
WHERE place.plant = :plant::text AND place.machine = :machine::text AND place.position = :position::text
  AND NOT EXISTS (SELECT FROM kept.mtconnect_mapping AS mapping WHERE mapping.spindle = subject.key)
ORDER BY place.installed;

-- name: stays_of_spindle
-- When a spindle was installed anywhere.
SELECT subject.key, place.installed, place.removed
FROM ledger.subject
JOIN derived.place USING (subject)
WHERE subject.kind = 'spindles' AND subject.key = :spindle::text
ORDER BY place.installed;
