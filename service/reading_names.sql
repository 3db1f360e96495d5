-- name: resolve_spindles
-- Numbers of spindles by their keys.
SELECT key, subject
FROM ledger.subject
WHERE kind = 'spindles' AND key = ANY (:keys::text[]);

-- name: resolve_places
-- What was installed at machine/position at a time. Two plants may have a machine of the same name.
SELECT asked.number, place.subject
FROM unnest(:machines::text[], :positions::text[], :times::timestamptz[])
     WITH ORDINALITY AS asked (machine, position, time, number)
JOIN derived.place ON place.machine = asked.machine AND place.position = asked.position
WHERE place.installed <= asked.time AND (place.removed IS NULL OR place.removed > asked.time);

-- name: plants_of
SELECT subject, plant FROM derived.spindle WHERE subject = ANY (:subjects::integer[]);
