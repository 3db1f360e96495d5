-- Endpoints, notices waiting for them, and the attempts made.

-- name: put_notices
-- The id decides what is new; only a new notice fans out, to the endpoints that exist now and want it.
-- A notice about no single plant is for endpoints that are not bound to plants; one about an endpoint is for the others.
WITH fresh AS (
    INSERT INTO kept.notice (id, type, subject, spindle, plant, occurred, created, body)
    SELECT n.id, n.type, n.subject, n.spindle, n.plant, n.occurred, CAST(:now AS timestamptz), n.body::json
      FROM unnest(CAST(:ids AS text[]), CAST(:types AS text[]), CAST(:subjects AS text[]), CAST(:spindles AS text[]),
                  CAST(:plants AS text[]), CAST(:occurred AS timestamptz[]), CAST(:bodies AS text[])) WITH ORDINALITY
           AS n (id, type, subject, spindle, plant, occurred, body, place)
     ORDER BY n.place
    ON CONFLICT (id) DO NOTHING
    RETURNING notice, type, subject, plant
), waiting AS (
    INSERT INTO kept.delivery (endpoint, notice, next_attempt)
    SELECT e.endpoint, f.notice, CAST(:now AS timestamptz)
      FROM fresh f
      JOIN kept.endpoint e
        ON e.deleted IS NULL
       AND (e.types IS NULL OR f.type = ANY (e.types))
       AND (e.plants IS NULL OR f.plant = ANY (e.plants))
       AND f.subject <> 'webhook-endpoints/' || e.endpoint
)
SELECT type, count(*) AS fresh FROM fresh GROUP BY type

-- name: told_of_episodes
-- Which states of these episodes have been told; a spindle's notices are found by the spindle.
SELECT DISTINCT type, body -> 'data' -> 'recheck' ->> 'episode' AS episode
  FROM kept.notice
 WHERE spindle = CAST(:spindle AS text)
   AND body -> 'data' -> 'recheck' ->> 'episode' = ANY (CAST(:episodes AS text[]))

-- name: put_for_endpoint
-- One notice for one endpoint, whatever it subscribes to.
WITH fresh AS (
    INSERT INTO kept.notice (id, type, subject, occurred, created, body)
    VALUES (CAST(:id AS text), CAST(:type AS text), CAST(:subject AS text), CAST(:occurred AS timestamptz),
            CAST(:now AS timestamptz), CAST(CAST(:body AS text) AS json))
    ON CONFLICT (id) DO NOTHING
    RETURNING notice
)
INSERT INTO kept.delivery (endpoint, notice, next_attempt)
SELECT CAST(:endpoint AS text), notice, CAST(:now AS timestamptz) FROM fresh

-- name: add_endpoint
INSERT INTO kept.endpoint (url, types, plants, description, secret, created, created_by)
VALUES (CAST(:url AS text), CAST(:types AS text[]), CAST(:plants AS text[]), CAST(:description AS text),
        CAST(:secret AS bytea), CAST(:now AS timestamptz), CAST(:created_by AS integer))
RETURNING endpoint, url, types, plants, description, created, disabled, disabled_reason

-- name: endpoint
SELECT endpoint, url, types, plants, description, created, disabled, disabled_reason
  FROM kept.endpoint
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL

-- name: endpoint_to_change
-- Notices may go on being put for it: what refers to the row by its key does not wait for this lock.
SELECT endpoint, url, types, plants, description, created, disabled, disabled_reason
  FROM kept.endpoint
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL
   FOR NO KEY UPDATE

-- name: change_endpoint
UPDATE kept.endpoint
   SET types = CAST(:types AS text[]), description = CAST(:description AS text),
       disabled = CASE WHEN CAST(:enabled AS boolean) THEN NULL ELSE disabled END,
       disabled_reason = CASE WHEN CAST(:enabled AS boolean) THEN NULL ELSE disabled_reason END
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL

-- name: endpoints
-- In order of creation, after one of them (a deleted one still has its place).
SELECT endpoint, url, types, plants, description, created, disabled, disabled_reason
  FROM kept.endpoint
 WHERE deleted IS NULL
   AND (CAST(:after AS text) IS NULL
        OR (created, endpoint) > (SELECT a.created, a.endpoint FROM kept.endpoint a
                                   WHERE a.endpoint = CAST(:after AS text)))
   AND (CAST(:plants AS text[]) IS NULL OR plants <@ CAST(:plants AS text[]))
 ORDER BY created, endpoint
 LIMIT CAST(:limit AS integer)

