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
-- Logs whose positions are not dense from 1 to the last one given, or that were not last written when they say so.
SELECT coalesce(log.log, place.log) AS log, log.position, log.recorded, coalesce(place.found, 0) AS found,
       coalesce(place.newest, 0) AS newest, coalesce(place.recorded, '2000-01-01T00:00:00Z') AS newest_recorded
FROM ledger.log
FULL JOIN (
    SELECT log, count(*) AS found, min(position) AS oldest, max(position) AS newest, max(recorded) AS recorded
    FROM (
        SELECT log, position, recorded FROM ledger.entry
        UNION ALL
        SELECT log, position, recorded FROM ledger.reading
    ) AS each
    GROUP BY log
) AS place ON place.log = log.log
WHERE log.log IS NULL
   OR coalesce(place.found, 0) <> log.position
   OR coalesce(place.newest, 0) <> log.position
   OR coalesce(place.oldest, 1) <> 1
   OR coalesce(place.recorded, '2000-01-01T00:00:00Z') <> log.recorded
ORDER BY 1;

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
