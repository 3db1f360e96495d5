-- name: subjects
SELECT subject, kind, key, log, sequence, head FROM ledger.subject ORDER BY subject;

-- name: sources
SELECT source, name, digest FROM ledger.source ORDER BY source;

-- name: stream
-- One subject's facts and readings by sequence, whatever log they say they are in.
SELECT sequence, log, position, occurred, recorded, reading, actor, source, key, form, schema, type, id, salt, data,
       hash
FROM ledger.entry
WHERE subject = :subject::integer
UNION ALL
SELECT sequence, log, position, occurred, recorded, reading, NULL, source, key, form, NULL, NULL, NULL, NULL, NULL,
       hash
FROM ledger.reading
WHERE subject = :subject::integer
ORDER BY sequence;

-- name: gaps
-- Logs whose positions are not dense from 1 to the last one given.
SELECT log.log, log.position, count(place.position) AS found, coalesce(max(place.position), 0) AS newest
FROM ledger.log
LEFT JOIN (
    SELECT log, position FROM ledger.entry
    UNION ALL
    SELECT log, position FROM ledger.reading
) AS place ON place.log = log.log
GROUP BY log.log, log.position
HAVING count(place.position) <> log.position
    OR coalesce(max(place.position), 0) <> log.position
    OR coalesce(min(place.position), 1) <> 1
ORDER BY log.log;

-- name: strangers
-- Entries that no walk over the subjects meets, or that are not in their subject's log.
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
