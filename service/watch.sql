-- name: spindles_by_health
-- Spindles in use by health, the others by where they are.
SELECT coalesce(health, lifecycle) AS health, count(*) AS spindles FROM derived.spindle GROUP BY 1 ORDER BY 1;

-- name: settling
-- How long the oldest look that is due has waited, in seconds, and how many spindles an entry reached that wait.
SELECT coalesce(extract(epoch FROM :now::timestamptz - min(next_look)), 0)::float8 AS lag,
       (SELECT count(DISTINCT subject) FROM derived.to_settle) AS reached
FROM derived.spindle
WHERE next_look <= :now::timestamptz;

-- name: deliveries_waiting
-- Those whose time has come, and those that wait for theirs; how long the oldest has waited, in seconds, where its
-- endpoint is not disabled.
SELECT count(*) FILTER (WHERE d.next_attempt <= :now::timestamptz) AS due, count(*) AS waiting,
       coalesce(extract(epoch FROM :now::timestamptz - min(d.put) FILTER (WHERE e.disabled IS NULL)), 0)::float8
           AS oldest
FROM kept.delivery d
JOIN kept.endpoint e USING (endpoint)
WHERE d.state = 'waiting';

-- name: positions
-- How far each log is.
SELECT log, position FROM ledger.log ORDER BY log;
