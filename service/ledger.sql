-- name: find_log_for
-- Spreads subjects over the logs that exist. A subject keeps the log it was given, whatever this answers later.
SELECT log
FROM ledger.log
ORDER BY log
OFFSET abs(hashtextextended(:kind::text || '/' || :key::text, 0) % (SELECT count(*) FROM ledger.log)) LIMIT 1;

-- name: add_subject
-- The head begins with the genesis of the chain (form 0).
INSERT INTO ledger.subject (kind, key, log, head)
VALUES (
    :kind::text, :key::text, :log::smallint,
    sha256(convert_to('spindle-ledger', 'UTF8') || int2send(0::smallint) || int2send(:log::smallint)
           || convert_to(:kind::text || '/' || :key::text, 'UTF8'))
)
ON CONFLICT (kind, key) DO NOTHING;

-- name: lock_subject
-- The lock that orders the writers of one subject. Answers columns of the locked row and nothing else: what was
-- read beside a lock that had to wait would be as old as the statement.
SELECT subject, log, sequence, head
FROM ledger.subject
WHERE kind = :kind::text AND key = :key::text
FOR UPDATE;

-- name: lock_subject_by_number
SELECT subject, log, sequence, head
FROM ledger.subject
WHERE subject = :subject::integer
FOR UPDATE;

-- name: share_subjects
-- The sheets, gauges and lots a fact is judged by: an entry of theirs waits until the fact is in, or is seen by it.
SELECT subject, kind, key, sequence
FROM ledger.subject
WHERE (kind, key) IN (SELECT * FROM unnest(:kinds::text[], :keys::text[]))
ORDER BY subject
FOR SHARE;

-- name: find_subjects
-- The same without a lock, for reading.
SELECT subject, kind, key, sequence
FROM ledger.subject
WHERE (kind, key) IN (SELECT * FROM unnest(:kinds::text[], :keys::text[]))
ORDER BY subject;

-- name: find_subject
SELECT subject, log, sequence, head
FROM ledger.subject
WHERE kind = :kind::text AND key = :key::text;

-- name: add_source
INSERT INTO ledger.source (name, digest)
VALUES (:name::text, sha256(convert_to(:name::text, 'UTF8')))
ON CONFLICT (name) DO NOTHING;

-- name: find_source
SELECT source, digest FROM ledger.source WHERE name = :name::text;

-- name: find_identity
-- The entry that has this identity already, wherever it stands.
SELECT subject.kind, subject.key, entry.subject, entry.sequence, entry.log, entry.position, entry.occurred,
       entry.recorded, entry.type, entry.actor, entry.data, entry.hash
FROM ledger.entry
JOIN ledger.subject ON subject.subject = entry.subject
WHERE entry.source = :source::integer AND entry.id = :id::text;

-- name: find_plain
-- The plain reading that has this identity: source, spindle and time.
SELECT sequence, log, position, recorded, reading, hash
FROM ledger.reading
WHERE subject = :subject::integer AND occurred = :at::timestamptz AND source = :source::integer;

-- name: facts
-- One subject's entries in the order in which they are folded; with `known_at` those recorded by then, with `upto` those
-- up to a sequence.
SELECT sequence, occurred, type, schema, data, reading
FROM ledger.entry
WHERE subject = :subject::integer
  AND (:known_at::timestamptz IS NULL OR recorded <= :known_at::timestamptz)
  AND (:upto::bigint IS NULL OR sequence <= :upto::bigint)
ORDER BY occurred, sequence;

-- name: targets
-- Which entries of a subject have these identities, each under its place in the question.
SELECT asked.number, entry.sequence, entry.type
FROM unnest(:sources::text[], :ids::text[]) WITH ORDINALITY AS asked (source, id, number)
JOIN ledger.source ON source.name = asked.source
JOIN ledger.entry ON entry.source = source.source AND entry.id = asked.id
WHERE entry.subject = :subject::integer;

-- name: plain_targets
-- The same of plain readings, which are known by their source and their time.
SELECT asked.number, reading.sequence, reading.occurred, reading.reading
FROM unnest(:sources::text[], :times::timestamptz[]) WITH ORDINALITY AS asked (source, time, number)
JOIN ledger.source ON source.name = asked.source
JOIN ledger.reading ON reading.occurred = asked.time AND reading.source = source.source
WHERE reading.subject = :subject::integer;

