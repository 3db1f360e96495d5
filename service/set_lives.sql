-- name: marks
-- What begins and ends the watch over the sets of a sheet, a plant or a spindle, each with what follows it: marks of
-- every spindle that ever had the sheet, in the order of spindle and time. Days are those in a machine until the next.
SELECT mark.subject, spindle.key AS spindle, spindle.plant, mark.sheet, mark.kind, mark.reason, mark.occurred,
       mark.count, mark.fitted_count, mark.fitted_at, spindle.lifecycle, counter.count AS count_now,
       CASE WHEN :in_days::boolean THEN (
           SELECT coalesce(extract(epoch FROM sum(greatest(
               least(coalesce(place.removed, :now::timestamptz), mark.until) - greatest(place.installed, mark.occurred),
               interval '0'))), 0)::float8 / 86400
           FROM derived.place
           WHERE place.subject = mark.subject
       ) ELSE 0 END AS days
FROM (
    SELECT *, lead(occurred, 1, :now::timestamptz) OVER (PARTITION BY subject ORDER BY occurred, sequence) AS until
    FROM derived.set_mark
    WHERE (:sheet::text IS NULL
           OR subject IN (SELECT subject FROM derived.set_mark WHERE sheet = :sheet::text))
) AS mark
JOIN derived.spindle ON spindle.subject = mark.subject
JOIN derived.counter ON counter.subject = mark.subject
WHERE (:plant::text IS NULL OR spindle.plant = :plant::text)
  AND (:spindle::text IS NULL OR spindle.key = :spindle::text)
  AND (:plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]))
ORDER BY mark.subject, mark.occurred, mark.sequence;

-- name: plant_of
SELECT plant FROM derived.spindle WHERE key = :key::text;

-- name: running
-- The use of spindles whose set runs, and whether it has failed already.
SELECT spindle.subject, spindle.plant, spindle.health = 'failure' AS waiting, fit.body
FROM derived.spindle
LEFT JOIN derived.use_fit AS fit ON fit.subject = spindle.subject
WHERE spindle.subject = ANY (:subjects::integer[]);
