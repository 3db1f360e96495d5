-- name: begin_recall
INSERT INTO kept.recall (cause, kind, key, found, body, reached)
VALUES (:cause::text, :kind::text, :key::text, :found::timestamptz, :body::json, :reached::integer)
ON CONFLICT (cause) DO NOTHING;

-- name: withdraw_recalls
-- Nothing of it was told, so nothing needs to be taken back but what was noted.
WITH untold AS (
    SELECT cause FROM kept.recall WHERE kind = :kind::text AND key = :key::text AND announced IS NULL
), noted AS (
    DELETE FROM kept.recalled USING untold WHERE recalled.cause = untold.cause
)
UPDATE kept.recall SET announced = 'epoch' FROM untold WHERE recall.cause = untold.cause;

-- name: recalls_of
-- Those of these causes that are not told yet.
SELECT cause FROM kept.recall WHERE cause = ANY (:causes::text[]) AND announced IS NULL;

-- name: outcomes
-- The verdicts that hold on a spindle's measurements, before it is judged again.
SELECT sequence, kind, occurred, outcome FROM derived.measurement WHERE subject = :subject::integer;

-- name: note_recalled
-- Of a spindle that is settled for two causes, or again after a kill, the first word stands.
INSERT INTO kept.recalled (cause, subject, plant, body)
VALUES (:cause::text, :subject::integer, :plant::text, :body::json)
ON CONFLICT (cause, subject) DO NOTHING;

-- name: settled_recalls
-- Recalls of which no spindle waits any more; one sweep tells each.
SELECT recall.cause, recall.kind, recall.key, recall.found, recall.body, recall.reached
FROM kept.recall
WHERE recall.announced IS NULL
  AND NOT EXISTS (SELECT FROM derived.to_settle WHERE to_settle.cause = recall.cause)
ORDER BY recall.cause
LIMIT 100
FOR UPDATE SKIP LOCKED;

-- name: recalled
SELECT plant, body FROM kept.recalled WHERE cause = :cause::text ORDER BY subject;

-- name: announced
UPDATE kept.recall SET announced = :now::timestamptz WHERE cause = :cause::text;
