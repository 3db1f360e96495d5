-- name: spindles
-- Spindles that have, or had, the sheet, of one plant or those that a key reaches, with their newest count.
SELECT spindle.subject, spindle.key, spindle.plant, counter.count, counter.read_at
FROM derived.spindle
JOIN derived.counter ON counter.subject = spindle.subject
WHERE (spindle.sheet = :sheet::text
       OR spindle.subject IN (SELECT subject FROM derived.set_mark WHERE sheet = :sheet::text))
  AND (:plant::text IS NULL OR spindle.plant = :plant::text)
  AND (:plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]))
ORDER BY spindle.key
LIMIT :limit::integer;

-- name: read
-- The last reading of each day: finer than a day a rehearsal does not look.
SELECT DISTINCT ON (subject, hour / 24) subject, at, reading
FROM derived.use_hour
WHERE subject = ANY (:subjects::integer[])
ORDER BY subject, hour / 24, hour DESC;

-- name: outcomes
-- The verdicts that hold in fact.
SELECT subject, sequence, outcome, coalesce((verdict ->> 'low')::boolean, false) AS low
FROM derived.measurement
WHERE subject = ANY (:subjects::integer[]) AND kind IN ('setting', 'draw_force');

-- name: in_fact
-- What fell due in a period in fact, by recheck: how many, closed by a check, of these late, and overdue.
SELECT code, count(*) AS due, count(*) FILTER (WHERE state = 'satisfied') AS satisfied,
       count(*) FILTER (WHERE state = 'satisfied' AND (body ->> 'late')::boolean) AS late,
       count(*) FILTER (WHERE (body #>> '{overdue,time}')::timestamptz <= :until::timestamptz) AS overdue
FROM derived.recheck
WHERE subject = ANY (:subjects::integer[])
  AND (body #>> '{due,time}')::timestamptz BETWEEN :since::timestamptz AND :until::timestamptz
GROUP BY code;
