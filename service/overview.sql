-- name: groups
-- Spindles that are alike, counted, but for those that time has changed since they were settled.
SELECT plant, hall, lifecycle, health, clearance,
       sum(cardinality(array_positions(reasons, 'recheck_due')))::bigint AS due,
       sum(cardinality(array_positions(reasons, 'recheck_overdue')))::bigint AS overdue,
       count(*) AS spindles
FROM derived.spindle
WHERE (next_look IS NULL OR next_look > :now::timestamptz)
  AND (:plant::text IS NULL OR plant = :plant::text)
  AND (:plants::text[] IS NULL OR plant = ANY (:plants::text[]))
GROUP BY plant, hall, lifecycle, health, clearance;

-- name: late
-- Those that time has changed, each with its state.
SELECT spindle.plant, spindle.hall, spindle.lifecycle, spindle.folded, spindle.fold, spindle.sequence,
       spindle.newest_fact, spindle.settled_at, spindle.settlements, spindle.next_look, spindle.told_health,
       spindle.untold, counter.reading, counter.read_at, counter.usual_pause, counter.heard_at
FROM derived.spindle
JOIN derived.counter USING (subject)
WHERE spindle.next_look <= :now::timestamptz
  AND (:plant::text IS NULL OR spindle.plant = :plant::text)
  AND (:plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]));