-- name: speaking
-- The corrections and voids of a subject, with who made them.
SELECT entry.sequence, entry.recorded, entry.actor, entry.data ->> 'reason' AS reason
FROM ledger.entry
WHERE entry.subject = :subject::integer AND entry.type IN ('entry.corrected', 'entry.voided')
ORDER BY entry.sequence;

-- name: subject_of
-- Whose an identity is, of whichever subject.
SELECT entry.subject
FROM ledger.entry
JOIN ledger.source ON source.source = entry.source
WHERE source.name = :source::text AND entry.id = :id::text;

-- name: actor_of
SELECT actor FROM ledger.entry WHERE subject = :subject::integer AND sequence = :sequence::bigint;

-- name: held_reading
-- The counter that held at a time: the newest reading at or before it, plain or brought by a fact and believed. What
-- a fact without a reading of its own found to hold is no reading: one that came later may have happened before it.
SELECT reading, occurred
FROM (
    (SELECT reading, occurred, sequence
     FROM ledger.entry
     WHERE subject = :subject::integer AND occurred <= :at::timestamptz
       AND ((data ->> 'count')::numeric = reading OR type = 'counter.replaced' OR data -> 'counter' IS NOT NULL)
     ORDER BY occurred DESC, sequence DESC
     LIMIT 1)
    UNION ALL
    (SELECT reading, occurred, sequence
     FROM ledger.reading
     WHERE subject = :subject::integer AND occurred <= :at::timestamptz
       AND sequence <> ALL (:gone::bigint[])
     ORDER BY occurred DESC, sequence DESC
     LIMIT 1)
) AS newest
ORDER BY occurred DESC, sequence DESC
LIMIT 1;

-- name: newest_plain
-- The newest plain reading that stands, by `until` and recorded by `known_at` where these are given; of several at one
-- time the one that was counted, for those that came late are not above it.
SELECT reading, occurred, sequence
FROM ledger.reading
WHERE subject = :subject::integer
  AND (:until::timestamptz IS NULL OR occurred <= :until::timestamptz)
  AND (:known_at::timestamptz IS NULL OR recorded <= :known_at::timestamptz)
  AND sequence <> ALL (:gone::bigint[])
ORDER BY occurred DESC, reading DESC
LIMIT 1;

