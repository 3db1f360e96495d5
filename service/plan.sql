-- name: falling_due
-- What is due, overdue or put off, and what is expected to fall due before a time; of the plants that a key reaches.
SELECT spindle.key AS spindle, spindle.plant, spindle.hall, spindle.machine, spindle.sheet, counter.count,
       recheck.episode, recheck.code, recheck.body ->> 'check' AS check, recheck.state, recheck.due_count,
       recheck.due_at, (recheck.body #>> '{due,time}')::timestamptz AS fell_due, expected.median, expected.p80_from,
       expected.p80_to, expected.p95_from, expected.p95_to
FROM derived.recheck
JOIN derived.spindle ON spindle.subject = recheck.subject
JOIN derived.counter ON counter.subject = recheck.subject
LEFT JOIN derived.expected ON expected.episode = recheck.episode
WHERE spindle.lifecycle = 'installed'
  AND (recheck.state IN ('due', 'overdue', 'deferred')
       OR (recheck.state IN ('waiting', 'open') AND coalesce(expected.median, recheck.due_at) < :until::timestamptz))
  AND (:plant::text IS NULL OR spindle.plant = :plant::text)
  AND (:plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]))
ORDER BY coalesce((recheck.body #>> '{due,time}')::timestamptz, expected.median, recheck.due_at), spindle.key,
         recheck.episode;

-- name: gauges
SELECT key FROM ledger.subject WHERE kind = 'gauges' AND sequence > 0 ORDER BY key;

-- name: sheets_in_use
-- Of each sheet: spindles in use, and those whose clamping set cannot go on.
SELECT sheet, count(*) AS spindles, count(*) FILTER (WHERE health = 'failure') AS failed
FROM derived.spindle
WHERE lifecycle = 'installed'
  AND (:plant::text IS NULL OR plant = :plant::text) AND (:plants::text[] IS NULL OR plant = ANY (:plants::text[]))
GROUP BY sheet
ORDER BY sheet;

-- name: rebuilds
-- Of each sheet: rebuilds since a time of the spindles that are assigned to it now, and when the first of these
-- spindles was commissioned.
SELECT spindle.sheet, count(rebuilt.subject) AS rebuilds,
       min((spindle.folded #>> '{commissioned,time}')::timestamptz) AS since
FROM derived.spindle
LEFT JOIN ledger.entry AS rebuilt
    ON rebuilt.subject = spindle.subject AND rebuilt.type = 'clamping_set.replaced'
    AND rebuilt.occurred >= :since::timestamptz AND rebuilt.occurred <= :now::timestamptz
WHERE (:plant::text IS NULL OR spindle.plant = :plant::text)
  AND (:plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]))
GROUP BY spindle.sheet;
