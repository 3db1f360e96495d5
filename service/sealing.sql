-- The key kept in the database, and what was sealed with other keys than the one that seals now.

-- name: kept_key
SELECT key FROM kept.sealing

-- name: keep_key
-- Of two processes that start at once the first decides.
INSERT INTO kept.sealing (key, created) VALUES (CAST(:key AS text), CAST(:now AS timestamptz))
ON CONFLICT (sole) DO NOTHING

-- name: how_sealed
-- How many secrets there are, and how many of them none of these keys has sealed.
SELECT count(*) AS secrets,
       count(*) FILTER (WHERE sealed_by <> ALL (CAST(:names AS text[]))) AS foreign
  FROM kept.signing

-- name: signings_sealed_otherwise
SELECT endpoint, number, secret, sealed_by
  FROM kept.signing
 WHERE sealed_by IS DISTINCT FROM CAST(:name AS text)
 ORDER BY endpoint, number
   FOR UPDATE

-- name: certificates_sealed_otherwise
SELECT endpoint, certificate_key, certificate_key_sealed_by AS sealed_by
  FROM kept.endpoint
 WHERE certificate_key IS NOT NULL AND certificate_key_sealed_by IS DISTINCT FROM CAST(:name AS text)
 ORDER BY endpoint
   FOR NO KEY UPDATE

-- name: reseal_signing
UPDATE kept.signing
   SET secret = CAST(:secret AS bytea), sealed_by = CAST(:name AS text)
 WHERE endpoint = CAST(:endpoint AS text) AND number = CAST(:number AS integer)

-- name: reseal_certificate
UPDATE kept.endpoint
   SET certificate_key = CAST(:certificate_key AS bytea), certificate_key_sealed_by = CAST(:name AS text)
 WHERE endpoint = CAST(:endpoint AS text)
