-- Keys: who may call, and what they may do.

-- name: add_key
INSERT INTO kept.key (name, digest, scopes, plants, created, expires)
VALUES (CAST(:name AS text), CAST(:digest AS bytea), CAST(:scopes AS text[]), CAST(:plants AS text[]),
        CAST(:now AS timestamptz), CAST(:expires AS timestamptz))
ON CONFLICT (digest) DO NOTHING
RETURNING key, name, scopes, plants, created, expires, revoked

-- name: find_key
-- By the digest of the token, while it holds.
SELECT key, name, scopes, plants, created, expires, revoked
  FROM kept.key
 WHERE digest = CAST(:digest AS bytea)
   AND revoked IS NULL
   AND (expires IS NULL OR expires > CAST(:now AS timestamptz))

-- name: keys
-- In the order they were made, after a number; for a caller bound to plants, the keys that reach no further.
SELECT key, name, scopes, plants, created, expires, revoked
  FROM kept.key
 WHERE key > CAST(:after AS integer)
   AND (CAST(:plants AS text[]) IS NULL OR plants <@ CAST(:plants AS text[]))
 ORDER BY key
 LIMIT CAST(:limit AS integer)

-- name: lock_key
SELECT key FROM kept.key WHERE key = CAST(:key AS integer) FOR NO KEY UPDATE

-- name: revoke_key
UPDATE kept.key
   SET revoked = CAST(:now AS timestamptz)
 WHERE key = CAST(:key AS integer) AND revoked IS NULL

-- name: lock_bootstrap
-- Of several processes that start at once on an empty database, one makes the first key.
SELECT pg_advisory_xact_lock(CAST(:lock AS bigint))

-- name: any_administrator
SELECT EXISTS (
    SELECT FROM kept.key
     WHERE 'admin' = ANY (scopes) AND plants IS NULL AND revoked IS NULL
       AND (expires IS NULL OR expires > CAST(:now AS timestamptz)))