-- name: usual_pause
-- The longest pause between readings that came at least twice in the sixteen days up to a reading, or nothing where they
-- are known for less than a week. In the order in which they were recorded: what came late ends no pause, then or now.
WITH told AS (
    SELECT sequence, occurred
    FROM ledger.reading
    WHERE subject = :subject::integer AND occurred <= :until::timestamptz
      AND occurred > :until::timestamptz - interval '16 days'
      AND (:known_at::timestamptz IS NULL OR recorded <= :known_at::timestamptz)
    UNION ALL
    SELECT sequence, occurred
    FROM ledger.entry
    WHERE subject = :subject::integer AND type = 'counter.read' AND occurred <= :until::timestamptz
      AND occurred > :until::timestamptz - interval '16 days'
      AND (:known_at::timestamptz IS NULL OR recorded <= :known_at::timestamptz)
), following AS (
    SELECT occurred, max(occurred) OVER (ORDER BY sequence ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS newest
    FROM told
)
SELECT occurred - newest
FROM following
WHERE occurred > newest
  AND (SELECT min(occurred) FROM told) <= :until::timestamptz - interval '7 days'
ORDER BY occurred - newest DESC
OFFSET 1 LIMIT 1;

-- name: following_reading
-- The first such reading after a time; where a fact put another counter in place, it is no bound for what came before.
SELECT reading, occurred, another_counter
FROM (
    (SELECT reading, occurred, sequence,
            type = 'counter.replaced' OR data -> 'counter' IS NOT NULL AS another_counter
     FROM ledger.entry
     WHERE subject = :subject::integer AND occurred > :at::timestamptz
       AND ((data ->> 'count')::numeric = reading OR type = 'counter.replaced' OR data -> 'counter' IS NOT NULL)
     ORDER BY occurred, sequence
     LIMIT 1)
    UNION ALL
    (SELECT reading, occurred, sequence, false
     FROM ledger.reading
     WHERE subject = :subject::integer AND occurred > :at::timestamptz
       AND sequence <> ALL (:gone::bigint[])
     ORDER BY occurred, sequence
     LIMIT 1)
) AS following
ORDER BY occurred, sequence
LIMIT 1;

-- name: reading_that_matters
-- The first plain reading after a state and before the next fact that a late fact has made matter: it reaches a limit
-- of cycles, comes after a limit of time, rises while the spindle is withheld, or is the first that runs the set in.
-- What was recorded before the exchange of the counter was known is the old counter's.
SELECT sequence, occurred, reading
FROM ledger.reading
WHERE subject = :subject::integer
  AND (occurred, sequence) > (:after::timestamptz, :after_sequence::bigint)
  AND (occurred, sequence) < (coalesce(:before::timestamptz, 'infinity'), coalesce(:before_sequence::bigint, 0))
  AND reading >= :reading::bigint AND sequence > :exchanged::bigint
  AND (:known_at::timestamptz IS NULL OR recorded <= :known_at::timestamptz)
  AND sequence <> ALL (:gone::bigint[])
  AND (reading >= :below::bigint OR occurred >= :until::timestamptz OR occurred < :first_until::timestamptz
       OR (:watched::boolean AND reading > :reading::bigint))
ORDER BY occurred, sequence
LIMIT 1;

-- name: last_reading_between
-- The last plain reading after a state and before the next fact and a time.
SELECT sequence, occurred, reading
FROM ledger.reading
WHERE subject = :subject::integer
  AND (occurred, sequence) > (:after::timestamptz, :after_sequence::bigint)
  AND (occurred, sequence) < (coalesce(:before::timestamptz, 'infinity'), coalesce(:before_sequence::bigint, 0))
  AND reading >= :reading::bigint AND sequence > :exchanged::bigint
  AND (:known_at::timestamptz IS NULL OR recorded <= :known_at::timestamptz)
  AND sequence <> ALL (:gone::bigint[])
  AND (:until::timestamptz IS NULL OR occurred < :until::timestamptz)
ORDER BY occurred DESC, sequence DESC
LIMIT 1;

-- name: append_fact
-- The last statement of an append: a place in the log, the hash over the previous head, the row, the new head.
WITH place AS (
    UPDATE ledger.log
    SET position = position + 1, recorded = greatest(recorded, clock_timestamp())
    WHERE log = :log::smallint
    RETURNING position, recorded
), appended AS (
    INSERT INTO ledger.entry (
        position, sequence, occurred, recorded, reading, subject, actor, source, key, log, form, schema, type, id,
        salt, data, hash)
    SELECT place.position, :sequence::bigint, :occurred::timestamptz, place.recorded, :reading::bigint,
           :subject::integer, :actor::integer, :source::integer, :key::integer, :log::smallint, 1, :schema::smallint,
           :type::text, :id::text, :salt::bytea, :data::json,
           ledger.fact_hash(
               :head::bytea, 1::smallint, :log::smallint, place.position, :sequence::bigint, :occurred::timestamptz,
               place.recorded, :reading::bigint, :actor::integer, :key::integer, :schema::smallint, :digest::bytea,
               :type::text, :id::text, :salt::bytea, :data::text)
    FROM place
    RETURNING position, recorded, hash
), moved AS (
    UPDATE ledger.subject
    SET sequence = :sequence::bigint, head = appended.hash
    FROM appended
    WHERE subject.subject = :subject::integer
)
SELECT position, recorded, hash FROM appended;

-- name: history
-- Facts and plain readings of one subject, by sequence.
SELECT subject.kind, subject.key, place.sequence, place.log, place.position, place.occurred, place.recorded, place.type,
       place.id, source.name AS source, place.actor, place.data, place.reading, place.hash
FROM (
    (SELECT entry.sequence, entry.log, entry.position, entry.occurred, entry.recorded, entry.type, entry.id,
            entry.source, entry.actor, entry.data, entry.reading, entry.hash
     FROM ledger.entry
     WHERE entry.subject = :subject::integer AND entry.log = :log::smallint AND entry.sequence > :after::bigint
     ORDER BY entry.sequence
     LIMIT :limit::integer)
    UNION ALL
    (SELECT reading.sequence, reading.log, reading.position, reading.occurred, reading.recorded, NULL, NULL,
            reading.source, NULL, NULL, reading.reading, reading.hash
     FROM ledger.reading
     WHERE reading.subject = :subject::integer AND reading.sequence > :after::bigint
     ORDER BY reading.sequence
     LIMIT :limit::integer)
    ORDER BY sequence
    LIMIT :limit::integer
) AS place
JOIN ledger.source ON source.source = place.source
JOIN ledger.subject ON subject.subject = :subject::integer
ORDER BY place.sequence;

-- name: ends
-- The newest place of each log that is committed.
SELECT log, position, recorded FROM ledger.log;

-- name: feed
-- What follows a place in each log, or in the `only` one: facts and readings in one snapshot, to be merged by when they
-- were recorded. Positions are dense, so a range of them bounds how much is read without sorting. `portion` is shared
-- out among the logs that have anything new; `more` marks the last row of a share that does not reach its log's end. A
-- log without news has a row without a position. `since` spares the weeks of readings before the cursor.
WITH held AS (
    SELECT log.log, log.position AS log_position, coalesce(held.position, 0) AS after,
           coalesce(held.recorded, '-infinity') AS since
    FROM ledger.log
    LEFT JOIN unnest(:logs::smallint[], :positions::bigint[], :recorded::timestamptz[])
        AS held (log, position, recorded) ON held.log = log.log
    WHERE :only::smallint IS NULL OR log.log = :only::smallint
), share AS (
    SELECT 8 + :portion::bigint * 5 / 4 / greatest(count(*) FILTER (WHERE log_position > after), 1) AS places
    FROM held
), span AS (
    SELECT log, log_position, after, since, least(log_position, after + places) AS upto FROM held CROSS JOIN share
)
SELECT span.log, span.log_position, span.after, span.upto, place.position, place.recorded,
       place.position = span.upto AND span.upto < span.log_position AS more, asked.wanted, subject.kind, subject.key,
       spindle.plant, place.sequence, place.occurred, place.type, place.id, source.name AS source, place.actor,
       CASE WHEN asked.wanted THEN place.data END AS data, place.reading, place.hash
FROM span
LEFT JOIN LATERAL (
    SELECT entry.position, entry.recorded, entry.subject, entry.sequence, entry.occurred, entry.type, entry.id,
           entry.source, entry.actor, entry.data, entry.reading, entry.hash
    FROM ledger.entry
    WHERE entry.log = span.log AND entry.position > span.after AND entry.position <= span.upto
    UNION ALL
    SELECT reading.position, reading.recorded, reading.subject, reading.sequence, reading.occurred, NULL, NULL,
           reading.source, NULL, NULL, reading.reading, reading.hash
    FROM ledger.reading
    WHERE reading.log = span.log AND reading.position > span.after AND reading.position <= span.upto
      AND reading.recorded >= span.since
) AS place ON true
LEFT JOIN ledger.subject ON subject.subject = place.subject
LEFT JOIN ledger.source ON source.source = place.source
LEFT JOIN derived.spindle ON spindle.subject = place.subject
CROSS JOIN LATERAL (
    SELECT coalesce(
        (:types::text[] IS NULL OR coalesce(place.type, 'counter.read') = ANY (:types::text[]))
        AND (:kind::text IS NULL OR (subject.kind = :kind::text AND subject.key = :key::text))
        AND (:plant::text IS NULL OR spindle.plant = :plant::text)
        AND (:reaches::text[] IS NULL OR subject.kind <> 'spindles' OR spindle.plant = ANY (:reaches::text[])),
        false) AS wanted
) AS asked
ORDER BY span.log, place.position;

-- name: add_actor
INSERT INTO kept.actor (label) VALUES (:label::text) ON CONFLICT (label) DO NOTHING;

-- name: find_actor
SELECT actor FROM kept.actor WHERE label = :label::text;

-- name: actor_labels
-- Labels can be erased; the number in the ledger stays.
SELECT actor, label FROM kept.actor WHERE actor = ANY (:actors::integer[]);

-- name: readings_outside_weeks
SELECT EXISTS (SELECT FROM ledger.reading_default) AS strays;

-- name: make_weeks
SELECT ledger.make_weeks(:ahead::integer);
