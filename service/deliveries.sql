-- What was and is to be sent, as it is listed.

-- name: deliveries
-- The newest first, before a place.
SELECT n.notice, n.id, n.type, n.subject, n.occurred, d.state, d.attempts, d.next_attempt, d.ended, d.replayed
  FROM kept.delivery d
  JOIN kept.notice n USING (notice)
 WHERE d.endpoint = CAST(:endpoint AS text)
   AND d.notice < CAST(:before AS bigint)
 ORDER BY d.notice DESC
 LIMIT CAST(:limit AS integer)

-- name: attempts
SELECT notice, number, started, duration_ms, status, answer, headers, error
  FROM kept.attempt
 WHERE endpoint = CAST(:endpoint AS text) AND notice = ANY (CAST(:notices AS bigint[]))
 ORDER BY notice, number
