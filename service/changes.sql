-- name: ends
SELECT log, changed FROM derived.change;

-- name: changes
-- Spindles whose number lies behind the one held of their log, in the order of numbers. Each log gives its first ones by
-- its index; what is taken of all of them together is a prefix of each.
WITH held AS (
    SELECT * FROM unnest(:logs::smallint[], :numbers::bigint[]) AS held (log, number)
)
SELECT found.log, found.changed, found.key, found.plant, found.hall, found.machine, found.position, found.sheet,
       found.lifecycle, found.health, found.clearance, found.reasons,
       CASE WHEN found.moved > coalesce(held.number, 0)
            THEN ARRAY(SELECT DISTINCT place.plant FROM derived.place WHERE place.subject = found.subject) END AS was_in
FROM derived.change
LEFT JOIN held USING (log)
CROSS JOIN LATERAL (
    SELECT * FROM derived.spindle
    WHERE spindle.log = change.log AND spindle.changed > coalesce(held.number, 0)
    ORDER BY spindle.changed
    LIMIT :limit::integer
) AS found
ORDER BY found.changed, found.log
LIMIT :limit::integer;
