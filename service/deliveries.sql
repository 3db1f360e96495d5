-- What was sent, as it is listed; `listed_deliveries.py` has the list of deliveries.

-- name: attempts
-- Of these deliveries, each in order.
SELECT a.endpoint, a.notice, a.number, a.started, a.duration_ms, a.status, a.answer, a.headers, a.error
  FROM kept.attempt a
  JOIN unnest(CAST(:endpoints AS text[]), CAST(:notices AS bigint[])) AS wanted (endpoint, notice)
    ON a.endpoint = wanted.endpoint AND a.notice = wanted.notice
 ORDER BY a.endpoint, a.notice, a.number

-- name: attempts_made
-- At one endpoint, the newest first, before a place: an index has this order, and the filters look along it.
SELECT a.notice, a.number, a.started, a.duration_ms, a.status, a.answer, a.headers, a.error, n.id, n.type, o.outcome
  FROM kept.attempt a
  JOIN kept.notice n USING (notice)
 CROSS JOIN LATERAL (
       SELECT CASE WHEN a.error IS NOT NULL OR a.status IS NULL THEN 'unanswered'
                   WHEN a.status BETWEEN 200 AND 299 THEN 'succeeded'
                   ELSE 'refused' END AS outcome) o
 WHERE a.endpoint = CAST(:endpoint AS text)
   AND a.started >= CAST(:since AS timestamptz)
   AND (a.started, a.notice, a.number)
       < (CAST(:started AS timestamptz), CAST(:before AS bigint), CAST(:number AS bigint))
   AND (CAST(:outcomes AS text[]) IS NULL OR o.outcome = ANY (CAST(:outcomes AS text[])))
   AND (CAST(:statuses AS integer[]) IS NULL OR a.status = ANY (CAST(:statuses AS integer[])))
   AND (CAST(:notice AS text) IS NULL
        OR a.notice = (SELECT w.notice FROM kept.notice w WHERE w.id = CAST(:notice AS text)))
   AND (CAST(:plants AS text[]) IS NULL OR n.plant = ANY (CAST(:plants AS text[]))
        OR n.subject = 'webhook-endpoints/' || a.endpoint)
 ORDER BY a.started DESC, a.notice DESC, a.number DESC
 LIMIT CAST(:limit AS integer)
