-- The endpoints that are told: what they want, what signs for them, and how they are doing.

-- name: add_endpoint
INSERT INTO kept.endpoint (url, types, plants, spindle_prefix, minimum_health, description, scheme, order_wait,
                           concurrency, per_second, certificate, certificate_key, certificate_key_sealed_by, authority,
                           created, created_by)
VALUES (CAST(:url AS text), CAST(:types AS text[]), CAST(:plants AS text[]), CAST(:spindle_prefix AS text),
        CAST(:minimum_health AS text), CAST(:description AS text), CAST(:scheme AS text),
        CAST(:order_wait_seconds AS integer), CAST(:concurrency AS integer), CAST(:per_second AS integer),
        CAST(:certificate AS text), CAST(:certificate_key AS bytea), CAST(:sealed_by AS text),
        CAST(:authority AS text), CAST(:now AS timestamptz), CAST(:created_by AS integer))
RETURNING endpoint

-- name: lock_endpoint
-- Notices may go on being put for it: what refers to the row by its key does not wait for this lock.
SELECT endpoint
  FROM kept.endpoint
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL
   FOR NO KEY UPDATE

-- name: endpoints
-- One of them, or all in order of creation after one of them (a deleted one still has its place).
SELECT endpoint, url, types, plants, spindle_prefix, minimum_health, description, scheme AS signature,
       order_wait AS order_wait_seconds, concurrency, per_second, certificate, authority, created, disabled, disabled_reason
  FROM kept.endpoint
 WHERE deleted IS NULL
   AND (CAST(:endpoint AS text) IS NULL OR endpoint = CAST(:endpoint AS text))
   AND (CAST(:after AS text) IS NULL
        OR (created, endpoint) > (SELECT a.created, a.endpoint FROM kept.endpoint a
                                   WHERE a.endpoint = CAST(:after AS text)))
   AND (CAST(:plants AS text[]) IS NULL OR plants <@ CAST(:plants AS text[]))
 ORDER BY created, endpoint
 LIMIT CAST(:limit AS integer)

-- name: change_endpoint
UPDATE kept.endpoint
   SET url = CAST(:url AS text), types = CAST(:types AS text[]), plants = CAST(:plants AS text[]),
       spindle_prefix = CAST(:spindle_prefix AS text), minimum_health = CAST(:minimum_health AS text),
       description = CAST(:description AS text), order_wait = CAST(:order_wait_seconds AS integer),
       concurrency = CAST(:concurrency AS integer), per_second = CAST(:per_second AS integer),
       authority = CAST(:authority AS text)
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL

-- name: change_certificate
UPDATE kept.endpoint
   SET certificate = CAST(:certificate AS text), certificate_key = CAST(:certificate_key AS bytea),
       certificate_key_sealed_by = CAST(:sealed_by AS text)
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL

-- name: enable_endpoint
-- It has a fresh start: what it did before says nothing any more.
UPDATE kept.endpoint
   SET disabled = NULL, disabled_reason = NULL, failures = 0, failing = NULL, told_failing = NULL, rests_until = NULL
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL

-- name: end_rest
-- Whoever asks for a ping wants to know now.
UPDATE kept.endpoint SET rests_until = NULL WHERE endpoint = CAST(:endpoint AS text) AND rests_until IS NOT NULL

-- name: disable_endpoint
-- Only the first to disable it touches a row, so it is announced once.
UPDATE kept.endpoint
   SET disabled = CAST(:now AS timestamptz), disabled_reason = CAST(:reason AS text)
 WHERE endpoint = CAST(:endpoint AS text) AND disabled IS NULL AND deleted IS NULL

-- name: delete_endpoint
-- A notice put at this very moment may still be added; nothing claims it.
UPDATE kept.endpoint
   SET deleted = CAST(:now AS timestamptz), certificate_key = NULL, certificate_key_sealed_by = NULL
 WHERE endpoint = CAST(:endpoint AS text) AND deleted IS NULL

-- name: forget_signing
-- Secrets go at once.
DELETE FROM kept.signing WHERE endpoint = CAST(:endpoint AS text)

