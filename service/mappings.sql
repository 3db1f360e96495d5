-- name: add
-- Raises the unique violation of what is tied already: the data item, the spindle or the place.
INSERT INTO kept.mtconnect_mapping (
    device, item, use, states, spindle, plant, machine, position, description, enabled, since, anchor, created, changed)
VALUES (
    :device::text, :item::text, :use::text, :states::text[], :spindle::text, :plant::text, :machine::text,
    :position::text, :description::text, :enabled::boolean, :since::timestamptz, :anchor::bigint, :now::timestamptz,
    :now::timestamptz)
RETURNING id;

-- name: find
SELECT * FROM kept.mtconnect_mapping WHERE id = :id::text;

-- name: find_to_change
SELECT * FROM kept.mtconnect_mapping WHERE id = :id::text FOR UPDATE;

-- name: list
-- In the order in which they were added.
SELECT *
FROM kept.mtconnect_mapping
WHERE number > :after::integer
  AND (:device::text IS NULL OR device = :device::text)
  AND (:spindle::text IS NULL OR spindle = :spindle::text)
  AND (:plants::text[] IS NULL OR plant = ANY (:plants::text[]))
ORDER BY number
LIMIT :limit::integer;

-- name: change
UPDATE kept.mtconnect_mapping
SET use = :use::text, states = :states::text[], spindle = :spindle::text, plant = :plant::text,
    machine = :machine::text, position = :position::text, description = :description::text,
    enabled = :enabled::boolean, changed = :now::timestamptz
WHERE number = :number::integer;

-- name: begin_again
-- What was observed for another use or spindle says nothing any more.
UPDATE kept.mtconnect_mapping
SET since = :since::timestamptz, anchor = :anchor::bigint, remembered = 0, floor_reached = NULL, floor_instance = NULL,
    floor_sequence = NULL
WHERE number = :number::integer;

-- name: forget_points
DELETE FROM kept.mtconnect_point WHERE mapping = :number::integer;

-- name: delete
DELETE FROM kept.mtconnect_mapping WHERE number = :number::integer;

-- name: counter_of
-- A spindle's plant and what its counter showed last.
SELECT spindle.key, spindle.plant, counter.reading, counter.read_at
FROM derived.spindle
JOIN derived.counter USING (subject)
WHERE spindle.key = :key::text;

-- name: occupant_of
-- The same of the spindle that is installed in a place.
SELECT spindle.key, spindle.plant, counter.reading, counter.read_at
FROM derived.place
JOIN derived.spindle USING (subject)
JOIN derived.counter USING (subject)
WHERE place.plant = :plant::text AND place.machine = :machine::text AND place.position = :position::text
  AND place.removed IS NULL;

-- name: also_counts
-- Another mapping that reaches a spindle now, by its key or by its place.
SELECT mapping.id
FROM kept.mtconnect_mapping AS mapping
LEFT JOIN derived.spindle ON spindle.key = :spindle::text
WHERE mapping.number <> :number::integer
  AND (mapping.spindle = :spindle::text
       OR (mapping.spindle IS NULL AND mapping.plant = spindle.plant AND mapping.machine = spindle.machine
           AND mapping.position = spindle.position))
LIMIT 1;
