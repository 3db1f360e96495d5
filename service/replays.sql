-- Notices that are sent again, or at last.

-- name: matching
-- How many there are beyond a place; where their number is limited, also which. What was put for the endpoint is found
-- by its state, what was not by walking the notices. The endpoint's filters are those that `put_notices` asks.
WITH fitting AS (
    (SELECT d.notice, false AS missed
       FROM kept.delivery d
       JOIN kept.notice n USING (notice)
      WHERE d.endpoint = CAST(:endpoint AS text)
        AND d.state = ANY (CAST(:states AS text[]))
        AND (d.state <> 'waiting' OR d.next_attempt > CAST(:now AS timestamptz))
        AND (d.lease_until IS NULL OR d.lease_until <= CAST(:now AS timestamptz))
        AND d.notice > CAST(:after AS bigint)
        AND (CAST(:types AS text[]) IS NULL OR n.type = ANY (CAST(:types AS text[])))
        AND (CAST(:since AS timestamptz) IS NULL OR n.created >= CAST(:since AS timestamptz))
        AND (CAST(:until AS timestamptz) IS NULL OR n.created < CAST(:until AS timestamptz))
        AND (CAST(:prefix AS text) IS NULL OR starts_with(n.spindle, CAST(:prefix AS text)))
        AND (CAST(:plants AS text[]) IS NULL OR n.plant = ANY (CAST(:plants AS text[]))
             OR n.subject = 'webhook-endpoints/' || d.endpoint)
      ORDER BY d.notice
      LIMIT CAST(:limit AS bigint))
    UNION ALL
    (SELECT n.notice, true
       FROM kept.endpoint e
       JOIN kept.notice n
         ON (e.types IS NULL OR n.type = ANY (e.types))
        AND (e.plants IS NULL OR n.plant = ANY (e.plants))
        AND (e.spindle_prefix IS NULL OR starts_with(n.spindle, e.spindle_prefix))
        AND coalesce(array_position(CAST(:worst_first AS text[]), n.health)
                     <= array_position(CAST(:worst_first AS text[]), e.minimum_health), true)
        AND n.subject <> 'webhook-endpoints/' || e.endpoint
        AND n.type <> 'endpoint.ping'
      WHERE CAST(:missed AS boolean)
        AND e.endpoint = CAST(:endpoint AS text)
        AND NOT EXISTS (SELECT FROM kept.delivery d WHERE d.endpoint = CAST(:endpoint AS text) AND d.notice = n.notice)
        AND n.notice > CAST(:after AS bigint)
        AND (CAST(:types AS text[]) IS NULL OR n.type = ANY (CAST(:types AS text[])))
        AND (CAST(:since AS timestamptz) IS NULL OR n.created >= CAST(:since AS timestamptz))
        AND (CAST(:until AS timestamptz) IS NULL OR n.created < CAST(:until AS timestamptz))
        AND (CAST(:prefix AS text) IS NULL OR starts_with(n.spindle, CAST(:prefix AS text)))
        AND (CAST(:plants AS text[]) IS NULL OR n.plant = ANY (CAST(:plants AS text[])))
      ORDER BY n.notice
      LIMIT CAST(:limit AS bigint))
     ORDER BY notice
     LIMIT CAST(:limit AS bigint)
)
SELECT count(*) FILTER (WHERE NOT missed) AS again,
       count(*) FILTER (WHERE missed) AS missed,
       max(notice) AS last,
       array_agg(notice) FILTER (WHERE NOT missed AND CAST(:limit AS bigint) IS NOT NULL) AS put_before,
       array_agg(notice) FILTER (WHERE missed AND CAST(:limit AS bigint) IS NOT NULL) AS never_put
  FROM fitting

-- name: put_again
-- Looked at once more under the lock: a dispatcher may have taken one since, or ended it. What waited keeps the moment
-- it was put, so that how long the oldest has waited stays true.
WITH mine AS (
    SELECT endpoint, notice
      FROM kept.delivery
     WHERE endpoint = CAST(:endpoint AS text)
       AND notice = ANY (CAST(:notices AS bigint[]))
       AND state = ANY (CAST(:states AS text[]))
       AND (state <> 'waiting' OR next_attempt > CAST(:now AS timestamptz))
       AND (lease_until IS NULL OR lease_until <= CAST(:now AS timestamptz))
     ORDER BY notice
       FOR UPDATE
)
UPDATE kept.delivery d
   SET put = CASE WHEN d.state = 'waiting' THEN d.put ELSE CAST(:now AS timestamptz) END,
       state = 'waiting', next_attempt = CAST(:now AS timestamptz), tried = 0, ended = NULL, lease_until = NULL,
       replayed = CAST(:now AS timestamptz)
  FROM mine
 WHERE d.endpoint = mine.endpoint AND d.notice = mine.notice

-- name: put_missed
-- One that was put meanwhile is not put twice.
INSERT INTO kept.delivery (endpoint, notice, spindle, put, next_attempt, replayed)
SELECT CAST(:endpoint AS text), notice, spindle, CAST(:now AS timestamptz), CAST(:now AS timestamptz),
       CAST(:now AS timestamptz)
  FROM kept.notice
 WHERE notice = ANY (CAST(:notices AS bigint[]))
 ORDER BY notice
    ON CONFLICT DO NOTHING

-- name: number_of
SELECT notice FROM kept.notice WHERE id = CAST(:notice AS text)