-- name: add_signing
INSERT INTO kept.signing (endpoint, number, scheme, secret, sealed_by, public, created)
SELECT CAST(:endpoint AS text), coalesce(max(number), 0) + 1, CAST(:scheme AS text), CAST(:secret AS bytea),
       CAST(:sealed_by AS text), CAST(:public AS bytea), CAST(:now AS timestamptz)
  FROM kept.signing
 WHERE endpoint = CAST(:endpoint AS text)

-- name: expire_signing
-- What already runs out sooner keeps its end.
UPDATE kept.signing
   SET expires = least(expires, CAST(:expires AS timestamptz))
 WHERE endpoint = CAST(:endpoint AS text) AND (expires IS NULL OR expires > CAST(:now AS timestamptz))

-- name: drop_expired_signing
DELETE FROM kept.signing WHERE endpoint = CAST(:endpoint AS text) AND expires <= CAST(:now AS timestamptz)

-- name: signing
-- What signs now for these endpoints, the newest first.
SELECT endpoint, number, scheme, secret, sealed_by, public, created, expires
  FROM kept.signing
 WHERE endpoint = ANY (CAST(:endpoints AS text[])) AND (expires IS NULL OR expires > CAST(:now AS timestamptz))
 ORDER BY endpoint, number DESC

-- name: public_keys
-- Every key that a receiver may have to verify with: none of an endpoint that is gone.
SELECT endpoint, number, public
  FROM kept.signing
 WHERE public IS NOT NULL AND (expires IS NULL OR expires > CAST(:now AS timestamptz))
 ORDER BY endpoint, number DESC

-- name: standings
-- Those of these endpoints that are failing, or may now be; ascending, so that two dispatchers wait in one order.
SELECT endpoint, failures, failing, told_failing, rests_until
  FROM kept.endpoint
 WHERE endpoint = ANY (CAST(:endpoints AS text[]))
   AND (failures > 0 OR rests_until IS NOT NULL OR endpoint = ANY (CAST(:failed AS text[])))
 ORDER BY endpoint
   FOR NO KEY UPDATE

-- name: put_standing
UPDATE kept.endpoint
   SET failures = CAST(:failures AS integer), failing = CAST(:failing AS timestamptz),
       told_failing = CAST(:told AS timestamptz), rests_until = CAST(:rests AS timestamptz)
 WHERE endpoint = CAST(:endpoint AS text)

-- name: health
-- How these endpoints are doing, and what waits for them.
SELECT e.endpoint, e.failures, e.failing, e.told_failing, e.rests_until, e.disabled, w.waiting, w.oldest
  FROM kept.endpoint e
 CROSS JOIN LATERAL (
       SELECT count(*) AS waiting, min(d.put) AS oldest
         FROM kept.delivery d
        WHERE d.endpoint = e.endpoint AND d.state = 'waiting') w
 WHERE e.endpoint = ANY (CAST(:endpoints AS text[]))
 ORDER BY e.created, e.endpoint

-- name: every_standing
SELECT failures, failing, told_failing, rests_until, disabled FROM kept.endpoint WHERE deleted IS NULL

-- name: to_tell
-- Endpoints for which something is due, each for one dispatcher at a time; others' are passed over. Nothing but columns
-- of the locked rows may be read here: the claim that follows sees what others have claimed before.
SELECT e.endpoint, e.url, e.scheme, e.order_wait, e.concurrency, e.per_second, e.paced, e.failures,
       e.certificate, e.certificate_key, e.certificate_key_sealed_by, e.authority
  FROM kept.endpoint e
 WHERE e.deleted IS NULL
   AND e.disabled IS NULL
   AND (e.rests_until IS NULL OR e.rests_until <= CAST(:now AS timestamptz))
   AND EXISTS (SELECT FROM kept.delivery w
                WHERE w.endpoint = e.endpoint
                  AND w.state = 'waiting'
                  AND w.next_attempt <= CAST(:now AS timestamptz)
                  AND (w.lease_until IS NULL OR w.lease_until <= CAST(:now AS timestamptz)))
 ORDER BY e.endpoint
   FOR NO KEY UPDATE OF e SKIP LOCKED

-- name: pace
-- From when on the pace is counted: what was just taken is used up.
UPDATE kept.endpoint SET paced = CAST(:paced AS timestamptz) WHERE endpoint = CAST(:endpoint AS text)
