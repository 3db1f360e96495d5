-- name: subjects
SELECT subject, kind, key, log, sequence, head FROM ledger.subject ORDER BY subject;

-- name: sources
SELECT source, name, digest FROM ledger.source ORDER BY source;

-- name: streams
-- Facts and readings of some subjects, each subject's by sequence, whatever log they say they are in.
SELECT subject, sequence, log, position, occurred, recorded, reading, actor, source, key, form, schema, type, id, salt,
       data, hash
FROM ledger.entry
WHERE subject = ANY (:subjects::integer[])
UNION ALL
SELECT subject, sequence, log, position, occurred, recorded, reading, NULL, source, key, form, NULL, NULL, NULL, NULL,
       NULL, hash
FROM ledger.reading
WHERE subject = ANY (:subjects::integer[])
ORDER BY subject, sequence;

-- name: logs
SELECT log, position, recorded FROM ledger.log ORDER BY log;

-- name: strangers
-- Entries that no walk over the subjects meets, or that are not in their subject's log. Reads everything, and is asked
-- only where a log has other entries than it says.
SELECT place.log, place.position
FROM (
    SELECT log, position, subject FROM ledger.entry
    UNION ALL
    SELECT log, position, subject FROM ledger.reading
) AS place
LEFT JOIN ledger.subject ON subject.subject = place.subject
WHERE subject.subject IS NULL OR subject.log <> place.log
ORDER BY place.log, place.position
LIMIT 100;
