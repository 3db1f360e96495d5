-- Notices waiting to be told, and the attempts made.

-- name: put_notices
-- The id decides what is new; only a new notice fans out, to the endpoints that exist now and want it.
-- A notice about no single plant is for endpoints that are not bound to plants; one about an endpoint is for the others.
-- One about no spindle is not for endpoints that ask for spindles; one without health is for every health.
-- `replays.sql` asks the same of notices that were made before.
WITH fresh AS (
    INSERT INTO kept.notice (id, type, subject, spindle, plant, health, occurred, created, body, whole)
    SELECT n.id, n.type, n.subject, n.spindle, n.plant, n.health, n.occurred, CAST(:now AS timestamptz), n.body::json,
           n.whole::json
      FROM unnest(CAST(:ids AS text[]), CAST(:types AS text[]), CAST(:subjects AS text[]), CAST(:spindles AS text[]),
                  CAST(:plants AS text[]), CAST(:healths AS text[]), CAST(:occurred AS timestamptz[]),
                  CAST(:bodies AS text[]), CAST(:wholes AS text[])) WITH ORDINALITY
           AS n (id, type, subject, spindle, plant, health, occurred, body, whole, place)
     ORDER BY n.place
    ON CONFLICT (id) DO NOTHING
    RETURNING notice, id, type, subject, spindle, plant, health
), waiting AS (
    INSERT INTO kept.delivery (endpoint, notice, spindle, put, next_attempt)
    SELECT e.endpoint, f.notice, f.spindle, CAST(:now AS timestamptz), CAST(:now AS timestamptz)
      FROM fresh f
      JOIN kept.endpoint e
        ON e.deleted IS NULL
       AND (e.types IS NULL OR f.type = ANY (e.types))
       AND (e.plants IS NULL OR f.plant = ANY (e.plants))
       AND (e.spindle_prefix IS NULL OR starts_with(f.spindle, e.spindle_prefix))
       AND coalesce(array_position(CAST(:worst_first AS text[]), f.health)
                    <= array_position(CAST(:worst_first AS text[]), e.minimum_health), true)
       AND f.subject <> 'webhook-endpoints/' || e.endpoint
)
SELECT type, count(*) AS fresh FROM fresh GROUP BY type

-- name: told_of_episodes
-- Which states of these episodes have been told; a spindle's notices are found by the spindle.
SELECT DISTINCT type, coalesce(whole, body) -> 'data' -> 'recheck' ->> 'episode' AS episode
  FROM kept.notice
 WHERE spindle = CAST(:spindle AS text)
   AND coalesce(whole, body) -> 'data' -> 'recheck' ->> 'episode' = ANY (CAST(:episodes AS text[]))

-- name: notice_body
-- As it was sent, or the whole where a thin one was.
SELECT plant, coalesce(whole, body) AS body FROM kept.notice WHERE id = CAST(:id AS text)

-- name: put_for_endpoint
-- One notice for one endpoint, whatever it subscribes to.
WITH fresh AS (
    INSERT INTO kept.notice (id, type, subject, occurred, created, body)
    VALUES (CAST(:id AS text), CAST(:type AS text), CAST(:subject AS text), CAST(:occurred AS timestamptz),
            CAST(:now AS timestamptz), CAST(CAST(:body AS text) AS json))
    ON CONFLICT (id) DO NOTHING
    RETURNING notice
)
INSERT INTO kept.delivery (endpoint, notice, put, next_attempt)
SELECT CAST(:endpoint AS text), notice, CAST(:now AS timestamptz), CAST(:now AS timestamptz) FROM fresh

