-- name: spindles_of_sheet
-- Spindles that a sheet may reach: those assigned to it now, and those that ever were.
SELECT DISTINCT entry.subject
FROM ledger.entry
WHERE entry.type IN ('spindle.commissioned', 'spindle.sheet_assigned', 'entry.corrected')
  AND coalesce(entry.data ->> 'sheet', entry.data #>> '{data,sheet}') = :key::text
UNION
SELECT subject FROM derived.spindle WHERE sheet = :key::text;

-- name: spindles_of_gauge
-- Spindles that a gauge has judged, or a tool torqued, in a time.
SELECT DISTINCT used.subject
FROM (
    SELECT subject, occurred FROM derived.measurement WHERE gauge = :key::text
    UNION ALL
    SELECT subject, occurred FROM derived.torque WHERE tool = :key::text
) AS used
WHERE (:since::timestamptz IS NULL OR used.occurred >= :since::timestamptz)
  AND (:until::timestamptz IS NULL OR used.occurred < :until::timestamptz);

-- name: spindles_of_lot
-- Spindles into which a lot went.
SELECT DISTINCT subject FROM derived.fitted_lot WHERE lot = :key::text;

-- name: queue_to_settle
-- Inserted with the entry that reaches them; no spindle is locked here.
INSERT INTO derived.to_settle (subject, cause)
SELECT unnest(:subjects::integer[]), :cause::text;

-- name: reach_of_gauge
-- What a gauge judged or a tool torqued in a time, after a place; of the plants that a key reaches.
SELECT used.subject, spindle.key AS spindle, spindle.plant, spindle.machine, used.sequence AS entry,
       used.occurred AS time, used.kind AS check, used.outcome, spindle.health, spindle.clearance
FROM (
    SELECT subject, sequence, occurred, kind, outcome FROM derived.measurement WHERE gauge = :key::text
    UNION ALL
    SELECT subject, sequence, occurred, 'torque', NULL FROM derived.torque WHERE tool = :key::text
) AS used
JOIN derived.spindle ON spindle.subject = used.subject
WHERE (:since::timestamptz IS NULL OR used.occurred >= :since::timestamptz)
  AND (:until::timestamptz IS NULL OR used.occurred < :until::timestamptz)
  AND (:plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]))
  AND (:after::timestamptz IS NULL
       OR (used.occurred, used.subject, used.sequence)
          > (:after::timestamptz, :after_subject::integer, :after_sequence::bigint))
ORDER BY used.occurred, used.subject, used.sequence
LIMIT :limit::integer;

-- name: reach_of_lot
-- Into what a lot's kits went, after a place; what the spindle carries now is its newest rebuild.
SELECT fitted.subject, spindle.key AS spindle, spindle.plant, spindle.machine, fitted.sequence AS entry,
       fitted.occurred AS time, fitted.sequence = newest.sequence AS fitted_now, spindle.health, spindle.clearance
FROM (
    SELECT subject, sequence, occurred FROM derived.fitted_lot WHERE lot = :key::text
) AS fitted
JOIN derived.spindle ON spindle.subject = fitted.subject
CROSS JOIN LATERAL (SELECT (spindle.folded #>> '{rebuild,at,sequence}')::bigint AS sequence) AS newest
WHERE (:plants::text[] IS NULL OR spindle.plant = ANY (:plants::text[]))
  AND (:after::timestamptz IS NULL
       OR (fitted.occurred, fitted.subject, fitted.sequence)
          > (:after::timestamptz, :after_subject::integer, :after_sequence::bigint))
ORDER BY fitted.occurred, fitted.subject, fitted.sequence
LIMIT :limit::integer;

-- name: kits_fitted
-- How many kits of each of these lots went into spindles.
SELECT lot, count(*) AS fitted FROM derived.fitted_lot WHERE lot = ANY (:lots::text[]) GROUP BY lot;

-- name: lots_of_sheet
-- Lots whose receipts name a sheet.
SELECT DISTINCT subject.key
FROM ledger.entry
JOIN ledger.subject USING (subject)
WHERE entry.type IN ('lot.received', 'entry.corrected') AND subject.kind = 'lots'
  AND coalesce(entry.data ->> 'sheet', entry.data #>> '{data,sheet}') = :sheet::text;