-- name: delete_endpoint
-- The secret goes at once. A notice put at this very moment may still be added; nothing claims it.
UPDATE kept.endpoint
   SET deleted = CAST(:now AS timestamptz), secret = NULL
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL

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

-- name: disable_endpoint
-- Only the first to disable it touches a row, so it is announced once.
UPDATE kept.endpoint
   SET disabled = CAST(:now AS timestamptz), disabled_reason = CAST(:reason AS text)
 WHERE endpoint = CAST(:endpoint AS text) AND disabled IS NULL AND deleted IS NULL

-- name: claim
-- Goes endpoint by endpoint, each with what its own limit leaves, so a heap of waiting notices for one endpoint is
-- neither scanned for nor served before another's. Rows that another dispatcher holds are skipped.
WITH busy AS (
    SELECT b.endpoint, b.count
      FROM unnest(CAST(:busy_endpoints AS text[]), CAST(:busy_counts AS integer[])) AS b (endpoint, count)
), due AS (
    SELECT e.endpoint, e.url, e.secret, d.notice, d.attempts
      FROM kept.endpoint e
      LEFT JOIN busy b ON b.endpoint = e.endpoint
     CROSS JOIN LATERAL (
           SELECT w.notice, w.attempts, w.next_attempt
             FROM kept.delivery w
            WHERE w.endpoint = e.endpoint
              AND w.state = 'waiting'
              AND w.next_attempt <= CAST(:now AS timestamptz)
              AND (w.lease_until IS NULL OR w.lease_until <= CAST(:now AS timestamptz))
            ORDER BY w.next_attempt, w.notice
            LIMIT greatest(CAST(:per_endpoint AS integer) - coalesce(b.count, 0), 0)
              FOR UPDATE SKIP LOCKED) d
     WHERE e.deleted IS NULL AND e.disabled IS NULL
     ORDER BY d.next_attempt, d.notice
     LIMIT CAST(:limit AS integer)
), claimed AS (
    UPDATE kept.delivery w
       SET lease_until = CAST(:lease_until AS timestamptz)
      FROM due
     WHERE w.endpoint = due.endpoint AND w.notice = due.notice
    RETURNING w.endpoint, w.notice
)
SELECT due.endpoint, due.url, due.secret, due.notice, due.attempts, n.id, n.body
  FROM claimed
  JOIN due USING (endpoint, notice)
  JOIN kept.notice n ON n.notice = due.notice
 ORDER BY due.notice

-- name: lock_deliveries
-- Ascending, so that two dispatchers noting at once wait for each other instead of for ever.
SELECT d.endpoint, d.notice, d.state, d.attempts, d.next_attempt, d.lease_until, d.ended
  FROM kept.delivery d
  JOIN unnest(CAST(:endpoints AS text[]), CAST(:notices AS bigint[])) AS wanted (endpoint, notice)
    ON d.endpoint = wanted.endpoint AND d.notice = wanted.notice
 ORDER BY d.endpoint, d.notice
   FOR UPDATE OF d

-- name: plan_delivery
UPDATE kept.delivery
   SET state = CAST(:state AS text), attempts = CAST(:attempts AS integer), ended = CAST(:ended AS timestamptz),
       next_attempt = CAST(:next_attempt AS timestamptz), lease_until = CAST(:lease_until AS timestamptz)
 WHERE endpoint = CAST(:endpoint AS text) AND notice = CAST(:notice AS bigint)

-- name: add_attempt
INSERT INTO kept.attempt (endpoint, notice, number, started, duration_ms, status, answer, error)
VALUES (CAST(:endpoint AS text), CAST(:notice AS bigint), CAST(:number AS integer), CAST(:started AS timestamptz),
        CAST(:duration_ms AS integer), CAST(:status AS integer), CAST(:answer AS text), CAST(:error AS text))

-- name: deliveries
-- The newest first, before a place.
SELECT n.notice, n.id, n.type, n.subject, n.occurred, d.state, d.attempts, d.next_attempt, d.ended
  FROM kept.delivery d
  JOIN kept.notice n USING (notice)
 WHERE d.endpoint = CAST(:endpoint AS text)
   AND d.notice < CAST(:before AS bigint)
 ORDER BY d.notice DESC
 LIMIT CAST(:limit AS integer)

-- name: attempts
SELECT notice, number, started, duration_ms, status, answer, error
  FROM kept.attempt
 WHERE endpoint = CAST(:endpoint AS text) AND notice = ANY (CAST(:notices AS bigint[]))
 ORDER BY notice, number

-- name: known_notices
SELECT id FROM kept.notice WHERE id = ANY (:ids::text[]);
