-- name: beat
-- Sums of numbers that never fall: equal where each of them is.
SELECT now() AS now, log.positions, change.written, change.changed,
       (SELECT min(next_look) FROM derived.spindle) AS next_look
FROM (SELECT coalesce(sum(position), 0)::bigint AS positions FROM ledger.log) AS log,
     (SELECT coalesce(sum(written), 0)::bigint AS written, coalesce(sum(changed), 0)::bigint AS changed
      FROM derived.change) AS change;
