-- name: spindles_of_sheet
-- Spindles that a sheet may reach: those assigned to it now, and those that ever were.
SELECT DISTINCT entry.subject
FROM ledger.entry
WHERE (entry.type IN ('spindle.commissioned', 'spindle.sheet_assigned') AND entry.data ->> 'sheet' = :key::text)
   OR (entry.type = 'entry.corrected' AND entry.data #>> '{data,sheet}' = :key::text)
UNION
SELECT subject FROM derived.spindle WHERE sheet = :key::text;

-- name: spindles_of_gauge
-- Spindles that a gauge has judged.
SELECT DISTINCT subject FROM derived.measurement WHERE gauge = :key::text;

-- name: spindles_of_lot
-- Spindles into which a lot went.
SELECT DISTINCT subject FROM derived.fitted_lot WHERE lot = :key::text;

-- name: queue_to_settle
-- Inserted with the entry that reaches them; no spindle is locked here.
INSERT INTO derived.to_settle (subject, cause)
SELECT unnest(:subjects::integer[]), :cause::text;