-- name: claim
-- Goes endpoint by endpoint, each with what its own limits leave, so a heap of waiting notices for one endpoint is
-- neither scanned for nor served before another's. Rows that another dispatcher holds are skipped. What is held is
-- what was due longest, so it is counted at the front; where order is kept, what waits may stand before it. There, a
-- spindle's notice waits for the one before it, but no longer than `order_wait` seconds.
WITH due AS (
    SELECT e.endpoint, d.notice, d.attempts, d.tried
      FROM unnest(CAST(:endpoints AS text[]), CAST(:in_hand AS integer[]), CAST(:paces AS integer[]),
                  CAST(:order_waits AS integer[])) AS e (endpoint, in_hand, pace, order_wait)
     CROSS JOIN LATERAL (
           SELECT count(*) FILTER (WHERE f.lease_until > CAST(:now AS timestamptz)) AS held
             FROM (SELECT o.lease_until
                     FROM kept.delivery o
                    WHERE o.endpoint = e.endpoint
                      AND o.state = 'waiting'
                      AND o.next_attempt <= CAST(:now AS timestamptz)
                    ORDER BY o.next_attempt, o.notice
                    LIMIT CASE WHEN e.order_wait IS NULL THEN 4 * e.in_hand + 64 END) f) h
     CROSS JOIN LATERAL (
           SELECT w.notice, w.attempts, w.tried, w.next_attempt
             FROM kept.delivery w
            WHERE w.endpoint = e.endpoint
              AND w.state = 'waiting'
              AND w.next_attempt <= CAST(:now AS timestamptz)
              AND (w.lease_until IS NULL OR w.lease_until <= CAST(:now AS timestamptz))
              AND (e.order_wait IS NULL OR w.spindle IS NULL OR NOT EXISTS (
                   SELECT FROM kept.delivery o
                    WHERE o.endpoint = w.endpoint
                      AND o.spindle = w.spindle
                      AND o.state = 'waiting'
                      AND o.notice < w.notice
                      AND o.put > CAST(:now AS timestamptz) - make_interval(secs => e.order_wait)))
            ORDER BY w.next_attempt, w.notice
            LIMIT least(greatest(e.in_hand - h.held, 0), e.pace)
              FOR UPDATE SKIP LOCKED) d
     ORDER BY d.next_attempt, d.notice
     LIMIT CAST(:limit AS integer)
), claimed AS (
    UPDATE kept.delivery w
       SET lease_until = CAST(:lease_until AS timestamptz)
      FROM due
     WHERE w.endpoint = due.endpoint AND w.notice = due.notice
    RETURNING w.endpoint, w.notice
)
SELECT due.endpoint, due.notice, due.attempts, due.tried, n.id, n.body
  FROM claimed
  JOIN due USING (endpoint, notice)
  JOIN kept.notice n ON n.notice = due.notice
 ORDER BY due.notice

-- name: give_back
-- Locked ascending, as a dispatcher locks what it notes.
WITH held AS (
    SELECT d.endpoint, d.notice
      FROM kept.delivery d
      JOIN unnest(CAST(:endpoints AS text[]), CAST(:notices AS bigint[]), CAST(:leases AS timestamptz[]))
           AS given (endpoint, notice, lease_until) USING (endpoint, notice, lease_until)
     ORDER BY d.endpoint, d.notice
       FOR UPDATE OF d
)
UPDATE kept.delivery d
   SET lease_until = NULL
  FROM held
 WHERE d.endpoint = held.endpoint AND d.notice = held.notice

-- name: lock_deliveries
-- Ascending, so that two dispatchers noting at once wait for each other instead of for ever.
SELECT d.endpoint, d.notice, d.state, d.attempts, d.tried, d.next_attempt, d.lease_until, d.ended
  FROM kept.delivery d
  JOIN unnest(CAST(:endpoints AS text[]), CAST(:notices AS bigint[])) AS wanted (endpoint, notice)
    ON d.endpoint = wanted.endpoint AND d.notice = wanted.notice
 ORDER BY d.endpoint, d.notice
   FOR UPDATE OF d

-- name: plan_deliveries
UPDATE kept.delivery d
   SET state = p.state, attempts = p.attempts, tried = p.tried, ended = p.ended, next_attempt = p.next_attempt,
       lease_until = p.lease_until
  FROM unnest(CAST(:endpoint AS text[]), CAST(:notice AS bigint[]), CAST(:state AS text[]),
              CAST(:attempts AS integer[]), CAST(:tried AS integer[]), CAST(:ended AS timestamptz[]),
              CAST(:next_attempt AS timestamptz[]), CAST(:lease_until AS timestamptz[]))
       AS p (endpoint, notice, state, attempts, tried, ended, next_attempt, lease_until)
 WHERE d.endpoint = p.endpoint AND d.notice = p.notice

-- name: add_attempts
INSERT INTO kept.attempt (endpoint, notice, number, started, duration_ms, status, answer, headers, error)
SELECT endpoint, notice, number, started, duration_ms, status, answer, headers::json, error
  FROM unnest(CAST(:endpoint AS text[]), CAST(:notice AS bigint[]), CAST(:number AS integer[]),
              CAST(:started AS timestamptz[]), CAST(:duration_ms AS integer[]), CAST(:status AS integer[]),
              CAST(:answer AS text[]), CAST(:headers AS text[]), CAST(:error AS text[]))
       AS a (endpoint, notice, number, started, duration_ms, status, answer, headers, error)

-- name: known_notices
SELECT id FROM kept.notice WHERE id = ANY (:ids::text[]);

-- name: drop_waiting
-- Locked ascending, as a dispatcher locks what it notes.
WITH left_over AS (
    SELECT endpoint, notice
      FROM kept.delivery
     WHERE endpoint = CAST(:endpoint AS text) AND state = 'waiting'
     ORDER BY notice
       FOR UPDATE
)
UPDATE kept.delivery d
   SET state = 'dropped', next_attempt = NULL, lease_until = NULL, ended = CAST(:now AS timestamptz)
  FROM left_over
 WHERE d.endpoint = left_over.endpoint AND d.notice = left_over.notice
